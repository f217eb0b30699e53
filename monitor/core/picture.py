"""What we believe about one device: its last snapshot and the signals derived from it (design: Rule semantics).

Derived signals change at snapshots only. Editing rules: nothing here knows a rule; every field survives a restart
through `dump` and `load`; a new field goes to the end of `FIELDS` and raises `VERSION`.
"""

from __future__ import annotations

from operator import attrgetter
from sys import intern
from typing import Any

from monitor.core.messages import AlarmCondition, Plan, Snapshot, Window
from monitor.core.plans import UTC, Zone, window_at

HOUR = 3_600_000
NOT_FED_FOR = 4 * HOUR  # without a plan, a feed counts as over when nothing has fed for this long
CLOCK_TOLERANCE = 90_000  # a `since` further ahead than this cannot identify an onset
MOST_RECENT = 12  # onsets kept, to be told and to be found in the trail
MOST_KEYS = 64  # the condition vocabulary is open: a device cannot make us remember more than this

ALARM_FREE: tuple[AlarmCondition, ...] = ()


class Picture:
    """The state of one device as last told, and the signals that rules see."""

    FIELDS = (
        "unit", "source", "id", "bridge", "time", "sequence", "acted", "receipt", "activity", "alarms", "mains",
        "battery_percent", "battery_low", "rate_ml_h", "delivered_ml", "target_ml", "delivering", "feed_due",
        "last_feeding", "newest", "clock_doubtful", "calm_since", "plan", "window_start", "given_ml", "feed_ended",
        "unreadable", "delivering_since", "counter_ml",
        "recent", "plan_sent",
    )  # fmt: skip
    VERSION = 4
    __slots__ = (*FIELDS, "new_onsets")

    def __init__(self, unit: str) -> None:
        self.unit = unit
        self.source = self.id = self.bridge = ""
        self.time = self.sequence = self.acted = self.receipt = 0  # time 0: nothing seen yet
        self.activity = "unknown"
        self.alarms: tuple[AlarmCondition, ...] = ALARM_FREE
        self.mains: bool | None = None
        self.battery_percent: float | None = None
        self.battery_low: bool | None = None
        self.rate_ml_h: float | None = None
        self.delivered_ml: float | None = None
        self.target_ml: float | None = None
        self.counter_ml: float | None = None  # the newest `delivered_ml` that a snapshot had
        self.delivering = False
        self.delivering_since: int | None = None  # since when `delivering` has had its present value
        self.feed_due = False
        self.last_feeding: int | None = None
        self.newest: dict[tuple[str, str], int] = {}  # newest onset seen of each (condition, line)
        self.clock_doubtful = False
        self.calm_since: int | None = None  # feeding without a medium or high alarm condition since
        self.plan: Plan | None = None
        self.plan_sent = False  # it came over the air, not from the site file
        self.window_start: int | None = None
        self.given_ml = 0.0  # delivered since the plan's window began
        self.feed_ended = False
        self.unreadable = 0  # messages since the last readable one
        self.recent: tuple[tuple[int, AlarmCondition], ...] = ()  # the last onsets and their instants
        self.new_onsets: tuple[AlarmCondition, ...] = ALARM_FREE  # of the snapshot being applied

    @property
    def seen(self) -> bool:
        """Whether any snapshot was ever applied."""
        return self.time != 0

    @property
    def glucose_risk(self) -> bool:
        """Whether an unnoticed stop is dangerous for this person."""
        return self.plan is not None and self.plan.glucose_risk

    @property
    def troubled_alarms(self) -> tuple[AlarmCondition, ...]:
        """The medium and high alarm conditions that are active."""
        return tuple(alarm for alarm in self.alarms if alarm.priority != "low")

    @property
    def alarm_active(self) -> bool:
        """Whether any alarm condition is active, of whatever priority."""
        return bool(self.alarms)

    def safe(self, at: int, feeding_for: int) -> bool:
        """Feeding for a while with no medium or high alarm condition, or no feed due and none active."""
        if self.calm_since is not None and at - self.calm_since >= feeding_for:
            return True
        return not self.feed_due and not self.troubled_alarms

    def apply(self, snapshot: Snapshot, at: int, receipt: int, zone: Zone = UTC) -> None:
        """Take a snapshot that acts at instant `at` and was received at `receipt` (ms)."""
        self.new_onsets = self._onsets(snapshot, at) if snapshot.alarms else ALARM_FREE
        if self.new_onsets:
            self.recent = (*self.recent, *((at, alarm) for alarm in self.new_onsets))[-MOST_RECENT:]
        before_ml = self.counter_ml
        # Interned: of many devices these few words are the same.
        self.unit, self.source, self.bridge = (
            intern(snapshot.unit),
            intern(snapshot.source),
            intern(snapshot.bridge),
        )
        self.id = snapshot.id
        self.time, self.sequence, self.acted, self.receipt = snapshot.time, snapshot.sequence, at, receipt
        self.alarms = snapshot.alarms
        self.mains, self.battery_percent = snapshot.mains, snapshot.battery_percent
        self.battery_low = snapshot.battery_low
        self.rate_ml_h, self.delivered_ml = snapshot.rate_ml_h, snapshot.delivered_ml
        self.target_ml = snapshot.target_ml
        if snapshot.delivered_ml is not None:
            self.counter_ml = snapshot.delivered_ml
        self.unreadable = 0
        self.activity = activity = intern(snapshot.activity)
        was = self.delivering
        if activity == "feeding":
            self.delivering, self.last_feeding = True, at
        elif activity not in ("flushing", "priming"):  # a flush or prime leaves it as it was
            self.delivering = False
        if was is not self.delivering or self.delivering_since is None:
            self.delivering_since = at
        self._derive_feed_due(at, before_ml, zone)
        if self.delivering and not self.troubled_alarms:
            if self.calm_since is None:
                self.calm_since = at
        else:
            self.calm_since = None

    def _onsets(self, snapshot: Snapshot, at: int) -> tuple[AlarmCondition, ...]:
        active = {(alarm.condition, alarm.line) for alarm in self.alarms}
        new = []
        for alarm in snapshot.alarms:
            key = (alarm.condition, alarm.line)
            newest = self.newest.get(key)
            since = alarm.since
            if since is not None and since > at + CLOCK_TOLERANCE:
                since = None  # an onset years ahead would hide every later one
            if newest is None:
                fresh = True
            elif since is None:
                fresh = key not in active
            elif self.clock_doubtful:
                # its clock may have been set back: an earlier one after a clear is new too
                fresh = since > newest or (since < newest and key not in active)
            else:
                fresh = since > newest
            if fresh:
                new.append(alarm)
                self.newest[key] = at if since is None else since
        if len(self.newest) > MOST_KEYS:
            showing = {(alarm.condition, alarm.line) for alarm in snapshot.alarms}
            idle = sorted((onset, key) for key, onset in self.newest.items() if key not in showing)
            for _, key in idle[: len(self.newest) - MOST_KEYS]:
                del self.newest[key]
        return tuple(new)

    def _derive_feed_due(self, at: int, before_ml: float | None, zone: Zone) -> None:
        if self.activity == "feeding":
            self.feed_ended = False  # somebody started a feed after the answer
        if self.plan is not None and self.plan.windows:
            self._within_plan(self.plan, at, before_ml, zone)
            return
        if self.activity == "feeding":
            self.feed_due = True
        elif self.last_feeding is not None and at - self.last_feeding > NOT_FED_FOR:
            self.feed_due = False
        reached = (
            self.target_ml is not None
            and self.delivered_ml is not None
            and self.delivered_ml >= self.target_ml
        )
        if reached or self.activity == "finished" or self.feed_ended:
            self.feed_due = False

    def _within_plan(self, plan: Plan, at: int, before_ml: float | None, zone: Zone) -> None:
        window = window_at(plan, zone, at)
        if window is None:
            self.window_start, self.feed_due = None, False
            return
        if self.window_start != window[0]:
            self.window_start, self.given_ml, self.feed_ended = window[0], 0.0, False
        if self.delivered_ml is not None:
            # a counter that restarted, or is seen for the first time, has delivered what it shows
            counted = 0.0 if before_ml is None or self.delivered_ml < before_ml else before_ml
            self.given_ml += self.delivered_ml - counted
        target = plan.target_ml if plan.target_ml is not None else self.target_ml
        reached = self.activity == "finished"
        if target is not None:  # of a feed begun before the window the pump's own counter says more than ours
            shown = self.delivered_ml is not None and self.delivered_ml >= target
            reached = self.given_ml >= target or (reached and shown)
        self.feed_due = not reached and not self.feed_ended

    def dump(self) -> list[Any]:
        """The picture as JSON values, in the order of `FIELDS`."""
        values: list[Any] = list(_ALL(self))
        values[_NEWEST] = [[*key, onset] for key, onset in self.newest.items()]
        return values

    @classmethod
    def load(cls, values: list[Any]) -> Picture:
        """The picture from what `dump` gave, after a trip through JSON."""
        picture = cls("")
        for field, value in zip(cls.FIELDS, values, strict=True):
            setattr(picture, field, intern(value) if isinstance(value, str) else value)
        picture.alarms = tuple(AlarmCondition(*alarm) for alarm in picture.alarms)
        picture.recent = tuple((at, AlarmCondition(*alarm)) for at, alarm in picture.recent)
        picture.newest = {(row[0], row[1]): row[2] for row in values[_NEWEST]}
        if picture.plan is not None:
            plan = Plan._make(picture.plan)
            picture.plan = plan._replace(windows=tuple(Window(*window) for window in plan.windows))
        return picture


_ALL = attrgetter(*Picture.FIELDS)
_NEWEST = Picture.FIELDS.index("newest")
