"""Feeding-plan windows in local time, turned into UTC instants by a table of offsets: no tz files in the core."""

from __future__ import annotations

from bisect import bisect_right
from typing import NamedTuple

from monitor.core.messages import Plan

DAY = 86_400_000
MINUTE = 60_000


class Zone(NamedTuple):
    """A time zone as its offset changes: `changes[i]` (UTC ms) begins `offsets[i]` (ms east of UTC)."""

    changes: tuple[int, ...]
    offsets: tuple[int, ...]

    def offset(self, at: int) -> int:
        """Milliseconds east of UTC at instant `at`."""
        return self.offsets[max(0, bisect_right(self.changes, at) - 1)]

    def to_utc(self, local: int) -> int:
        """The instant of a local wall-clock time (both ms).

        A repeated time is its first occurrence, a missing one takes the offset before the gap (RFC 5545 §3.3.5).
        """
        before = self.offset(local - self.offset(local - DAY) - DAY)
        first = local - before
        if self.offset(first) == before:
            return first
        after = self.offset(first)
        second = local - after
        return second if self.offset(second) == after else first


UTC = Zone((0,), (0,))


def window_at(plan: Plan, zone: Zone, at: int) -> tuple[int, int] | None:
    """The window [start, end) of the plan that holds instant `at`, as UTC ms, or None outside all of them."""
    local = at + zone.offset(at)
    today = local - local % DAY
    for day in (today, today - DAY):
        for window in plan.windows:
            over_midnight = DAY if window.end_min <= window.start_min else 0
            start = zone.to_utc(day + window.start_min * MINUTE)
            end = zone.to_utc(day + window.end_min * MINUTE + over_midnight)
            if start <= at < end:
                return start, end
    return None
