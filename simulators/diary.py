"""What is going to happen: a heap of instants and deeds; deeds of one instant keep their order."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from itertools import count

Deed = Callable[[int], None]


class Diary:
    """Deeds by instant; a deed is called with the instant at which it is due."""

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, Deed]] = []
        self._numbers = count()

    def note(self, at: int, deed: Deed) -> None:
        """Have *deed* done at *at*."""
        heapq.heappush(self._heap, (at, next(self._numbers), deed))

    def next_at(self) -> int | None:
        """Return the next instant at which something is due."""
        return self._heap[0][0] if self._heap else None

    def take(self, at: int) -> Deed | None:
        """Take the next deed due at *at* out, or return None."""
        return heapq.heappop(self._heap)[2] if self._heap and self._heap[0][0] <= at else None
