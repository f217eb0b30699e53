"""A whole site in virtual time: pumps, the people around them, and the bridges that tell of them.

`next_at` says when something will happen next, `advance` lets it happen and returns what the bridges publish.
A pump publishes at a phase of its own, once in each reporting interval, and at once when its activity, an
alarm, an inactivation or its mains changes; several changes of one instant make one message. Nothing here
reads a clock; the same scenario and the same calls publish the same bytes.
"""

from __future__ import annotations

from collections import Counter
from functools import partial
from random import Random
from typing import Any

from simulators import wire
from simulators.bed import Bed
from simulators.bridge import Bridge, Write
from simulators.carer import Carer
from simulators.chances import Chances
from simulators.diary import Deed, Diary
from simulators.happenings import (
    AnyHappening,
    BridgeLost,
    ContainerChange,
    Fault,
    Flush,
    LineBlocks,
    Moved,
    OutOfRadio,
)
from simulators.instants import DAY, HOUR, MINUTE, SECOND, whole_ms
from simulators.planned_bed import PlannedBed
from simulators.reckoning import Balance
from simulators.scenario import PumpPlan, Scenario
from simulators.script import courses
from simulators.truth import Trouble
from simulators.wire import Published
from simulators.world_figures import CauseFigures

__all__ = ["Balance", "World"]

# A pump that something is scripted for is spared chance around it, so that a story stays the story told.
_CALM_BEFORE_MS = 45 * MINUTE
_CALM_AFTER_MS = 150 * MINUTE
# More than a pump sends in a run: the numbers of two pumps never meet.
_MOST_MESSAGES = 1_000_000


