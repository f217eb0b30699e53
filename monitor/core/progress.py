"""How far a feed is against its plan: what was to be given by now, what is missing, and whether the rest still fits.

A plan's *feeding day* runs from the window that follows the longest pause to that window a day later: 20:00 for a night
feed, 07:00 for meals by day. The plan's target is what is wanted in one feeding day. No time counts twice: where
windows overlap, by the plan or by a clock that goes forward, the one that began first counts.

Editing rules: pure arithmetic on instants (ms UTC), mL and mL/h; nothing here knows a rule or advises anything.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import Final, NamedTuple

from monitor.core.messages import Plan, Window
from monitor.core.plans import DAY, MINUTE, Zone

HOUR: Final = 3_600_000
CATCH_UP_CAP: Final = 150.0  # mL/h; volume-based feeding, PEP uP protocol (domain: Enteral practice)
_DAY_MIN: Final = 24 * 60


class Span(NamedTuple):
    """One window of one feeding day: [start, end) in ms UTC, and the rate planned in it, if any."""

    start: int
    end: int
    rate_ml_h: float | None


class FeedingDay(NamedTuple):
    """The windows of one feeding day [start, end), in order and apart; none if a clock change swallows them all."""

    spans: tuple[Span, ...]
    start: int
    end: int

    def inside(self, at: int) -> bool:
        """Whether an instant lies in one of its windows."""
        return any(span.start <= at < span.end for span in self.spans)

    def passed(self, at: int) -> int:
        """How much of its windows has passed by an instant, in ms."""
        return sum(max(0, min(at, span.end) - span.start) for span in self.spans)

    def left(self, at: int) -> int:
        """How much of its windows is left at an instant, in ms."""
        return sum(max(0, span.end - max(at, span.start)) for span in self.spans)

    def whole(self) -> int:
        """The length of its windows together, in ms."""
        return sum(span.end - span.start for span in self.spans)


class Progress(NamedTuple):
    """One feeding day as it stands; volumes in mL, None where the plan or the pump does not tell.

    `needed_ml_h` is the rate that would still give the rest by the end of the last window, `allowed_ml_h` the highest
    that may be asked for, `cannot_ml` what would be missing even at that.
    """

    scheduled_ml: float | None
    shortfall_ml: float | None
    target_ml: float | None
    needed_ml_h: float | None
    allowed_ml_h: float
    cannot_ml: float | None


def feeding_day(plan: Plan, zone: Zone, at: int) -> FeedingDay | None:
    """The feeding day that holds an instant; None for a plan without windows."""
    if not plan.windows:
        return None
    first = day_begins(plan.windows)
    local = at + zone.offset(at)
    today = local - local % DAY
    # Tomorrow: put back over midnight, a clock shows today again after tomorrow began.
    # Two days ago: a zone may leave out a day (Apia, 30 December 2011).
    for day in (today + DAY, today, today - DAY, today - 2 * DAY):
        begins = zone.to_utc(day + first * MINUTE)
        if begins <= at:
            ends = zone.to_utc(day + DAY + first * MINUTE)
            return FeedingDay(tuple(_spans(plan, zone, day, begins, ends)), begins, ends)
    return None


@lru_cache(maxsize=4096)
def day_begins(windows: tuple[Window, ...]) -> int:
    """The minute of the local day at which a feeding day begins: after the longest pause, of several the earliest."""

    def pause(start: int) -> int:
        if any(0 < (start - window.start_min) % _DAY_MIN < _length(window) for window in windows):
            return -1  # in the middle of another window: no pause at all
        return min((start - window.end_min) % _DAY_MIN for window in windows)

    return max(sorted(window.start_min for window in windows), key=pause)


def _length(window: Window) -> int:
    return (window.end_min - window.start_min) % _DAY_MIN or _DAY_MIN


def _spans(plan: Plan, zone: Zone, day: int, begins: int, ends: int) -> Iterable[Span]:
    starts = sorted(
        (zone.to_utc(date + window.start_min * MINUTE), date, place)
        for date in (
            day - 2 * DAY,
            day - DAY,
            day,
            day + DAY,
        )  # two: the day before may be left out, as above
        for place, window in enumerate(plan.windows)
    )
    free = begins
    for start, date, place in starts:
        window = plan.windows[place]
        end = min(zone.to_utc(date + (window.start_min + _length(window)) * MINUTE), ends)
        if end > (start := max(start, free)):
            yield Span(start, end, window.rate_ml_h if window.rate_ml_h is not None else plan.rate_ml_h)
            free = end


def scheduled_ml(day: FeedingDay, target_ml: float | None, at: int) -> float | None:
    """What was to be given by an instant: by the planned rates, else evenly; never more than the target."""
    if all(span.rate_ml_h is not None for span in day.spans):
        # Multiplied before divided: whole numbers stay exact, and a tie with a threshold stays a tie.
        given = (
            sum(max(0, min(at, span.end) - span.start) * (span.rate_ml_h or 0.0) for span in day.spans) / HOUR
        )
        return given if target_ml is None else min(given, target_ml)
    return None if target_ml is None else target_ml * day.passed(at) / day.whole()


def allowed_ml_h(plan: Plan) -> float:
    """The highest rate that may be asked for, mL/h: the cap, or what is planned if more, never above the plan's own."""
    planned = [
        rate for rate in (plan.rate_ml_h, *(window.rate_ml_h for window in plan.windows)) if rate is not None
    ]
    highest = max((CATCH_UP_CAP, *planned))
    return highest if plan.max_rate_ml_h is None else min(highest, plan.max_rate_ml_h)


def progress(
    plan: Plan, day: FeedingDay, target_ml: float | None, given_ml: float | None, at: int
) -> Progress:
    """How a feeding day stands at an instant; `given_ml` None if it is not known what was given."""
    scheduled = scheduled_ml(day, target_ml, at)
    allowed = allowed_ml_h(plan)
    if target_ml is None and scheduled is not None:
        target_ml = scheduled_ml(day, None, day.end)
    if given_ml is None:
        return Progress(scheduled, None, target_ml, None, allowed, None)
    shortfall = None if scheduled is None else max(0.0, scheduled - given_ml)
    needed = cannot = None
    if target_ml is not None:
        rest, left = max(0.0, target_ml - given_ml), day.left(at)
        needed = rest * HOUR / left if left else (0.0 if rest == 0 else None)
        cannot = max(0.0, rest - allowed * left / HOUR)
    return Progress(scheduled, shortfall, target_ml, needed, allowed, cannot)
