"""How much a list of notices or alarms asks of one operator: rates, floods, chatter, what stands too long.

Instants are ms UTC, in any order, one for each notice or alarm. Windows and periods are half open, (t - length, t]:
what came exactly a length ago no longer counts, as for `recurring`. All limits are for one operator: give one's own.

Editing rules: pure arithmetic on what was told; each limit beside its source; nothing here knows a rule.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Hashable, Iterable, Mapping
from enum import StrEnum
from typing import Final, NamedTuple, TypeVar

MINUTE: Final = 60_000
TEN_MINUTES: Final = 10 * MINUTE
HOUR: Final = 60 * MINUTE
DAY: Final = 24 * HOUR

# ISA-18.2 / IEC 62682 (secondary source).
FLOOD_ABOVE: Final = 10  # in 10 min: eleven make a flood, ten do not
CHATTERING: Final = 3  # activations of one condition within a minute
STALE_AFTER: Final = DAY  # active longer than this
# From memory, to be checked against the standard before it is cited.
FLOOD_ENDS_BELOW: Final = 5  # in 10 min
HOUR_LIMIT: Final = 30  # alarms in an hour; fewer than 1 % of hours should have more


class Band(StrEnum):
    """What a rate means for one operator."""

    ACCEPTABLE = "acceptable"
    MANAGEABLE = "manageable"
    OVER = "over"


# ISA-18.2 / IEC 62682: up to the first is acceptable, up to the second the most that can be managed. Both are said to
# be approximate ("~"); they are taken as exact limits here, themselves included.
BANDS: Final[Mapping[int, tuple[int, int]]] = {DAY: (150, 300), HOUR: (6, 12), TEN_MINUTES: (1, 2)}

Condition = TypeVar("Condition", bound=Hashable)


class Stretch(NamedTuple):
    """From an instant on until another, [start, end)."""

    start: int
    end: int


class Peak(NamedTuple):
    """The most that came in one window, and the first instant at which it was so many."""

    number: int
    at: int


class Load(NamedTuple):
    """What one operator was asked in a period (since, until]; shares from 0 to 1.

    `hours_above` is None if the period has no whole hour; an hour that is not whole at its end is left out of it.
    """

    number: int
    per_hour: float
    per_ten_minutes: float
    worst_ten_minutes: Peak | None
    floods: tuple[Stretch, ...]
    flood_share: float
    hours_above: float | None
    band: Band


def load(instants: Iterable[int], since: int, until: int, *, hour_limit: int = HOUR_LIMIT) -> Load:
    """All of it for one operator and one period; ValueError if that is empty. What came outside of it is left out."""
    inside = sorted(at for at in instants if since < at <= until)
    per_hour = rate(len(inside), until - since, HOUR)
    flooded = tuple(Stretch(start, min(end, until)) for start, end in floods(inside))
    hours = by_period(inside, since, until, HOUR)
    return Load(
        number=len(inside),
        per_hour=per_hour,
        per_ten_minutes=rate(len(inside), until - since, TEN_MINUTES),
        worst_ten_minutes=worst(inside),
        floods=flooded,
        flood_share=sum(end - start for start, end in flooded) / (until - since),
        hours_above=sum(number > hour_limit for number in hours) / len(hours) if hours else None,
        band=band(per_hour),
    )


def rate(number: float, length: int, per: int = HOUR) -> float:
    """How many come in `per` ms if `number` came in `length` ms; ValueError if that is no time at all."""
    if length <= 0:
        raise ValueError(f"a period of {length} ms has no rate")
    return number * per / length


def band(number: float, per: int = HOUR) -> Band:
    """What so many in a day, an hour or ten minutes mean; KeyError for another time, for which no limits are known."""
    acceptable, manageable = BANDS[per]
    if number <= acceptable:
        return Band.ACCEPTABLE
    return Band.MANAGEABLE if number <= manageable else Band.OVER


def by_period(instants: Iterable[int], since: int, until: int, length: int) -> tuple[int, ...]:
    """How many came in each whole period from `since` on: (since, since + length], and so on."""
    numbers = [0] * max(0, (until - since) // length)
    for at in instants:
        place = (at - since - 1) // length
        if 0 <= place < len(numbers):
            numbers[place] += 1
    return tuple(numbers)


def counts(instants: Iterable[int], window: int = TEN_MINUTES) -> list[tuple[int, int]]:
    """Each instant at which the number in the last `window` ms changes or may change, and that number from then on."""
    ordered = sorted(instants)
    changes = sorted({*ordered, *(at + window for at in ordered)})
    return [(at, bisect_right(ordered, at) - bisect_right(ordered, at - window)) for at in changes]


def worst(instants: Iterable[int], window: int = TEN_MINUTES) -> Peak | None:
    """The most in any window, the first of several; None if nothing came."""
    return max((Peak(number, at) for at, number in counts(instants, window)), key=_height, default=None)


def floods(instants: Iterable[int]) -> tuple[Stretch, ...]:
    """The floods: each begins with more than 10 in 10 min, and ends as soon as there are fewer than 5."""
    found = []
    began: int | None = None
    for at, number in counts(instants):
        if began is None and number > FLOOD_ABOVE:
            began = at
        elif began is not None and number < FLOOD_ENDS_BELOW:
            found.append(Stretch(began, at))
            began = None
    return tuple(found)


def chattering(onsets: Iterable[int]) -> tuple[int, ...]:
    """The instants, each once, at which one condition begins for at least the third time within a minute."""
    ordered = sorted(onsets)
    return tuple(
        at
        for at in sorted(set(ordered))
        if bisect_right(ordered, at) - bisect_right(ordered, at - MINUTE) >= CHATTERING
    )


def stale(active: Mapping[Condition, tuple[int, int | None]], now: int) -> tuple[Condition, ...]:
    """Which were active for longer than a day; each has its first instant and its end, None while it is active."""
    return tuple(
        condition
        for condition, (since, ended) in active.items()
        if (now if ended is None else min(now, ended)) - since > STALE_AFTER
    )


def _height(peak: Peak) -> int:
    return peak.number
