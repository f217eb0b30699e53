"""The service's clock, in ms UTC: the system's, or one that is stepped from outside for demo and tests."""

from __future__ import annotations

import asyncio
import time
from typing import Protocol


class Clock(Protocol):
    """What time it is, and how to wait for a later one."""

    def now(self) -> int:
        """The instant it is, never earlier than said before."""

    def reached(self) -> int:
        """The instant up to which deadlines may pass; `now`, but while an instant is being entered."""

    async def wait(self, wake: asyncio.Event, until: int | None) -> None:
        """Wait for `wake`, or until an instant."""


class SystemClock:
    """The wall clock, kept from running back."""

    def __init__(self) -> None:
        self._last = 0

    def now(self) -> int:
        """The instant it is."""
        self._last = max(self._last, self._read())
        return self._last

    def _read(self) -> int:
        return time.time_ns() // 1_000_000

    def reached(self) -> int:
        """The instant it is."""
        return self.now()

    async def wait(self, wake: asyncio.Event, until: int | None) -> None:
        """Wait for `wake`, or until an instant; looks up at least each minute, as the wall clock may be set."""
        seconds = 60.0 if until is None else min(60.0, max(0.0, (until - self.now()) / 1000))
        try:
            async with asyncio.timeout(seconds):
                await wake.wait()
        except TimeoutError:
            pass


class SteppedClock:
    """A clock that moves only when told: `enter` an instant, deliver what happens at it, then `complete` it."""

    def __init__(self, at: int) -> None:
        self._now = self._reached = at

    def enter(self, at: int) -> None:
        """It is `at` now, but its deadlines have to wait for its messages."""
        self._now = max(self._now, at)
        self._reached = max(self._reached, self._now - 1)

    def complete(self) -> None:
        """All messages of the instant have come: its deadlines may pass."""
        self._reached = self._now

    def now(self) -> int:
        """The instant it is."""
        return self._now

    def reached(self) -> int:
        """The instant up to which deadlines may pass."""
        return self._reached

    async def wait(self, wake: asyncio.Event, until: int | None) -> None:
        """Wait for `wake`; time does not pass by itself."""
        del until
        await wake.wait()
