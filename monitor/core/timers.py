"""One heap of everything that is due, so that there is one wake-up. An entry is checked when it comes up: owners that
have moved their instant since are asked for the new one."""

from __future__ import annotations

import heapq
from enum import IntEnum


class Kind(IntEnum):
    """Whose deadline; at one instant the lower number goes first, so that what settles is not told about."""

    CATCH_UP = 0
    DEVICE = 1
    WORK = (
        2  # the next slice of what rested: after the devices, so that whatever is due by then rests there too
    )
    UNIT = 3
    DUTY = 4
    HOLD = 5  # before the recheck of what it held, and after a duty that ends with it
    CONCERN = 6
    NOTICE = 7
    RETIRE = 8
    TECHNICAL = 9
    DRILL = 10


class Timers:
    """A heap of (instant, kind, key)."""

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, str]] = []

    def put(self, at: int, kind: Kind, key: str) -> None:
        """Note that something is due."""
        heapq.heappush(self._heap, (at, kind, key))

    def next(self) -> int | None:
        """The earliest instant noted; the owner may have moved on since."""
        return self._heap[0][0] if self._heap else None

    def pop(self, now: int) -> tuple[Kind, str] | None:
        """Take the earliest entry that is due, if any."""
        if not self._heap or self._heap[0][0] > now:
            return None
        _, kind, key = heapq.heappop(self._heap)
        return _KINDS[kind], key


_KINDS = tuple(Kind)  # looking one up by its number takes longer than the rest of `pop`
