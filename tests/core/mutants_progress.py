"""Wrong feeding days and progress, each with one mistake, that the worked examples or a brute force must find."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from monitor.core import progress as right
from monitor.core.messages import Plan, Window
from monitor.core.plans import DAY, Zone
from monitor.core.progress import HOUR, FeedingDay, Progress, Span

_MINUTE = 60_000


def _rebuilt(plan: Plan, zone: Zone, at: int, first: int) -> FeedingDay:
    """A feeding day that begins at another minute of the local day."""
    local = at + zone.offset(at)
    day = local - local % DAY
    if zone.to_utc(day + first * _MINUTE) > at:
        day -= DAY
    begins, ends = zone.to_utc(day + first * _MINUTE), zone.to_utc(day + DAY + first * _MINUTE)
    return FeedingDay(tuple(right._spans(plan, zone, day, begins, ends)), begins, ends)


def begins_at_midnight(plan: Plan, zone: Zone, at: int) -> FeedingDay:
    """The feeding day is the calendar's: a night feed is cut in two."""
    return _rebuilt(plan, zone, at, 0)


def begins_at_the_earliest_window(plan: Plan, zone: Zone, at: int) -> FeedingDay:
    """The pause is not looked at: 01:00–05:00 after 20:00–24:00 would be another day."""
    return _rebuilt(plan, zone, at, min(window.start_min for window in plan.windows))


def nominal_lengths(plan: Plan, zone: Zone, at: int) -> FeedingDay:
    """A window is as long as its clock times say, whatever the clock does meanwhile."""
    day = right.feeding_day(plan, zone, at)
    assert day is not None
    long = {(window.start_min): right._length(window) * _MINUTE for window in plan.windows}
    spans = []
    for span in day.spans:
        minute = (span.start + zone.offset(span.start)) % DAY // _MINUTE
        spans.append(span._replace(end=span.start + long.get(minute, span.end - span.start)))
    return day._replace(spans=tuple(spans))


def one_offset_a_day(plan: Plan, zone: Zone, at: int) -> FeedingDay | None:
    """The whole feeding day takes the offset of now."""
    return right.feeding_day(plan, Zone((0,), (zone.offset(at),)), at)


def windows_twice(plan: Plan, zone: Zone, at: int) -> FeedingDay | None:
    """Where two windows overlap, both count."""
    day = right.feeding_day(plan, zone, at)
    assert day is not None
    alone = [
        span
        for window in plan.windows
        for span in right._spans(
            plan._replace(windows=(window,)), zone, _local_midnight(zone, day.start), day.start, day.end
        )
    ]
    return day._replace(spans=tuple(sorted(alone, key=lambda span: span[:2])))


def _local_midnight(zone: Zone, at: int) -> int:
    local = at + zone.offset(at)
    return local - local % DAY


def full_day_is_nothing(plan: Plan, zone: Zone, at: int) -> FeedingDay | None:
    """00:00–24:00 has no length."""
    kept = tuple(window for window in plan.windows if (window.end_min - window.start_min) % 1440)
    day = right.feeding_day(plan, zone, at)
    assert day is not None
    if kept == plan.windows:
        return day
    return day._replace(spans=())


def plan_rate_only(plan: Plan, zone: Zone, at: int) -> FeedingDay | None:
    """A window's own rate is not looked at."""
    windows = tuple(Window(window.start_min, window.end_min) for window in plan.windows)
    return right.feeding_day(plan._replace(windows=windows), zone, at)


def not_capped(day: FeedingDay, target_ml: float | None, at: int) -> float | None:
    """More than the target is scheduled."""
    if all(span.rate_ml_h is not None for span in day.spans):
        return right.scheduled_ml(day, None, at)
    return right.scheduled_ml(day, target_ml, at)


def evenly_always(day: FeedingDay, target_ml: float | None, at: int) -> float | None:
    """With a target, the rates are not looked at."""
    if target_ml is None:
        return right.scheduled_ml(day, None, at)
    return target_ml * day.passed(at) / day.whole() if day.whole() else 0.0


