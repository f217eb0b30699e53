"""Small phrases of notices: times of the day, durations, counts and quantities as a person says them.

Pure functions, whatever the input: none may fail over an absurd number, since a notice hangs on it.
"""

import math
import unicodedata
from datetime import date
from typing import Final

from monitor.core.instants import DAY, HOUR, MINUTE, show_duration
from monitor.core.plans import Zone

LONGEST: Final = 300
"""Characters of one text from outside in a mail."""

_EPOCH: Final = date(1970, 1, 1).toordinal()


def clock(at: int, now: int, zone: Zone) -> str:
    """Local time of day of an instant; with its date when it is not of this night or day."""
    local = at + zone.offset(at)
    minutes = local % DAY // MINUTE
    shown = f"{minutes // 60:02d}:{minutes % 60:02d}"
    if abs(now - at) < 18 * HOUR:
        return shown
    try:
        return f"{date.fromordinal(_EPOCH + local // DAY)} {shown}"
    except (ValueError, OverflowError):
        return f"{shown} of an impossible day"


def for_how_long(ms: int) -> str:
    """A duration as a person says it: whole minutes."""
    if ms < MINUTE:
        return "less than 1 min"
    return "more than 30 d" if ms > 30 * DAY else show_duration(ms - ms % MINUTE)


def to_the_second(ms: int) -> str:
    """A duration to the second."""
    minutes, seconds = divmod(round(ms / 1000), 60)
    return f"{minutes} min {seconds} s" if minutes else f"{seconds} s"


def ordinal(number: int) -> str:
    """1st, 2nd, 3rd, 11th."""
    number = max(1, number)
    if number > 99:
        return "more than 99th"
    suffix = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{suffix}"


def times(number: int) -> str:
    """Once, twice, 3 times."""
    return {1: "once", 2: "twice"}.get(number, f"{min(number, 999)} times")


def ml(value: float | None) -> str:
    """A volume in mL."""
    return quantity(value, "mL")


def quantity(value: float | None, unit: str) -> str:
    """A number with its unit, rounded for reading; what is not known is unknown, never zero."""
    if value is None or not math.isfinite(value):
        return "unknown"
    if 0 < value < 1:
        return f"under 1 {unit}"
    return f"{value:.0f} {unit}" if abs(value) < 1e6 else f"over 1000000 {unit}"


def missing(volume_ml: float, kcal_per_ml: float | None) -> str:
    """A volume in mL, and in kcal where the feed's density is known."""
    return ml(volume_ml) + ("" if kcal_per_ml is None else f" ({quantity(volume_ml * kcal_per_ml, 'kcal')})")


def capital(text: str) -> str:
    """The text with its first letter large."""
    return text[:1].upper() + text[1:]


def one_line(text: str, longest: int = LONGEST) -> str:
    """A text from outside as one line of what can be seen, cut where it is too long."""
    if not text.isprintable():
        text = "".join(_shown(character) for character in text)
    whole = " ".join(text.split())
    return whole if len(whole) <= longest else whole[: longest - 1].rstrip() + "…"


def _shown(character: str) -> str:
    """The character, nothing for a hidden format character, or a blank for what is no text at all."""
    if character.isprintable():
        return character
    return "" if unicodedata.category(character) == "Cf" else " "
