"""What we believe about one device: its last snapshot and the signals derived from it (design: Rule semantics).

Derived signals change at snapshots only. Editing rules: nothing here knows a rule; every field survives a restart
through `dump` and `load`; a new field goes to the end of `FIELDS` and raises `VERSION`.
"""

from __future__ import annotations

from operator import attrgetter
from sys import intern
from typing import Any

from monitor.core import chronicle
from monitor.core.battery import NO_REPORTS, NO_RUNS, plugged, unplugged
from monitor.core.chronicle import AROUND, MINUTE, MINUTES, UNSEEN
from monitor.core.messages import AlarmCondition, Plan, Snapshot, Window
from monitor.core.plans import UTC, Zone, window_at
from monitor.core.progress import CATCH_UP_CAP, FeedingDay, Progress, feeding_day
from monitor.core.signals import Signals

HOUR = 3_600_000
SHORTEST_DAY = 20 * HOUR  # no clock change makes a feeding day shorter than this
NOT_FED_FOR = 4 * HOUR  # without a plan, a feed counts as over when nothing has fed for this long
CLOCK_TOLERANCE = 90_000  # a `since` further ahead than this cannot identify an onset
MOST_RECENT = 12  # onsets kept, to be told and to be found in the trail
MOST_KEYS = 64  # the condition vocabulary is open: a device cannot make us remember more than this

MOST_SHARED = 1_000  # numbers of which all devices have one object
BY_HAND = frozenset(
    {"idle", "held", "off", "priming", "finished", "flushing"}
)  # somebody is, or was, at the pump

ALARM_FREE: tuple[AlarmCondition, ...] = ()
OF_VERSION_4 = 31  # fields that it had
ONE_RUN = 4  # numbers in `runs` while the battery stands at one percentage
NO_ONSETS: tuple[tuple[str, str, int], ...] = ()


