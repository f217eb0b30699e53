"""The clocks: one that never runs back, and one that moves only when told."""

from __future__ import annotations

import asyncio
import time

from monitor.adapters.clock import SteppedClock, SystemClock

HOUR = 3_600_000


class Wall(SystemClock):
    """The wall clock, with somebody who sets it and lets time pass, in ms."""

    def __init__(self) -> None:
        self.wall, self.passed = 1_800_000_000_000, 5_000.0
        self.steps: list[int] = []
        super().__init__()
        self.on_step = self.steps.append

    def set_by(self, ms: int) -> None:
        """Set it forward, or back."""
        self.wall += ms

    def passes(self, ms: int) -> int:
        """So much time passes; the instant it is then."""
        self.wall, self.passed = self.wall + ms, self.passed + ms
        return self.now()

    def _wall(self) -> int:
        return self.wall

    def _monotonic(self) -> float:
        return self.passed


def test_the_system_clock_tells_the_time() -> None:
    """It is within a second of the system's."""
    assert abs(SystemClock().now() - time.time() * 1000) < 1000


def test_a_clock_set_forward_is_followed() -> None:
    """At once, and it is said."""
    clock = Wall()
    first = clock.now()
    clock.set_by(HOUR)
    assert clock.passes(1_000) == first + HOUR + 1_000
    assert clock.steps == [HOUR]


def test_a_clock_set_back_neither_runs_back_nor_stands_still() -> None:
    """Set back by an hour it goes on at nine tenths of real time until the wall clock has come up to it."""
    clock = Wall()
    first = clock.now()
    clock.set_by(-HOUR)
    assert clock.now() == first
    assert [clock.passes(60_000) for _ in range(10)] == [first + 54_000 * n for n in range(1, 11)]
    assert clock.passes(8 * HOUR) == first + int(0.9 * (8 * HOUR + 600_000))
    assert clock.passes(2 * HOUR) == clock.wall, "they have met"
    assert clock.passes(1_000) == clock.wall
    assert clock.steps == [-HOUR], "said once"


def test_a_clock_that_is_nudged_is_not_said_to_be_set() -> None:
    """A few seconds of correction are usual."""
    clock = Wall()
    for nudge in (-2_000, 3_000, -500):
        clock.set_by(nudge)
        clock.passes(10_000)
    assert clock.steps == []
    assert clock.now() == clock.wall


def test_a_start_by_a_clock_that_was_set_back_goes_on_from_the_last_instant() -> None:
    """As the clock of a machine without a battery may be: deadlines pass all the same."""
    clock = Wall()
    last = clock.now() + HOUR
    clock.start_from(last)
    assert clock.now() == last
    assert clock.passes(60_000) == last + 54_000
    assert clock.steps == []


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
