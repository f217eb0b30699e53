"""A feeding plan's windows as spans of time, and what the plan asks for by an instant.

Times are milliseconds from the start of a run, which may lie in the middle of a window. Worlds run on days without a
change of the clock, so that every day has 24 h.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from simulators.instants import DAY, HOUR, MINUTE


class Span(NamedTuple):
    """One window, once: [begin, end), and the number of the feeding day that it belongs to."""

    begin: int
    end: int
    day: int


def spans(windows: Sequence[tuple[str, str]], *, from_min: int, days: int = 1) -> tuple[Span, ...]:
    """Return the windows of all feeding days that *days* days from the minute of the day *from_min* on touch, in order.

    A feeding day begins with the first window after the longest pause.
    """
    ordered = sorted((_minute(begin), _minute(end)) for begin, end in windows)
    if not ordered:
        return ()
    lengths = [((end - begin) % 1440 or 1440) for begin, end in ordered]
    pauses = [
        (begin - ordered[place - 1][0] - lengths[place - 1]) % 1440
        for place, (begin, _) in enumerate(ordered)
    ]
    first = max(range(len(ordered)), key=lambda place: (pauses[place], -place))
    found = []
    for day in range(-2, days + 2):
        for place, (begin, _) in enumerate(ordered):
            # Windows before the first of the feeding day belong to the one that began the day before.
            minute = begin - from_min + 1440 * (day + (place < first))
            span = Span(minute * MINUTE, (minute + lengths[place]) * MINUTE, day)
            if span.begin < days * DAY:
                found.append(span)
    # With a window that is open in that time come those that its feeding day had before.
    open_days = {span.day for span in found if span.end > 0}
    return tuple(sorted(span for span in found if span.day in open_days))


class Schedule:
    """What one plan asks for: its rate within its windows, each feeding day up to its target."""

    def __init__(self, windows: tuple[Span, ...], rate_ml_h: float, target_ml: float) -> None:
        self.windows, self._rate, self._target = windows, rate_ml_h, target_ml
        self.days = tuple(dict.fromkeys(span.day for span in windows))
        self._of = {day: [span for span in windows if span.day == day] for day in self.days}

    def window(self, at: int) -> Span | None:
        """Return the window that is open at an instant."""
        for span in self.windows:
            if span.begin <= at < span.end:
                return span
        return None

    def asked_ml(self, day: int, at: int) -> float:
        """Return what a feeding day asks for by an instant."""
        passed = sum(max(0, min(at, span.end) - span.begin) for span in self._of[day])
        return min(self._target, self._rate * passed / HOUR)

    def flow_ml_h(self, asked_ml: float) -> float:
        """Return how fast an open window asks for more, once it has asked for so much."""
        return self._rate if asked_ml < self._target else 0.0

    def due_ml(self, at: int) -> float:
        """Return what the plan has asked for between the start of the run and an instant."""
        return sum(self.asked_ml(day, at) - self.asked_ml(day, 0) for day in self.days)


def _minute(clock: str) -> int:
    return int(clock[:2]) * 60 + int(clock[3:5])