class Picture(Signals):
    """The state of one device as last told, and the signals that rules see."""

    FIELDS = (
        "unit", "source", "id", "bridge", "time", "sequence", "acted", "receipt", "activity", "alarms", "mains",
        "battery_percent", "battery_low", "rate_ml_h", "delivered_ml", "target_ml", "delivering", "feed_due",
        "last_feeding", "newest", "clock_doubtful", "calm_since", "plan", "window_start", "given_ml", "feed_ended",
        "unreadable", "delivering_since", "counter_ml",
        "recent", "plan_sent",
        "day_start", "given_known", "reports", "runs", "noted",
    )  # fmt: skip
    VERSION = 6
    __slots__ = (*FIELDS[:22], "_plan", *FIELDS[23:], "glucose_risk", "new_onsets", "zone")

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
        self.newest = NO_ONSETS  # newest onset seen of each condition and line
        self.clock_doubtful = False
        self.calm_since: int | None = None  # feeding without a medium or high alarm condition since
        self._plan: Plan | None = None
        self.glucose_risk = False  # whether an unnoticed stop is dangerous for this person
        self.plan_sent = False  # it came over the air, not from the site file
        self.window_start: int | None = None
        self.day_start: int | None = None  # when the plan's feeding day began
        self.given_ml = 0.0  # delivered since then
        self.given_known = (
            True  # False after a counter that restarted without a reason, until the next feeding day
        )
        self.reports = NO_REPORTS  # of the battery, in one stretch off the mains
        self.runs = NO_RUNS  # the same in one stretch on the mains
        self.noted = 0  # when its last mark was kept for handovers, as `chronicle.minute` has it
        self.zone = UTC  # not stored
        self._progress: Progress | None = None  # kept until the next snapshot; not stored
        self._day: FeedingDay | None = None  # kept while it lasts; not stored
        self.feed_ended = False
        self.unreadable = 0  # messages since the last readable one
        self.recent: tuple[tuple[int, AlarmCondition], ...] = ()  # the last onsets and their instants
        self.new_onsets: tuple[AlarmCondition, ...] = ALARM_FREE  # of the snapshot being applied

    @property
    def seen(self) -> bool:
        """Whether any snapshot was ever applied."""
        return self.time != 0

    @property
    def plan(self) -> Plan | None:
        """The feeding plan, from the site file or sent over the air."""
        return self._plan

    @plan.setter
    def plan(self, plan: Plan | None) -> None:
        self._plan = plan
        self.glucose_risk = plan is not None and plan.glucose_risk
        self._progress = self._day = None

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
        before_ml, before = self.counter_ml, self.acted
        was_active, was_on_mains = self.activity, self.mains
        if zone is not self.zone:
            self._day = None
        self.zone, self._progress = zone, None
        # Interned: of many devices these few words are the same.
        self.unit, self.source, self.bridge = (
            intern(snapshot.unit),
            intern(snapshot.source),
            intern(snapshot.bridge),
        )
        self.id = snapshot.id
        self.time, self.sequence, self.acted, self.receipt = snapshot.time, snapshot.sequence, at, receipt
        self.alarms = snapshot.alarms
        self.mains, self.battery_low = snapshot.mains, snapshot.battery_low
        if (
            snapshot.battery_percent != self.battery_percent
        ):  # else the number that is there: there are many devices
            self.battery_percent = snapshot.battery_percent
        if snapshot.rate_ml_h != self.rate_ml_h:
            self.rate_ml_h = snapshot.rate_ml_h
        self.delivered_ml = snapshot.delivered_ml
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
        self._hear_battery(at, was_on_mains)
        self._derive_feed_due(at, before, before_ml, zone)
        # After a new feeding day may have begun: then it is not known of the new one.
        if (
            before_ml is not None
            and self.given_known
            and self._unexplained(before_ml, was_active, at - before)
        ):
            self.given_known = False
        if self.delivering and not self.troubled_alarms:
            if self.calm_since is None:
                self.calm_since = at
        else:
            self.calm_since = None

    def repeat(self, snapshot: Snapshot, at: int, receipt: int) -> bool:
        """Take a snapshot that tells rules nothing new (but for `delivered_ml`); False, and nothing done, if it does.

        The usual message by far: a feeding pump without alarms that says so again, or one whose alarms go on.
        """
        (
            _, unit, _, source, told_id, bridge, time, sequence, activity, alarms, mains, percent, low, rate, ml,
            target, _,
        ) = snapshot  # fmt: skip
        if (
            alarms != self.alarms
            or activity != self.activity
            or mains is not self.mains
            or percent != self.battery_percent
            or low is not self.battery_low
            or rate != self.rate_ml_h
            or target != self.target_ml
            or bridge != self.bridge
            or unit != self.unit
            or source != self.source
            or not self.time  # nothing seen yet
            or self.feed_ended
            or self._plan
            is not None  # what is missing, and for how long things hang, changes with each snapshot
            or mains is False
            or len(self.runs) > ONE_RUN  # its battery's charge has changed of late
            # a mark may be due for handovers, as `chronicle` says
            or at - self.acted > UNSEEN
            or (at // MINUTE - self.noted) % AROUND >= MINUTES
            or (ml is not None and self.counter_ml is not None and ml < self.counter_ml)
        ):
            return False
        for alarm in alarms:
            if alarm.since is not None and alarm.since > self.acted:
                return False  # one from ahead may come to be an onset
        if self._due_unplanned(activity, ml, target, at) is not self.feed_due:
            return False
        if mains and percent is not None:
            self.runs = plugged(self.runs, at, percent)
        self.id, self.time, self.sequence, self.acted, self.receipt = told_id, time, sequence, at, receipt
        self.delivered_ml = ml
        if ml is not None:
            self.counter_ml = ml
        if activity == "feeding":
            self.last_feeding = at
        self.unreadable = 0
        self.new_onsets = ALARM_FREE
        return True

    def again(self, site: str, device: str, alarms: tuple[AlarmCondition, ...]) -> Snapshot:
        """The last snapshot again, as far as it is kept, with other alarm conditions."""
        return Snapshot(
            site, self.unit, device, self.source, self.id, self.bridge, self.time, self.sequence, self.activity, alarms,
            self.mains, self.battery_percent, self.battery_low, self.rate_ml_h, self.delivered_ml, self.target_ml, (),
        )  # fmt: skip

    def state(self) -> tuple[Any, ...]:
        """All of it as it is now, for `restore`; no value of a picture is changed in place."""
        return self.dump()

    def restore(self, state: tuple[Any, ...]) -> None:
        """Be again what `state` gave."""
        for field, value in zip(self.FIELDS, state, strict=True):
            setattr(self, field, value)
        self.new_onsets = ALARM_FREE

    def _hear_battery(self, at: int, was_on_mains: bool | None) -> None:
        if self.mains is not was_on_mains:
            self.reports, self.runs = NO_REPORTS, NO_RUNS  # a new stretch
        if self.mains is not None and self.battery_percent is not None:
            if self.mains:
                self.runs = plugged(self.runs, at, self.battery_percent)
            else:
                self.reports = unplugged(self.reports, at, self.battery_percent)

    def _unexplained(self, before_ml: float, was_active: str, passed: int) -> bool:
        """Whether the pump's counter went back with nobody at the pump, and further than a new feed explains.

        One who clears it, hangs a new container or switches the pump on leaves it stopped in one of two snapshots, or
        showing no more than it can have delivered since.
        """
        ml = self.delivered_ml
        if ml is None or ml >= before_ml:
            return False
        at_work = was_active in BY_HAND or self.activity in BY_HAND
        return not at_work and ml > max(self.rate_ml_h or 0.0, CATCH_UP_CAP) * passed / HOUR

    def _onsets(self, snapshot: Snapshot, at: int) -> tuple[AlarmCondition, ...]:
        active = {(alarm.condition, alarm.line) for alarm in self.alarms}
        known = {(condition, line): onset for condition, line, onset in self.newest}
        new = []
        for alarm in snapshot.alarms:
            key = (alarm.condition, alarm.line)
            newest = known.get(key)
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
                known[key] = at if since is None else since
        if len(known) > MOST_KEYS:
            showing = {(alarm.condition, alarm.line) for alarm in snapshot.alarms}
            idle = sorted((onset, key) for key, onset in known.items() if key not in showing)
            for _, key in idle[: len(known) - MOST_KEYS]:
                del known[key]
        if new:
            self.newest = tuple([(condition, line, onset) for (condition, line), onset in known.items()])
        return tuple(new)

    def _derive_feed_due(self, at: int, before: int, before_ml: float | None, zone: Zone) -> None:
        if self.activity == "feeding":
            self.feed_ended = False  # somebody started a feed after the answer
        plan = self._plan
        if plan is not None and plan.windows:
            self._within_plan(plan, at, before, before_ml, zone)
        else:
            due = self._due_unplanned(self.activity, self.delivered_ml, self.target_ml, at)
            self.feed_due = due and not self.feed_ended

    def _due_unplanned(self, activity: str, ml: float | None, target: float | None, at: int) -> bool:
        """Whether feed is due by what the pump says, but for the answer *feed ended*."""
        if activity == "finished" or (target is not None and ml is not None and ml >= target):
            return False
        if activity == "feeding":
            return True
        return self.feed_due and (self.last_feeding is None or at - self.last_feeding <= NOT_FED_FOR)

    def _begin_day(self, start: int, at: int, before: int, before_ml: float | None) -> float | None:
        """A feeding day has begun, or a plan says so only now; the counter's value from which to count on."""
        was, self.day_start = self.day_start, start
        if before_ml is not None and start <= before:  # the plan came, or changed, in the middle of it
            if was is not None and start < was:
                return before_ml  # what was given since is of this day too
            self.given_ml = 0.0
            self.given_known = was is None and self._of_this_day(at)
            return None if self.given_known else before_ml  # what it shows, if that can be of this day
        self.given_ml, self.given_known = 0.0, True
        return before_ml

    def _of_this_day(self, at: int) -> bool:
        """Whether all that the pump's counter shows can have been given since the feeding day began."""
        ml, start = self.delivered_ml, self.day_start
        if ml is None or start is None:
            return False
        return ml <= max(self.rate_ml_h or 0.0, CATCH_UP_CAP) * (at - start) / HOUR

    def _within_plan(self, plan: Plan, at: int, before: int, before_ml: float | None, zone: Zone) -> None:
        window = window_at(plan, zone, at)
        start = None if window is None else window[0]
        another = start != self.window_start
        if another or self.day_start is None or at - self.day_start >= SHORTEST_DAY:
            day = feeding_day(plan, zone, at)
            if day is not None and self.day_start != day.start:
                before_ml = self._begin_day(day.start, at, before, before_ml)
        if before_ml is None and self.delivered_ml is not None and not self._of_this_day(at):
            # First seen, and showing what another day gave, or another person: of this day nobody knows.
            self.given_known, before_ml = False, self.delivered_ml
        # Outside the windows too: what is given then is given.
        self.given_ml += _gain(before_ml, self.delivered_ml)
        self.window_start = start
        if window is None:
            self.feed_due = False
            return
        if another:
            self.feed_ended = False
        ml, wanted = self.delivered_ml, plan.target_ml if plan.target_ml is not None else self.target_ml
        if wanted is None:
            # The pump's word that it is finished stands in this window until it feeds again.
            over = not another and not self.feed_due and self.activity != "feeding"
            reached = over or self.activity == "finished"
        else:
            if self.activity == "finished" and ml is not None and ml >= wanted and self._fed_today():
                # Of a feed begun before the day the pump's own counter says more than ours.
                self.given_ml = max(self.given_ml, wanted)
            reached = self.given_ml >= wanted
        self.feed_due = not reached and not self.feed_ended

    def _fed_today(self) -> bool:
        """Whether what the pump has finished is of this feeding day: its counter is, or it was seen to feed."""
        fed, start = self.last_feeding, self.day_start
        return self.given_known or (fed is not None and start is not None and fed >= start)

    def dump(self) -> tuple[Any, ...]:
        """The picture as JSON values, in the order of `FIELDS`."""
        values: tuple[Any, ...] = _ALL(self)
        return values

    @classmethod
    def load(cls, values: list[Any]) -> Picture:
        """The picture from what `dump` gave, after a trip through JSON."""
        picture = cls.__new__(cls)
        missing = len(cls.FIELDS) - len(values)
        (
            unit, source, picture.id, bridge, picture.time, picture.sequence, picture.acted, picture.receipt,
            activity, alarms, picture.mains,
            picture.battery_percent, picture.battery_low, picture.rate_ml_h, picture.delivered_ml,
            picture.target_ml, picture.delivering, picture.feed_due,
            picture.last_feeding, newest, picture.clock_doubtful, picture.calm_since, plan, picture.window_start,
            picture.given_ml, picture.feed_ended,
            picture.unreadable, picture.delivering_since, picture.counter_ml,
            recent, picture.plan_sent,
            picture.day_start, picture.given_known, reports, runs, picture.noted,
        ) = (*values, *_LATER[len(_LATER) - missing :])  # fmt: skip
        if missing:
            picture.noted = chronicle.minute(picture.acted - chronicle.EVERY)  # the next snapshot is marked
        if len(values) <= OF_VERSION_4:
            picture.day_start = picture.window_start  # as it was reckoned before
        picture.reports, picture.runs = tuple(reports) or NO_REPORTS, tuple(runs) or NO_RUNS
        picture.zone, picture._progress, picture._day = UTC, None, None
        # One object for the instants that are the same, as when it was live.
        time = picture.time
        if picture.acted == time:
            picture.acted = time
        if picture.receipt == time:
            picture.receipt = time
        if picture.last_feeding == time:
            picture.last_feeding = time
        if picture.calm_since == time:
            picture.calm_since = time
        if picture.delivering_since == picture.calm_since:
            picture.delivering_since = picture.calm_since
        picture.battery_percent, picture.rate_ml_h = (
            _shared(picture.battery_percent),
            _shared(picture.rate_ml_h),
        )
        picture.given_ml = picture.given_ml or 0.0
        if picture.counter_ml == picture.delivered_ml:
            picture.counter_ml = picture.delivered_ml
        # Interned: of many devices these few words are the same.
        picture.unit, picture.source, picture.bridge = intern(unit), intern(source), intern(bridge)
        picture.activity = intern(activity)
        picture.new_onsets = ALARM_FREE
        picture.alarms = tuple([_alarm(alarm) for alarm in alarms]) if alarms else ALARM_FREE
        picture.recent = tuple([(at, _alarm(alarm)) for at, alarm in recent]) if recent else ()
        if newest:
            newest = tuple([(intern(condition), intern(line), onset) for condition, line, onset in newest])
        picture.newest = newest or NO_ONSETS
        picture.plan = None
        if plan is not None:
            known = Plan._make(plan)
            picture.plan = known._replace(windows=tuple(Window(*window) for window in known.windows))
        return picture


_SHARED: dict[tuple[float, type], float] = {}


def _shared(number: float | None) -> float | None:
    """The same number as one object for all devices, of the few hundred that percentages and rates are."""
    if number is None or len(_SHARED) > MOST_SHARED:
        return number
    return _SHARED.setdefault(
        (number, type(number)), number
    )  # 61 and 61.0 are one key, but written otherwise


def _gain(before: float | None, ml: float | None) -> float:
    """What was delivered between two values of the pump's counter."""
    if ml is None:
        return 0.0
    # a counter that restarted, or is seen for the first time, has delivered what it shows
    return ml if before is None or ml < before else ml - before


def _alarm(said: list[Any]) -> AlarmCondition:
    condition, line, priority, inactivation, since = said
    return AlarmCondition(intern(condition), intern(line), intern(priority), intern(inactivation), since)


# What a picture of version 4, and of 5, did not have.
_LATER: tuple[Any, ...] = (None, True, (), (), 0)

_ALL = attrgetter(*("_plan" if field == "plan" else field for field in Picture.FIELDS))
