"""Quiet hours of a way to a person: a time of the local day in which it is not used below high."""

from __future__ import annotations

from typing import NamedTuple

from monitor.core.plans import DAY, MINUTE, Zone


class Quiet(NamedTuple):
    """From and until before when, in minutes of the local day; an end at or before the start is the next day's."""

    start: int
    end: int


def quiet_until(quiet: Quiet | None, zone: Zone, at: int) -> int | None:
    """When the quiet hours that hold instant `at` are over (ms UTC); None outside them.

    By the wall clock, as people keep them: the night of a clock change is an hour shorter or longer.
    """
    if quiet is None:
        return None
    local = at + zone.offset(at)
    today = local - local % DAY
    over_midnight = DAY if quiet.end <= quiet.start else 0
    for day in (today, today - DAY):
        start = zone.to_utc(day + quiet.start * MINUTE)
        end = zone.to_utc(day + quiet.end * MINUTE + over_midnight)
        if start <= at < end:
            return end
    return None
