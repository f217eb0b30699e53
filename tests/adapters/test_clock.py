"""The clocks: one that never runs back, and one that moves only when told."""

from __future__ import annotations

import asyncio
import time

from monitor.adapters.clock import SteppedClock, SystemClock


class Wall(SystemClock):
    """The wall clock, with somebody who sets it."""

    def __init__(self) -> None:
        super().__init__()
        self.set_by = 0

    def _read(self) -> int:
        return super()._read() + self.set_by


def test_the_system_clock_tells_the_time() -> None:
    """It is within a second of the system's."""
    assert abs(SystemClock().now() - time.time() * 1000) < 1000


def test_the_system_clock_never_runs_back() -> None:
    """Set back by an hour it stands still, set forward it follows."""
    clock = Wall()
    first = clock.now()
    clock.set_by = -3_600_000
    assert clock.now() == clock.reached() == clock.now()
    assert clock.now() >= first
    clock.set_by = 3_600_000
    assert clock.now() >= first + 3_600_000


async def test_it_waits_for_what_comes_first() -> None:
    """It waits until woken or until the instant, and not at all for one that has passed."""
    clock, wake = SystemClock(), asyncio.Event()
    began = time.monotonic()
    await clock.wait(wake, clock.now() + 50)
    assert 0.04 < time.monotonic() - began < 5
    await clock.wait(wake, clock.now() - 1000)
    wake.set()
    await clock.wait(wake, clock.now() + 3_600_000)
    assert time.monotonic() - began < 5


def test_a_stepped_clock_enters_and_completes() -> None:
    """While an instant is entered it is `now`, and only what lies before it has been reached."""
    clock = SteppedClock(1_000)
    assert (clock.now(), clock.reached()) == (1_000, 1_000)
    clock.enter(5_000)
    assert (clock.now(), clock.reached()) == (5_000, 4_999)
    clock.complete()
    assert (clock.now(), clock.reached()) == (5_000, 5_000)


def test_a_stepped_clock_never_runs_back() -> None:
    """Entering an earlier instant, or the same again, leaves what was reached as it is."""
    clock = SteppedClock(5_000)
    clock.enter(1_000)
    assert (clock.now(), clock.reached()) == (5_000, 5_000)
    clock.enter(5_000)
    assert clock.reached() == 5_000


async def test_a_stepped_clock_waits_for_being_woken_only() -> None:
    """Time does not pass by itself: even for an instant long gone it waits until woken."""
    clock, wake = SteppedClock(5_000), asyncio.Event()
    waiting = asyncio.ensure_future(clock.wait(wake, 1))
    await asyncio.sleep(0.02)
    assert not waiting.done()
    wake.set()
    await waiting
