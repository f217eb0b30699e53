"""A bed of a study world: what is done on purpose there, what goes wrong there, and who deals with it when.

What a person is fed is hers, not the pump's: when another pump takes over in mid-feed, the account goes on there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final, Protocol

from simulators.bed import Bed
from simulators.carer import Course
from simulators.diary import Diary
from simulators.feeding_days import Schedule, spans
from simulators.instants import HOUR, MINUTE
from simulators.reached_bed import ReachedBed
from simulators.reading import Alarm, Side
from simulators.reckoning import Balance, Reckoning, Why
from simulators.scenario import PumpPlan, Scenario
from simulators.truth import TO_KNOW, How, Kind, Trouble
from simulators.world_figures import NightFigures

_NOON_H: Final = 12
# design: a hold may be announced for 2 h at most, at glucose risk for 30 min.
_LONGEST_HOLD_MS: Final = 2 * HOUR
_LONGEST_HOLD_AT_RISK_MS: Final = 30 * MINUTE
_TO_SPARE_MS: Final = 10 * MINUTE  # cp: people say a time with some minutes to spare
_ABOVE_HIGHEST: Final = 1.6  # cp: a rate set wrong is well above what is allowed


class Announce(Protocol):
    """Tell by the bedside button what is done about a feed; *until* None is for good."""

    def __call__(self, bed: PlannedBed, at: int, answer: str, until: int | None) -> None: ...


class PlannedBed(ReachedBed):
    """One person's pump in a study world."""

    def __init__(
        self,
        plan: PumpPlan,
        scenario: Scenario,
        figures: NightFigures,
        *,
        at: int,
        diary: Diary,
        touched: Callable[[Bed], None],
        announce: Announce,
        causes: bool,
    ) -> None:
        super().__init__(plan, scenario, figures, at=at, diary=diary, touched=touched, causes=causes)
        self._announce, self._causes = announce, causes
        self._purpose: int | None = None  # until when the feed is held on purpose
        self._clogged = 0  # how often a clogged tube will still close again
        self._clog_ms = 0
        self._tube_out = False
        self._tube_ms = 0
        self._faulty = False
        self._looks_at: int | None = None
        target = plan.target_ml or 0.0
        schedule = Schedule(
            spans(plan.windows, from_min=_NOON_H * 60), plan.rate_ml_h, target if plan.windows else 0.0
        )
        self.windows = schedule.windows
        self._target_ml = target
        if plan.bolus_ml is not None and plan.feeding:
            self.pump.target_ml = (plan.delivered_ml // plan.bolus_ml + 1) * plan.bolus_ml
        self._source: PlannedBed = self  # the pump that feeds this person
        self._sources: list[PlannedBed] = [self]  # all that have
        self._person: PlannedBed = self  # the person whom this pump feeds
        self.reckoning = Reckoning(
            schedule,
            start=at,
            given_ml=plan.delivered_ml,
            counter_ml=self.pump.received_ml(at),
            target_ml=target,
        )

    # The day as planned.

    def open_feed(self, at: int, *, first: bool, unplugged: bool, seen_ms: int, wrong_rate: bool) -> None:
        """Begin the feed of one window, the *first* of its day or not, unless one is still running."""
        if self.feed_open or self._engaged or self._source is not self:
            return
        self._reckon(at)
        pump, plan = self.pump, self.plan
        carried = 0.0 if first else pump.delivered_ml(at)
        pump.target_ml = self._target_ml if plan.bolus_ml is None else carried + plan.bolus_ml
        self.begin_feed(at, delivered_ml=carried)
        pump.set_rate(at, plan.rate_ml_h)
        if wrong_rate and plan.highest_rate_ml_h is not None:
            pump.set_rate(at, _ABOVE_HIGHEST * plan.highest_rate_ml_h)
            self._find_within(at, "rate-too-high", seen_ms, needed_from=at)
        self.reckoning.restart(pump.received_ml(at))
        if unplugged:
            pump.unplug(at)
            self._find_within(at, "unplugged", seen_ms)

    def close_feed(self, at: int) -> None:
        """Switch the pump off at the end of its window, whether or not all has been given."""
        if self._source is not self:
            self._source.close_feed(at)
            self._reckon(at)
            self._source._person, self._source = self._source, self
            self.reckoning.restart(self.pump.received_ml(at))
            self.touch()
        if not self.feed_open:
            return
        self._episode += 1
        self._engaged, self._purpose, self._script = False, None, []
        self._clogged, self._clog_ms, self._tube_out, self._faulty = 0, 0, False, False
        self._open_line(at, "mended-at-bedside", Course(clear_after=0))
        self.pump.repair(at)
        self.pump.repair_charger(at)
        for kind in (
            "container-empty", "device-fault", "left-idle", "rate-too-high", "charger-fault", "tube-out",
        ):  # fmt: skip
            self.ledger.end(kind, at, "mended-at-bedside")
        self._end_feed(at)
        self.touch()

    def next_container(self, at: int, minutes: float, *, forgets_restart: bool) -> None:
        """Change a container that is nearly empty, unless somebody just did."""
        rest_ml = self.pump.container_ml(at)
        wanted = (self.pump.target_ml or 0.0) - self.pump.delivered_ml(at)
        if (
            self._engaged
            or self._purpose is not None
            or rest_ml > self.plan.container_ml / 3
            or wanted <= rest_ml
        ):
            return
        self.change_container(at, minutes, forgets_restart=forgets_restart, found_min=None)
        if forgets_restart and (token := self.ledger.token("left-idle")) is not None:
            self._script = []  # whether somebody hears the reminder is left to chance
            self._find(at, token, self._bedside.round_after(at, "idle") / MINUTE)

    def swap(self, at: int, spare: PlannedBed, *, announced: bool) -> None:
        """Let a spare pump go on with what is left of the feed.

        A bridge tells no more than that one pump goes off and another begins a feed of the remaining volume.
        """
        pump, other = self.pump, spare.pump
        if pump.activity != "feeding" or self._busy() or self._purpose is not None or spare.feed_open:
            return
        self._reckon(at)
        left_ml, rate = (pump.target_ml or 0.0) - pump.delivered_ml(at), pump.rate_ml_h
        container_ml = pump.container_ml(at)
        if announced:
            self._announce(self, at, "feed-ended", None)
        self._episode += 1
        self._end_feed(at)
        spare.feed_open, other.target_ml = True, left_ml
        other.new_feed(at, container_ml=container_ml)
        other.set_rate(at, rate)
        self._source, spare._person = spare, self
        self._sources.append(spare)
        self.reckoning.restart(other.received_ml(at))
        self.touch()
        spare.touch()

    def hold_for(self, at: int, ms: int, *, announced: bool, forgets_restart: bool) -> None:
        """Hold the feed on purpose for a while; afterwards go on, or forget to."""
        if self.pump.activity != "feeding" or self._engaged or self._purpose is not None:
            return
        self.pump.hold(at, until=at + ms)
        self._pause(at, at + ms, announced=announced, forgets_restart=forgets_restart)

    def _pause(self, at: int, until: int, *, announced: bool, forgets_restart: bool = False) -> None:
        self._purpose, self._engaged = until, False
        self._episode += 1
        if announced:
            self._announce_hold(at, until)

        def over(now: int) -> None:
            if self._purpose != until:
                return
            self._purpose = None
            self._tube_out = False
            self.ledger.end("tube-out", now, "mended-at-bedside")
            if forgets_restart and self.feed_open and self.pump.activity == "held":
                self._find_within(now, "left-idle", self._bedside.round_after(now, "idle"), needed_from=now)
            elif self.feed_open and self.pump.activity in ("held", "idle"):
                self.pump.start(now)
            self.touch()

        self._surely(until, over)
        self.touch()

    def _announce_hold(self, at: int, until: int) -> None:
        longest = _LONGEST_HOLD_AT_RISK_MS if self.plan.glucose_risk else _LONGEST_HOLD_MS
        if self.over_for_now:
            self._announce(self, at, "feed-ended", None)
            return
        self._announce(self, at, "hold", min(until + _TO_SPARE_MS, at + longest))
        if until > at + longest and self._bedside.announces_again():

            def again(now: int) -> None:
                if self._purpose == until:
                    self._announce_hold(now, until)

            # A minute before the last announcement is over.
            self._surely(at + longest - MINUTE, again)

    # What goes wrong.

    def alarm(self, at: int, condition: str) -> None:
        """Let a cause of an alarm befall a feeding pump."""
        if self.pump.activity == "feeding" and not self._busy():
            self.befall(at, condition)

    def clog(self, at: int, tries: int, ms: int) -> None:
        """Clog the tube: flushed open it closes again, until it is really opened, with the feed held for it."""
        if self.pump.activity == "feeding" and not self._busy():
            self._clogged, self._clog_ms = tries, ms
            self.block(at, "downstream", [])

    def slip(self, at: int, seen_ms: int, ms: int) -> None:
        """Let the tube slip out; nothing shows it until somebody sees it and holds the feed for another."""
        if self.pump.activity != "feeding" or self._tube_out:
            return
        self._tube_out, self._tube_ms = True, ms
        self._surely(at + self._bedside.seen_after(at, seen_ms), self._see_tube)
        self.touch()

    def _see_tube(self, at: int) -> None:
        """Hold the feed until the tube is back; in a hold that is on already there is time enough for it."""
        if not self._tube_out or self._purpose is not None:
            return
        # Whoever replaces a tube is at the bedside: what else is wrong there has somebody, or comes back with the feed.
        self._open_line(at, "mended-at-bedside", Course(clear_after=0))
        self.ledger.end("container-empty", at, "mended-at-bedside")
        self.pump.clear(at)
        self.pump.hold(at, until=at + self._tube_ms)
        self.ledger.begin("tube-out", at, needed_from=at)
        self._pause(at, at + self._tube_ms, announced=self._bedside.announces("tube", self._tube_ms))

    def fail(self, at: int) -> None:
        """Let the pump find a fault in itself that clearing does not take away."""
        if self.pump.activity == "feeding" and not self._busy():
            self._faulty = True
            self.break_down(at, "device-fault", "high", [])

    def fail_charger(self, at: int) -> None:
        """Let mains be shown and nothing charged."""
        if self.pump.activity == "feeding" and self.pump.mains:
            self.pump.break_charger(at)
            self.ledger.begin("charger-fault", at, needed_from=at)
            self.touch()

    # What the bedside does.

    def attend(self, at: int) -> None:
        """Let the nurse who was sent for see to everything; she also sees how far the feed is."""
        self._person._reckon(at)
        self._person.reckoning.told(at)
        if self._tube_out and self._purpose is None:
            self._see_tube(at)
        super().attend(at)

    def settle(self, at: int) -> None:
        """Let the pump come to *at*, the bedside hear it, and the account take what has been."""
        super().settle(at)
        self._person._account(at)

    def _account(self, at: int) -> None:
        if not self.windows:
            return
        self._reckon(at)
        source = self._source
        pump = source.pump
        flow = pump.rate_ml_h if pump.activity == "feeding" and not pump.sides["downstream"].blocked else 0.0
        look = self.reckoning.now(at, source._why(), flow_ml_h=flow, lost=source._tube_out)
        if look is not None and look != self._looks_at:
            self._looks_at = look
            self._diary.note(look, self._look)

    def _look(self, at: int) -> None:
        if at == self._looks_at:
            self._looks_at = None
            self.touch()

    def _reckon(self, at: int) -> None:
        pump = self._source.pump
        pump.advance(at)
        self.reckoning.turn(at, pump.received_ml(at))

    def _why(self) -> Why:
        pump = self.pump
        if pump.activity == "feeding":
            return "feeding"
        if pump.ran_flat or any(alarm.condition == "battery-depleted" for alarm in pump.alarms):
            return "flat"
        if (
            self._purpose is not None
            or not self.feed_open
            or pump.activity in ("flushing", "priming", "finished")
        ):
            return "purpose"
        if pump.activity == "held" and TO_KNOW.issuperset(self.ledger.kinds()):
            return "purpose"  # somebody has her hands on it
        return "stopped"

    def _busy(self) -> bool:
        return self._engaged or any(kind not in ("out-of-sight", "unplugged") for kind in self.ledger.kinds())

    @property
    def held_until(self) -> int | None:
        """Until when the feed is held on purpose; None if it is not."""
        return self._purpose

    @property
    def over_for_now(self) -> bool:
        """Whether nobody would say until when: the tube is out, another pump feeds this person, or nobody is fed."""
        return (
            (self._tube_out and self._purpose is not None) or self._source is not self or not self.feed_open
        )

    def _on_purpose(self, _at: int) -> bool:
        return self._purpose is not None

    def _course(self, at: int, alarm: Alarm) -> Course:
        again = self._clogged > 0 and alarm.condition == "downstream-occlusion"
        course = self._bedside.course(at, alarm, again=again, in_vain=self._faulty)
        if again and course.clear_after is not None:
            self._clogged -= 1
        return course

    def _take_up(self, at: int, alarm: Alarm) -> None:
        super()._take_up(at, alarm)
        if self._last_course.clear_after is None:
            kind = self._kind(alarm.condition)
            if kind is not None:
                if self.ledger.token(kind) is None:
                    self.ledger.begin(kind, at)
                    self.ledger.need(kind, at)
                self._find(
                    at, self.ledger.token(kind), self._bedside.round_after(at, alarm.condition) / MINUTE
                )

    def _work(self, at: int, how: How, course: Course, *, thorough: bool = False) -> None:
        pump = self.pump
        if thorough or self.ledger.token("charger-fault") is not None:
            pump.advance(at)
            if thorough or any(alarm.condition.startswith("battery-") for alarm in pump.alarms):
                pump.repair_charger(at)
                self.ledger.end("charger-fault", at, how)
        self._faulty = False
        if thorough and self.ledger.token("rate-too-high") is not None:
            pump.set_rate(at, self.plan.rate_ml_h)
            self.ledger.end("rate-too-high", at, how)
        super()._work(at, how, course, thorough=thorough)
        pump.rest_until(self._purpose)

    def _open_line(self, at: int, how: How, course: Course) -> None:
        clogged = self._clog_ms > 0 and course.mends and "line-blocked" in self.ledger.kinds()
        super()._open_line(at, how, course)
        if clogged and self.feed_open:
            until = at + self._clog_ms
            self._clogged = self._clog_ms = 0
            self._pause(at, until, announced=self._bedside.announces("clog", until - at))

    def _left_unmended(self, at: int, how: How) -> None:
        # Until it closes again it feeds: nobody is needed, and nothing shows.
        self.ledger.end("line-blocked", at, how)

    def _block_again(self, at: int, side: Side) -> None:
        self.ledger.begin("line-blocked", at, needed_from=at)
        super()._block_again(at, side)

    def _feed_due(self) -> bool:
        return self._person.reckoning.due

    def _kind(self, condition: str) -> Kind | None:
        if condition == "inactivity" and self._purpose is not None:
            return None  # a reminder of what is so on purpose
        if condition.startswith("battery-") and self.ledger.token("charger-fault") is not None:
            return "charger-fault"
        return super()._kind(condition)

    # What came of it.

    def balance(self, at: int) -> Balance | None:
        """Return the account of the person; None for a spare pump."""
        if not self.windows:
            return None
        self._reckon(at)
        found = [one for bed in self._sources for one in bed.ledger.troubles(at) if one.kind not in TO_KNOW]
        return self.reckoning.balance(at, self.plan, found)

    def troubles(self, at: int) -> list[Trouble]:
        """Return what needed somebody here."""
        if not self._causes:
            # Behind only by what was done on purpose, and so known to those who did it.
            return super().troubles(at)
        known = self.reckoning.plan.troubles(at)
        if self.plan.glucose_risk:
            known = known + self.reckoning.unfed(at)
        return super().troubles(at) + [replace(one, device=self.plan.id) for one in known]