class World:
    """All of one scenario, from *start_ms* on (default: the scenario's own start).

    Of a study world, *causes* False is the same day with nothing going wrong. *write* makes of a bridge's report
    what `advance` returns; by default that is the message as it is published.
    """

    def __init__(
        self,
        scenario: Scenario,
        start_ms: int | None = None,
        *,
        causes: bool = True,
        write: Write | None = None,
    ) -> None:
        self.scenario = scenario
        self.start_ms = scenario.start_ms if start_ms is None else start_ms
        self.end_ms = self.start_ms + scenario.length_ms
        self.now = self.start_ms
        self._causes = causes
        self._diary = Diary()
        self._out: list[Any] = []
        self._touched: dict[Bed, bool] = {}  # whether more than a report is due
        self._reporting: set[Bed] = set()
        self._shown: dict[str, object] = {}
        self._sequence: dict[str, int] = {}
        self._report_ms = whole_ms(scenario.report_every_s * SECOND)
        # Of a study world every pump counts its own messages: what one sends more, no other's show.
        self._places: dict[str, int] | None = None
        if scenario.figures is not None:
            self._places = {plan.id: place for place, plan in enumerate(scenario.pumps, start=1)}
        self._said = Counter[str]()
        self.bridges = {
            name: Bridge(name, prefix=scenario.prefix, site=scenario.site, write=write or wire.published)
            for name in scenario.bridges
        }
        for bridge in self.bridges.values():
            self._diary.note(self.start_ms, partial(self._bridge_appears, bridge))
        self.beds = {plan.id: self._bed(plan) for plan in scenario.pumps}
        calm: dict[str, list[int]] = {}
        for number, happening in enumerate(scenario.happenings):
            at = self.start_ms + scenario.offset_ms(happening.at, happening.day)
            self._diary.note(at, partial(self._happen, number, happening))
            if not isinstance(happening, BridgeLost):
                calm.setdefault(happening.pump, []).append(at)
        for bed in self.beds.values():
            self._open_bed(bed, calm.get(bed.plan.id, []))
        if causes and scenario.figures is not None:
            self._lose_bridges(scenario.figures.causes)

    def next_at(self) -> int | None:
        """Return the next instant at which something happens, or None when the scenario is over."""
        due = self._diary.next_at()
        return due if due is not None and due <= self.end_ms else None

    def advance(self, at: int) -> list[Any]:
        """Let everything happen up to and including *at*; return what was published, in order."""
        while (due := self.next_at()) is not None and due <= at:
            self._let_happen(due)
        self.now = max(self.now, min(at, self.end_ms))
        out, self._out = self._out, []
        return out

    def advance_to_word(self, at: int) -> list[Any]:
        """Let everything happen up to the instant, *at* at the latest, at which something is published; return that."""
        while (due := self.next_at()) is not None and due <= (self.now if self._out else at):
            self._let_happen(due)
        out, self._out = self._out, []
        return out

    def attend(self, device: str, at: int) -> None:
        """Let the nurse who was sent for reach *device* at *at*; what she does shows at the next `advance`.

        Raises KeyError for a device that the scenario does not have.
        """
        self._diary.note(max(at, self.now), self.beds[device].attend)

    def held_until(self, device: str) -> int | None:
        """Return until when somebody holds a pump on purpose, as she would say at its bed."""
        return self.beds[device].held_until

    def over_for_now(self, device: str) -> bool:
        """Return whether she would say that the feed is over for now, and not until when."""
        return self.beds[device].over_for_now

    def truth(self) -> list[Trouble]:
        """Return every trouble up to now that nobody at the bedside dealt with in time, by when it began."""
        found = [trouble for bed in self.beds.values() for trouble in bed.troubles(self.now)]
        found += [trouble for bridge in self.bridges.values() for trouble in bridge.ledger.troubles(self.now)]
        return sorted(found, key=lambda trouble: (trouble.began, trouble.device, trouble.kind))

    def balances(self) -> list[Balance]:
        """Return the account of everybody who has a plan of windows, up to now, as the pumps are listed."""
        accounts = [bed.balance(self.now) for bed in self.beds.values() if isinstance(bed, PlannedBed)]
        return [account for account in accounts if account is not None]

    # How it works inside.

    def _let_happen(self, due: int) -> None:
        self.now = max(self.now, due)
        while (deed := self._diary.take(due)) is not None:
            deed(self.now)
        self._close_instant(self.now)

    def _bed(self, plan: PumpPlan) -> Bed:
        scenario = self.scenario
        if scenario.figures is None:
            return Bed(plan, scenario, at=self.start_ms, diary=self._diary, touched=self._touch)
        return PlannedBed(
            plan,
            scenario,
            scenario.figures,
            at=self.start_ms,
            diary=self._diary,
            touched=self._touch,
            announce=self._announce,
            causes=self._causes,
        )

    def _open_bed(self, bed: Bed, scripted: list[int]) -> None:
        scenario, device = self.scenario, bed.plan.id
        phase = Random(f"{scenario.seed}/phase/{device}").randrange(self._report_ms)
        self._diary.note(self.start_ms + phase, self._reporter(bed))
        if isinstance(bed, PlannedBed) and scenario.figures is not None:
            chances = Chances(
                bed,
                scenario.figures,
                seed=scenario.seed,
                start=self.start_ms,
                note=self._diary.note,
                spare=partial(self._spare, bed.plan.unit),
            )
            if self._causes:
                chances.all()
            else:
                chances.purposes()
        for clock in bed.plan.starts:
            self._daily(self.start_ms + scenario.offset_ms(clock), bed.begin_feed)
        if bed.plan.flush_every_h is not None:
            every = whole_ms(bed.plan.flush_every_h * HOUR)
            first = self.start_ms + Random(f"{scenario.seed}/flush/{device}").randrange(every)
            self._repeat(first, every, partial(bed.flush, ml=bed.plan.flush_ml))
        chance = Random(f"{scenario.seed}/background/{device}")
        mix = scenario.background.mix
        if scenario.background.troubles_per_pump_hour > 0 and any(mix.values()):
            per_ms = scenario.background.troubles_per_pump_hour / HOUR

            def befall(at: int) -> None:
                condition = chance.choices(list(mix), list(mix.values()))[0]
                if not any(-_CALM_BEFORE_MS <= at - one <= _CALM_AFTER_MS for one in scripted):
                    bed.befall(at, condition)
                self._diary.note(at + 1 + round(chance.expovariate(per_ms)), befall)

            self._diary.note(self.start_ms + 1 + round(chance.expovariate(per_ms)), befall)
        moves = Random(f"{scenario.seed}/moves/{device}")
        if scenario.background.moves_per_pump_day > 0:
            moves_per_ms = scenario.background.moves_per_pump_day / DAY

            def move(at: int) -> None:
                minutes = moves.uniform(8.0, 25.0)
                if not any(-_CALM_BEFORE_MS <= at - one <= _CALM_AFTER_MS for one in scripted):
                    bed.move(at, minutes, forgets_plug=None)
                self._diary.note(at + 1 + round(moves.expovariate(moves_per_ms)), move)

            self._diary.note(self.start_ms + 1 + round(moves.expovariate(moves_per_ms)), move)
        self._touch(bed)
        bed.settle(self.start_ms)

    def _daily(self, at: int, deed: Deed) -> None:
        self._repeat(at, DAY, deed)

    def _repeat(self, at: int, every: int, deed: Deed) -> None:
        def again(now: int) -> None:
            deed(now)
            self._diary.note(now + every, again)

        self._diary.note(at, again)

    def _spare(self, unit: str) -> PlannedBed | None:
        """Return a pump from the unit's cupboard that the bridge knows."""
        for bed in self.beds.values():
            plan = bed.plan
            in_cupboard = plan.unit == unit and plan.heard and not plan.windows and not bed.feed_open
            if isinstance(bed, PlannedBed) and in_cupboard:
                return bed
        return None

    def _touch(self, bed: Bed) -> None:
        self._touched[bed] = True

    def _close_instant(self, at: int) -> None:
        while self._touched:
            touched, self._touched = self._touched, {}
            for bed, changed in touched.items():
                if changed:
                    bed.settle(at)
                self._publish(bed, at)

    def _reporter(self, bed: Bed) -> Deed:
        """Return what a pump does once in each interval; between changes a report settles nothing."""
        note, every = self._diary.note, self._report_ms

        def report(at: int) -> None:
            self._reporting.add(bed)
            self._touched.setdefault(bed, False)
            note(at + every, report)

        return report

    def _publish(self, bed: Bed, at: int) -> None:
        device = bed.plan.id
        reporting = bed in self._reporting
        if reporting:
            self._reporting.discard(bed)
        if not bed.in_sight:
            self._shown.pop(device, None)
            return
        pump = bed.pump
        if pump.activity == "off" and reporting and self._shown.get(device) == pump.shown:
            return
        reading = pump.reading(at)
        if not reporting and self._shown.get(device) == reading.shown:
            return
        sequence = self._sequence.get(device, 0)
        if sequence == 0 and not reporting:
            return  # each pump is first heard of at its own phase
        self._shown[device] = reading.shown
        self._sequence[device] = sequence = sequence + 1
        number = None if self._places is None else self._places[device] * _MOST_MESSAGES + sequence
        sent = self.bridges[bed.plan.bridge].send(
            reading, device=device, unit=bed.plan.unit, at=at, sequence=sequence, number=number
        )
        if sent is not None:
            self._out.append(sent)

    def _announce(self, bed: Bed, at: int, answer: str, until: int | None) -> None:
        """Publish what is said by the button at a bedside."""
        scenario, plan = self.scenario, bed.plan
        self._said[plan.id] += 1
        button = f"button-{plan.id}"
        payload = wire.bedside_answer(
            answer,
            button=button,
            number=self._said[plan.id],
            device=plan.id,
            person=plan.nurse,
            at=at,
            until=until,
        )
        topic = wire.answer_topic(scenario.prefix, scenario.site, plan.unit, plan.id)
        self._out.append(Published(topic=topic, payload=payload, retain=False, bridge=plan.bridge))

    def _bridge_appears(self, bridge: Bridge, _at: int) -> None:
        self._out += bridge.appear()

    def _bridge_lost(self, happening: BridgeLost, at: int) -> None:
        self._lose_bridge(self.bridges[happening.bridge], at, happening.minutes, stores=happening.stores)

    def _lose_bridge(self, bridge: Bridge, at: int, minutes: float, *, stores: bool) -> None:
        self._out += bridge.lose(at, stores=stores)

        def back(now: int) -> None:
            self._out += bridge.come_back(now)

        self._diary.note(at + whole_ms(minutes * MINUTE), back)

    def _lose_bridges(self, figures: CauseFigures) -> None:
        for name, bridge in self.bridges.items():
            draw = Random(f"{self.scenario.seed}/bridge/{name}")
            if draw.random() < figures.bridge_losses_per_year.value / 365:
                at = self.start_ms + draw.randrange(self.scenario.length_ms)
                minutes = figures.bridge_loss_min.value * draw.uniform(0.3, 1.7)
                self._diary.note(at, partial(self._lose_bridge, bridge, minutes=minutes, stores=True))

    def _happen(self, number: int, happening: AnyHappening, at: int) -> None:
        if isinstance(happening, BridgeLost):
            self._bridge_lost(happening, at)
            return
        scenario = self.scenario
        bed = self.beds[happening.pump]
        draw = Random(f"{scenario.seed}/script/{number}")
        carer = Carer(scenario.carers, scenario.hardware, draw)
        match happening:
            case LineBlocks():
                back = happening.comes_back_min
                bed.block(
                    at,
                    happening.side,
                    courses(happening, carer),
                    found_min=happening.found_min,
                    back_after=None if back is None else whole_ms(back * MINUTE),
                )
            case Fault():
                bed.break_down(
                    at,
                    happening.condition,
                    happening.priority,
                    courses(happening, carer),
                    found_min=happening.found_min,
                )
            case Moved():
                bed.move(
                    at,
                    happening.minutes,
                    forgets_plug=happening.forgets_plug,
                    found_min=happening.found_min,
                )
            case ContainerChange():
                bed.change_container(
                    at,
                    happening.minutes,
                    forgets_restart=happening.forgets_restart,
                    found_min=happening.found_min,
                )
            case OutOfRadio():
                bed.hide(at, happening.minutes)
            case Flush():
                bed.flush(at, happening.ml)
