"""Instants and durations: integer milliseconds inside, RFC 3339 and plain words outside.

An instant is milliseconds since 1970-01-01T00:00:00Z, an `int`; a duration is milliseconds, an `int`. No
float ever holds either. Whoever edits this file keeps `parse` cheap: it runs for every time in every
message.
"""

import re
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Final

SECOND: Final = 1_000
MINUTE: Final = 60 * SECOND
HOUR: Final = 60 * MINUTE
DAY: Final = 24 * HOUR

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NAIVE_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 -- shown with "Z", so the zone would only cost time
_LONGEST = 64  # characters; a time with more digits of a second than this is nonsense

# RFC 3339 §5.6. datetime.fromisoformat() takes much more (week dates, no zone), so the form is checked first.
_IN_UTC = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z", re.ASCII).fullmatch
_DATE_TIME = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt](\d\d:\d\d):(\d\d)(\.\d+)?([Zz]|[+-](?:[01]\d|2[0-3]):[0-5]\d)", re.ASCII
).fullmatch

_UNITS: Final = {"d": DAY, "h": HOUR, "min": MINUTE, "s": SECOND, "ms": 1}
_PART = re.compile(r"\s*(\d{1,9}(?:\.\d{1,6})?)\s*(ms|min|s|h|d)(?![a-z])", re.ASCII)


def parse(text: str) -> int:
    """Read an RFC 3339 date-time as an instant in ms, digits below cut off; ValueError if it is none."""
    if len(text) <= _LONGEST and _IN_UTC(text):
        try:
            since = datetime.fromisoformat(text) - _EPOCH
        except ValueError:
            pass  # a leap second or an impossible date: told apart below
        else:
            return since.days * DAY + since.seconds * SECOND + since.microseconds // 1000
    return _parse_any(text)


def _parse_any(text: str) -> int:
    """Read lower case, offsets and leap seconds too."""
    match = _DATE_TIME(text) if len(text) <= _LONGEST else None
    if match is None:
        raise ValueError(
            f"{_cut(text)} is not an RFC 3339 time such as 2026-03-14T01:12:09.500Z (the zone is required)"
        )
    date, hour_minute, second, fraction, zone = match.groups()
    leap = second == "60"
    try:
        whole = datetime.fromisoformat(f"{date}T{hour_minute}:{'59' if leap else second}{zone.upper()}")
    except ValueError as error:
        raise ValueError(f"{_cut(text)} is not a time of the calendar: {error}") from None
    since = whole - _EPOCH
    ms = since.days * DAY + since.seconds * SECOND + (int(f"{fraction[1:4]:0<3}") if fraction else 0)
    if leap:
        ms += SECOND  # RFC 3339 §5.7: 23:59:60 is legal; Unix time has no such second, so it is the next one
        if not _starts_month(ms):
            raise ValueError(f"{_cut(text)} is not a time of the calendar: no leap second can be there")
    return ms


def _starts_month(ms: int) -> bool:
    """Say whether the instant lies in the first second of a month, UTC: leap seconds come just before one."""
    try:
        moment = _EPOCH + timedelta(seconds=ms // SECOND)
    except OverflowError:  # the end of the year 9999
        return True
    return (moment.day, moment.hour, moment.minute, moment.second) == (1, 0, 0, 0)


def show(ms: int) -> str:
    """Write an instant as RFC 3339 in UTC, always with ms; ValueError outside the years 1 to 9999."""
    try:
        moment = _NAIVE_EPOCH + timedelta(milliseconds=ms)
    except OverflowError:
        raise ValueError(f"{ms} ms is outside the years 1 to 9999") from None
    return moment.isoformat(timespec="milliseconds") + "Z"


def parse_duration(text: str) -> int:
    """Read a duration such as "90 s", "1.5 h", "1 h 30 min" or "250 ms" as ms; ValueError if it is none."""
    total, at, smaller_than = Decimal(0), 0, 2 * DAY
    stripped = text.rstrip()
    while at < len(stripped):
        match = _PART.match(stripped, at)
        if match is None or _UNITS[match[2]] >= smaller_than:
            break
        smaller_than = _UNITS[match[2]]
        total += Decimal(match[1]) * smaller_than
        at = match.end()
    if not stripped or at < len(stripped):
        raise ValueError(
            f"{_cut(text)} is not a duration such as 90 s, 4 min, 1.5 h, 1 h 30 min or 250 ms"
            " (units d, h, min, s, ms, the largest first)"
        )
    if total != int(total):
        raise ValueError(f"{_cut(text)} is not a whole number of milliseconds")
    return int(total)


def show_duration(ms: int) -> str:
    """Write a duration for a person: "1 h 20 min", "45 s", "250 ms"; at most two units, the rest cut off."""
    if ms < 0:
        return f"-{show_duration(-ms)}"
    if ms < SECOND:
        return f"{ms} ms" if ms else "0 s"
    for (name, unit), (smaller_name, smaller) in (
        (("d", DAY), ("h", HOUR)),
        (("h", HOUR), ("min", MINUTE)),
        (("min", MINUTE), ("s", SECOND)),
    ):
        if ms >= unit:
            rest = ms % unit // smaller
            return f"{ms // unit} {name} {rest} {smaller_name}" if rest else f"{ms // unit} {name}"
    return f"{ms // SECOND} s"


def _cut(text: str) -> str:
    """Quote a text for an error, at most 40 characters of it."""
    return ascii(text if len(text) <= 40 else text[:40] + "…")
