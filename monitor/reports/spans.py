"""The time that a report is about: a named shift of the site, or from one instant to another."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from monitor.core.plans import DAY, MINUTE, Zone


class Span(NamedTuple):
    """[start, end) in ms UTC; `name` is the shift's, "" for any other time."""

    start: int
    end: int
    name: str = ""


def shift(name: str, shifts: Mapping[str, tuple[int, int]], zone: Zone, at: int) -> Span:
    """The shift of this name that holds instant `at`, else the last one that ended before; KeyError for no such name.

    Its length is what the clock shows: a night of 20:00 to 08:00 is 11 or 13 hours when the clocks change.
    """
    first, last = shifts[name]
    local = at + zone.offset(at)
    today = local - local % DAY
    for day in (today, today - DAY, today - 2 * DAY):
        start = zone.to_utc(day + first * MINUTE)
        if start <= at:
            end = zone.to_utc(day + (DAY if last <= first else 0) + last * MINUTE)
            return Span(start, end, name)
    raise AssertionError("a shift begins each day")


def last_ended(name: str, shifts: Mapping[str, tuple[int, int]], zone: Zone, at: int) -> Span:
    """The last shift of this name that was over at instant `at`; KeyError for no such name."""
    found = shift(name, shifts, zone, at)
    while found.end > at:
        found = shift(name, shifts, zone, found.start - 1)
    return found