def whole_windows(day: FeedingDay, target_ml: float | None, at: int) -> float | None:
    """A window that has begun counts as a whole."""
    ends = [span.end for span in day.spans if span.start < at]
    return right.scheduled_ml(day, target_ml, max([at, *ends]))


def through_pauses(day: FeedingDay, target_ml: float | None, at: int) -> float | None:
    """The pauses between windows count too."""
    if not day.spans:
        return right.scheduled_ml(day, target_ml, at)
    closed = [Span(a.start, b.start, a.rate_ml_h) for a, b in zip(day.spans, day.spans[1:], strict=False)]
    return right.scheduled_ml(day._replace(spans=(*closed, day.spans[-1])), target_ml, at)


def cap_always(plan: Plan) -> float:
    """The plan's own highest rate is not looked at."""
    return max(right.CATCH_UP_CAP, right.allowed_ml_h(plan))


def own_always(plan: Plan) -> float:
    """The plan's own highest rate counts even above the cap."""
    return right.CATCH_UP_CAP if plan.max_rate_ml_h is None else plan.max_rate_ml_h


def below_the_planned(plan: Plan) -> float:
    """The cap counts even if more is planned."""
    return min(right.CATCH_UP_CAP, right.allowed_ml_h(plan))


def rest_of_the_day(
    plan: Plan, day: FeedingDay, target_ml: float | None, given_ml: float | None, at: int
) -> Progress:
    """The time left runs to the end of the feeding day, windows or not."""
    return right.progress(
        plan, day._replace(spans=(Span(day.start, day.end, None),)), target_ml, given_ml, at
    )


def surplus_as_negative(
    plan: Plan, day: FeedingDay, target_ml: float | None, given_ml: float | None, at: int
) -> Progress:
    """More than scheduled is a shortfall below nought."""
    found = right.progress(plan, day, target_ml, given_ml, at)
    if found.scheduled_ml is None or given_ml is None:
        return found
    return found._replace(shortfall_ml=found.scheduled_ml - given_ml)


def needed_capped(
    plan: Plan, day: FeedingDay, target_ml: float | None, given_ml: float | None, at: int
) -> Progress:
    """What would be needed is cut to what is allowed: nobody sees that the rest does not fit."""
    found = right.progress(plan, day, target_ml, given_ml, at)
    needed = found.needed_ml_h
    return found if needed is None else found._replace(needed_ml_h=min(needed, found.allowed_ml_h))


def an_hour_lost(
    plan: Plan, day: FeedingDay, target_ml: float | None, given_ml: float | None, at: int
) -> Progress:
    """What cannot be given is counted by whole hours left."""
    found = right.progress(plan, day, target_ml, given_ml, at)
    if found.cannot_ml is None or target_ml is None or given_ml is None:
        return found
    rest = max(0.0, target_ml - given_ml)
    return found._replace(cannot_ml=max(0.0, rest - found.allowed_ml_h * (day.left(at) // HOUR)))


MUTANTS: Final[Mapping[str, Mapping[str, Any]]] = {
    "begins at midnight": {"feeding_day": begins_at_midnight},
    "begins at the earliest window": {"feeding_day": begins_at_the_earliest_window},
    "nominal lengths": {"feeding_day": nominal_lengths},
    "one offset a day": {"feeding_day": one_offset_a_day},
    "overlapping windows twice": {"feeding_day": windows_twice},
    "a full day is nothing": {"feeding_day": full_day_is_nothing},
    "the plan's rate only": {"feeding_day": plan_rate_only},
    "not capped": {"scheduled_ml": not_capped},
    "evenly always": {"scheduled_ml": evenly_always},
    "whole windows": {"scheduled_ml": whole_windows},
    "through pauses": {"scheduled_ml": through_pauses},
    "the cap always": {"allowed_ml_h": cap_always},
    "the plan's own always": {"allowed_ml_h": own_always},
    "below the planned": {"allowed_ml_h": below_the_planned},
    "rest of the day": {"progress": rest_of_the_day},
    "surplus as negative": {"progress": surplus_as_negative},
    "needed capped": {"progress": needed_capped},
    "an hour lost": {"progress": an_hour_lost},
}
