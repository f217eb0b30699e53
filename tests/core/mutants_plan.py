"""Wrong signals and wrong rule files, each with one mistake, that random stories and a few told ones must find."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from monitor.core import picture, plans, signals
from monitor.core.messages import Plan
from monitor.core.picture import Picture
from monitor.core.plans import DAY, UTC, Zone
from monitor.core.progress import FeedingDay, feeding_day
from monitor.core.signals import Signals

Patch = tuple[object, str, Any]


def _before(name: str) -> Callable[..., Any]:
    found: Callable[..., Any] = getattr(Picture, name)
    return found


within_plan, unexplained, hear_battery = map(_before, ("_within_plan", "_unexplained", "_hear_battery"))
_window_at, _gain = plans.window_at, picture._gain


def only_in_windows(self: Picture, plan: Plan, at: int, *told: Any) -> None:
    """What is given outside of the windows is not counted."""
    given = self.given_ml
    within_plan(self, plan, at, *told)
    if self.window_start is None:
        self.given_ml = given


def known_in_a_new_day(self: Picture, plan: Plan, at: int, *told: Any) -> None:
    """A restart stays unexplained for ever."""
    known = self.given_known
    within_plan(self, plan, at, *told)
    self.given_known = known


def each_window_anew(self: Picture, plan: Plan, at: int, *told: Any) -> None:
    """The target is for each window."""
    before, day = self.window_start, self.day_start
    within_plan(self, plan, at, *told)
    if self.window_start is not None and self.window_start != before and self.day_start == day is not None:
        self.given_ml = 0.0


def due_whatever_was_given(self: Picture, plan: Plan, at: int, *told: Any) -> None:
    """Reaching the target does not end it."""
    within_plan(self, plan, at, *told)
    self.feed_due = self.window_start is not None


def due_outside(self: Picture, plan: Plan, at: int, *told: Any) -> None:
    """Feed stays due after the window."""
    before = self.feed_due
    within_plan(self, plan, at, *told)
    self.feed_due = self.feed_due or (before and self.window_start is None)


def due_when_it_feeds(self: Picture, plan: Plan, at: int, *told: Any) -> None:
    """A feed that never began is not due."""
    within_plan(self, plan, at, *told)
    self.feed_due = self.feed_due and self.last_feeding is not None


def window_to_its_end(plan: Plan, zone: Zone, at: int) -> tuple[int, int] | None:
    """The end of a window belongs to it."""
    return _window_at(plan, zone, at) or _window_at(plan, zone, at - 1)


def window_after_its_start(plan: Plan, zone: Zone, at: int) -> tuple[int, int] | None:
    """The start of a window does not belong to it."""
    found = _window_at(plan, zone, at)
    return None if found is not None and found[0] == at else found


def window_of_today(plan: Plan, zone: Zone, at: int) -> tuple[int, int] | None:
    """A window over midnight ends there."""
    found = _window_at(plan, zone, at)
    midnight = at + zone.offset(at) - (at + zone.offset(at)) % DAY - zone.offset(at)
    return None if found is not None and found[0] < midnight else found


def window_without_a_zone(plan: Plan, _: Zone, at: int) -> tuple[int, int] | None:
    """Windows are in UTC."""
    return _window_at(plan, UTC, at)


def one_offset(plan: Plan, zone: Zone, at: int) -> FeedingDay | None:
    """The clock's present offset counts for the whole night."""
    return feeding_day(plan, Zone((0,), (zone.offset(at),)), at)


def begun_at_midnight(plan: Plan, zone: Zone, at: int) -> FeedingDay | None:
    """The feeding day is the calendar's."""
    found = feeding_day(plan, zone, at)
    if found is None:
        return None
    midnight = zone.to_utc(at + zone.offset(at) - (at + zone.offset(at)) % DAY)
    return found._replace(start=max(found.start, midnight))


def whatever_is_known(self: Signals) -> bool:
    """Speeding counts while it flushes too."""
    highest = None if self._plan is None else self._plan.max_rate_ml_h
    return highest is not None and self.rate_ml_h is not None and self.delivering and self.rate_ml_h > highest


def at_the_highest(self: Signals) -> bool:
    """The highest rate itself is over it."""
    highest = None if self._plan is None else self._plan.max_rate_ml_h
    known = highest is not None and self.rate_ml_h is not None
    return known and self.activity == "feeding" and (self.rate_ml_h or 0) >= (highest or 0)


def over_the_cap(self: Signals) -> bool:
    """Without a highest rate of the plan's own the cap for catching up counts."""
    highest = 150 if self._plan is None or self._plan.max_rate_ml_h is None else self._plan.max_rate_ml_h
    return self.activity == "feeding" and (self.rate_ml_h or 0) > highest


def _over(self: Signals, known: bool, wanted: float | None) -> float | None:
    if not wanted or not known or self.given_ml <= wanted:
        return None
    return 100 * (self.given_ml - wanted) / wanted


