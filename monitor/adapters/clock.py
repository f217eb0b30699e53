"""The service's clock, in ms UTC: the system's, or one that is stepped from outside for demo and tests."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Protocol


class Clock(Protocol):
    """What time it is, and how to wait for a later one."""

    on_step: Callable[[int], None] | None
    """Hears by how many ms the wall clock was set, if by a minute or more."""

    def start_from(self, at: int) -> None:
        """Be no earlier than `at`, the last instant of an earlier run."""

    def now(self) -> int:
        """The instant it is, never earlier than said before."""

    def reached(self) -> int:
        """The instant up to which deadlines may pass; `now`, but while an instant is being entered."""

    async def wait(self, wake: asyncio.Event, until: int | None) -> None:
        """Wait for `wake`, or until an instant."""


SLOWED = 0.9  # of real time, while a wall clock that was set back is waited for; common practice, no source
STEP = 60_000  # ms by which the wall clock must differ from what has passed before it counts as set


class SystemClock:
    """The wall clock, kept from running back and from standing still.

    Set back, it goes on more slowly until the wall clock has come up to it: were it to stand still, no deadline would
    pass for as long as it was set back by. Set forward, it follows at once.
    """

    def __init__(self) -> None:
        self.on_step: Callable[[int], None] | None = None
        self._last = float(self._wall())
        self._passed = self._monotonic()
        self._ahead = 0.0  # ms by which we are ahead of a wall clock that was set back

    def start_from(self, at: int) -> None:
        """Be no earlier than `at`, the last instant of an earlier run."""
        self._ahead += max(0.0, at - self._last)
        self._last = max(self._last, float(at))

    def now(self) -> int:
        """The instant it is."""
        passed = self._monotonic()
        since, self._passed = passed - self._passed, passed
        wall = float(self._wall())
        step = wall - (self._last - self._ahead) - since
        if wall >= self._last + SLOWED * since:
            self._last, self._ahead = wall, 0.0
        else:
            self._last += SLOWED * since
            self._ahead = self._last - wall
        if abs(step) >= STEP and self.on_step is not None:
            self.on_step(round(step))
        return int(self._last)

    def _wall(self) -> int:
        return time.time_ns() // 1_000_000

    def _monotonic(self) -> float:
        # It goes on while the machine sleeps, where there is such a clock (Linux).
        return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)) * 1000

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
        self.on_step: Callable[[int], None] | None = None  # it never hears of any: there is no wall clock
        self._now = self._reached = at

    def start_from(self, at: int) -> None:
        """Be no earlier than `at`."""
        self._now, self._reached = max(self._now, at), max(self._reached, at)

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