GIVEN: Final[Mapping[str, Patch]] = {
    "only what is given in windows": (Picture, "_within_plan", only_in_windows),
    "each window anew": (Picture, "_within_plan", each_window_anew),
    "unknown for ever": (Picture, "_within_plan", known_in_a_new_day),
    "the calendar's day": (picture, "feeding_day", begun_at_midnight),
    "every restart is explained": (Picture, "_unexplained", lambda *_: False),
    "no restart is explained": (
        Picture, "_unexplained", lambda self, ml, *_: self.delivered_ml is not None and self.delivered_ml < ml
    ),
    "whoever is at the pump": (
        Picture, "_unexplained", lambda self, ml, _, passed: unexplained(self, ml, "feeding", passed)
    ),
    "a new feed at 60 mL/h at most": (
        Picture, "_unexplained", lambda self, ml, was, passed: unexplained(self, ml, was, passed * 60 // 150)
    ),
    "what restarted has given nothing": (
        picture, "_gain", lambda before, ml: max(0.0, ml - (before or 0.0)) if ml is not None else 0.0
    ),
    "whatever is first seen is of this day": (
        Picture, "_of_this_day", lambda self, _: self.delivered_ml is not None
    ),
    "nothing first seen is of this day": (Picture, "_of_this_day", lambda *_: False),
    "finished some time is finished today": (Picture, "_fed_today", lambda _: True),
    "what is first seen has given nothing": (
        picture, "_gain", lambda before, ml: 0.0 if before is None else _gain(before, ml)
    ),
    "what is taken back": (
        picture, "_gain", lambda before, ml: 0.0 if ml is None else ml - (before or 0.0)
    ),
}  # fmt: skip
DUE: Final[Mapping[str, Patch]] = {
    "whatever was given": (Picture, "_within_plan", due_whatever_was_given),
    "after the window": (Picture, "_within_plan", due_outside),
    "only when it has fed": (Picture, "_within_plan", due_when_it_feeds),
    "the end of the window": (picture, "window_at", window_to_its_end),
    "after the start of the window": (picture, "window_at", window_after_its_start),
    "to midnight": (picture, "window_at", window_of_today),
    "in UTC": (picture, "window_at", window_without_a_zone),
}
OVER: Final[Mapping[str, Patch]] = {
    "a flush is too fast": (Signals, "over_rate", property(whatever_is_known)),
    "the highest itself is too fast": (Signals, "over_rate", property(at_the_highest)),
    "the cap is the plan's": (Signals, "over_rate", property(over_the_cap)),
    "over by what is not known": (
        Signals, "over_target_percent", property(lambda self: _over(self, True, self._wanted()))
    ),
    "over the pump's own target": (
        Signals, "over_target_percent", property(lambda self: _over(self, self.given_known, self.target_ml))
    ),
    "over the plan's target only": (
        Signals,
        "over_target_percent",
        property(lambda self: _over(self, self.given_known, self._plan and self._plan.target_ml)),
    ),
    "never past the window": (Signals, "in_window", property(lambda _: True)),
}  # fmt: skip
SHORT: Final[Mapping[str, Patch]] = {
    "of what was wanted by the end": (
        Signals,
        "shortfall_ml",
        property(
            lambda self: p and p.target_ml and p.target_ml - self.given_ml if (p := self.progress) else None
        ),
    ),
    "of what is scheduled": (
        Signals,
        "shortfall_percent",
        property(
            lambda self: (
                (p := self.progress) and p.scheduled_ml and 100 * (p.shortfall_ml or 0) / p.scheduled_ml
            )
        ),
    ),
    "the rest always fits": (Signals, "unfit_percent", property(lambda _: 0.0)),
    "the rest fits at what is planned": (
        Signals,
        "unfit_percent",
        property(
            lambda self: (
                100.0
                if (p := self.progress) and p.needed_ml_h and p.needed_ml_h > (self._plan.rate_ml_h or 1e9)
                else None
            )
        ),
    ),
    "the zone is not looked at": (signals, "feeding_day", lambda plan, _, at: feeding_day(plan, UTC, at)),
    "one offset for the night": (signals, "feeding_day", one_offset),
    "the plan's target only": (Signals, "_wanted", lambda self: self._plan.target_ml),
    "unknown is nothing": (
        Signals,
        "shortfall_ml",
        property(
            lambda self: (p := self.progress) and p.scheduled_ml and max(0, p.scheduled_ml - self.given_ml)
        ),
    ),
}


def one_stretch(self: Picture, at: int, _: bool | None) -> None:
    """Plugging in and out does not begin a new stretch."""
    hear_battery(self, at, self.mains)


def broken_by_unknown(self: Picture, at: int, was_on_mains: bool | None) -> None:
    """A report without a percentage begins a new stretch."""
    hear_battery(self, at, was_on_mains if self.battery_percent is not None else not self.mains)


def first_lost(self: Picture, at: int, was_on_mains: bool | None) -> None:
    """The first report of a stretch is not heard."""
    hear_battery(self, at, was_on_mains)
    if self.mains is not was_on_mains:
        self.reports, self.runs = (), ()


BATTERY: Final[Mapping[str, Patch]] = {
    "one stretch for ever": (Picture, "_hear_battery", one_stretch),
    "broken by an unknown percentage": (Picture, "_hear_battery", broken_by_unknown),
    "the first report lost": (Picture, "_hear_battery", first_lost),
    "never a forecast": (Signals, "minutes_left", property(lambda _: None)),
    "a forecast by the last report": (
        Signals, "minutes_left", property(lambda self: self.battery_percent if self.reports else None)
    ),
    "never losing charge": (Signals, "losing_charge", property(lambda _: False)),
}  # fmt: skip

# One thing changed in a rule file: rule, what, into what.
TEXTS: Final[tuple[tuple[str, str, str], ...]] = (
    ("stopped-at-glucose-risk", 'value = "15 min"', 'value = "899999 ms"'),
    ("stopped-at-glucose-risk", 'value = "15 min"', 'value = "900001 ms"'),
    ("stopped-at-glucose-risk", 'value = "2 min"', 'value = "119999 ms"'),
    ("stopped-at-glucose-risk", 'value = "2 min"', 'value = "120001 ms"'),
    ("stopped-at-glucose-risk", '{ field = "glucose_risk", is = true },', ""),
    ("stopped-at-glucose-risk", '{ field = "feed_due", is = true },', ""),
    ("stopped-at-glucose-risk", 'priority = "high"', 'priority = "medium"'),
    ("chattering", "value = 3", "value = 2"),
    ("chattering", "value = 3", "value = 4"),
    ("chattering", 'value = "1 min"', 'value = "59999 ms"'),
    ("chattering", 'value = "1 min"', 'value = "60001 ms"'),
    ("chattering", 'value = "5 min"', 'value = "299999 ms"'),
    ("chattering", 'value = "5 min"', 'value = "300001 ms"'),
    ("chattering", 'memory = "each"', 'memory = "together"'),
    ("chattering", "alarm = {}", 'alarm = { priority = ["medium", "high"] }'),
    ("behind-plan", 'value = "10 %"', 'value = "9.9 %"'),
    ("behind-plan", 'value = "10 %"', 'value = "11 %"'),
    ("behind-plan", 'value = "100 mL"', 'value = "99.5 mL"'),
    ("behind-plan", 'value = "100 mL"', 'value = "100.5 mL"'),
    ("behind-plan", '{ field = "shortfall_percent", above = "share" },', ""),
    ("behind-plan", '{ field = "shortfall_ml", above = "volume" },', ""),
    ("behind-plan", '{ field = "unfit_percent", above = "unfit" },', ""),
    ("over-plan", 'value = "1 min"', 'value = "59999 ms"'),
    ("over-plan", 'value = "1 min"', 'value = "60001 ms"'),
    ("over-plan", 'value = "10 %"', 'value = "9.9 %"'),
    ("over-plan", 'value = "10 %"', 'value = "11 %"'),
    ("over-plan", 'value = "30 min"', 'value = "1799999 ms"'),
    ("over-plan", 'value = "30 min"', 'value = "1800001 ms"'),
    ("over-plan", 'value = "60 s"', 'value = "59999 ms"'),
    ("over-plan", 'value = "60 s"', 'value = "60001 ms"'),
    ("over-plan", 'priority = "high"', 'priority = "medium"'),
    ("hung-too-long", '[thresholds.powder]\nvalue = "4 h"', '[thresholds.powder]\nvalue = "14399999 ms"'),
    ("hung-too-long", '[thresholds.infant]\nvalue = "4 h"', '[thresholds.infant]\nvalue = "14400001 ms"'),
    ("hung-too-long", 'value = "8 h"', 'value = "28799999 ms"'),
    ("hung-too-long", 'value = "8 h"', 'value = "28800001 ms"'),
    ("hung-too-long", '[thresholds.closed]\nvalue = "24 h"', '[thresholds.closed]\nvalue = "86399999 ms"'),
    ("hung-too-long", '[thresholds.set]\nvalue = "24 h"', '[thresholds.set]\nvalue = "86399999 ms"'),
    ("hung-too-long", 'is = "closed"', 'is = "decanted"'),
    ("low-power-unplugged", 'value = "30 min"', 'value = "29 min"'),
    ("low-power-unplugged", 'value = "30 min"', 'value = "1800001 ms"'),
    ("low-power-unplugged", 'value = "10 min"', 'value = "9 min"'),
    ("low-power-unplugged", 'value = "10 min"', 'value = "600001 ms"'),
    ("low-power-unplugged", 'value = "1 min"', 'value = "60001 ms"'),
    ("low-power-unplugged", '{ field = "minutes_left", below = "very_soon" },', ""),
    ("not-charging", 'field = "losing_charge", is = true', 'field = "losing_charge", is = false'),
    ("not-charging", 'priority = "low"', 'priority = "medium"'),
)
