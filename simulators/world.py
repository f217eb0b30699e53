"""A whole site in virtual time: pumps, the people around them, and the bridges that tell of them.

`next_at` says when something will happen next, `advance` lets it happen and returns what the bridges publish.
A pump publishes at a phase of its own, once in each reporting interval, and at once when its activity, an
alarm, an inactivation or its mains changes; several changes of one instant make one message. Nothing here
reads a clock; the same scenario and the same calls publish the same bytes.
"""

from __future__ import annotations

from functools import partial
from random import Random

from simulators.bed import Bed
from simulators.bridge import Bridge
from simulators.carer import Carer
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
from simulators.scenario import Scenario
from simulators.script import courses
from simulators.truth import Trouble
from simulators.wire import Published

# A pump that something is scripted for is spared chance around it, so that a story stays the story told.
_CALM_BEFORE_MS = 45 * MINUTE
_CALM_AFTER_MS = 150 * MINUTE


class World:
    """All of one scenario, from *start_ms* on (default: the scenario's own start)."""

    def __init__(self, scenario: Scenario, start_ms: int | None = None) -> None:
        self.scenario = scenario
        self.start_ms = scenario.start_ms if start_ms is None else start_ms
        self.end_ms = self.start_ms + scenario.length_ms
        self.now = self.start_ms
        self._diary = Diary()
        self._out: list[Published] = []
        self._touched: dict[str, Bed] = {}
        self._reporting: set[str] = set()
        self._shown: dict[str, object] = {}
        self._sequence: dict[str, int] = {}
        self._report_ms = whole_ms(scenario.report_every_s * SECOND)
        self.bridges = {
            name: Bridge(name, prefix=scenario.prefix, site=scenario.site) for name in scenario.bridges
        }
        for bridge in self.bridges.values():
            self._diary.note(self.start_ms, partial(self._bridge_appears, bridge))
        self.beds = {
            plan.id: Bed(plan, scenario, at=self.start_ms, diary=self._diary, touched=self._touch)
            for plan in scenario.pumps
        }
        calm: dict[str, list[int]] = {}
        for number, happening in enumerate(scenario.happenings):
            at = self.start_ms + scenario.offset_ms(happening.at, happening.day)
            self._diary.note(at, partial(self._happen, number, happening))
            if not isinstance(happening, BridgeLost):
                calm.setdefault(happening.pump, []).append(at)
        for bed in self.beds.values():
            self._open_bed(bed, calm.get(bed.plan.id, []))

    def next_at(self) -> int | None:
        """Return the next instant at which something happens, or None when the scenario is over."""
        due = self._diary.next_at()
        return due if due is not None and due <= self.end_ms else None

    def advance(self, at: int) -> list[Published]:
        """Let everything happen up to and including *at*; return what was published, in order."""
        while (due := self.next_at()) is not None and due <= at:
            self.now = max(self.now, due)
            while (deed := self._diary.take(due)) is not None:
                deed(self.now)
            self._close_instant(self.now)
        self.now = max(self.now, min(at, self.end_ms))
        out, self._out = self._out, []
        return out

    def attend(self, device: str, at: int) -> None:
        """Let the nurse who was sent for reach *device* at *at*; what she does shows at the next `advance`.

        Raises KeyError for a device that the scenario does not have.
        """
        self._diary.note(max(at, self.now), self.beds[device].attend)

    def truth(self) -> list[Trouble]:
        """Return every trouble up to now that nobody at the bedside dealt with in time, by when it began."""
        ledgers = [bed.ledger for bed in self.beds.values()]
        ledgers += [bridge.ledger for bridge in self.bridges.values()]
        found = [trouble for ledger in ledgers for trouble in ledger.troubles(self.now)]
        return sorted(found, key=lambda trouble: (trouble.began, trouble.device, trouble.kind))

    # How it works inside.

    def _open_bed(self, bed: Bed, scripted: list[int]) -> None:
        scenario, device = self.scenario, bed.plan.id
        phase = Random(f"{scenario.seed}/phase/{device}").randrange(self._report_ms)
        self._diary.note(self.start_ms + phase, partial(self._report, bed))
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

    def _touch(self, bed: Bed) -> None:
        self._touched[bed.plan.id] = bed

    def _close_instant(self, at: int) -> None:
        while self._touched:
            touched, self._touched = self._touched, {}
            for bed in touched.values():
                bed.settle(at)
                self._publish(bed, at)

    def _report(self, bed: Bed, at: int) -> None:
        self._reporting.add(bed.plan.id)
        self._touch(bed)
        self._diary.note(at + self._report_ms, partial(self._report, bed))

    def _publish(self, bed: Bed, at: int) -> None:
        device = bed.plan.id
        reporting = device in self._reporting
        self._reporting.discard(device)
        if not bed.in_sight:
            self._shown.pop(device, None)
            return
        reading = bed.pump.reading(at)
        if self._shown.get(device) == reading.shown and (not reporting or reading.activity == "off"):
            return
        first = device not in self._sequence
        if first and not reporting:
            return  # each pump is first heard of at its own phase
        self._shown[device] = reading.shown
        self._sequence[device] = sequence = self._sequence.get(device, 0) + 1
        bridge = self.bridges[bed.plan.bridge]
        self._out += bridge.send(reading, device=device, unit=bed.plan.unit, at=at, sequence=sequence)

    def _bridge_appears(self, bridge: Bridge, _at: int) -> None:
        self._out += bridge.appear()

    def _bridge_lost(self, happening: BridgeLost, at: int) -> None:
        bridge = self.bridges[happening.bridge]
        self._out += bridge.lose(at, stores=happening.stores)

        def back(now: int) -> None:
            self._out += bridge.come_back(now)

        self._diary.note(at + whole_ms(happening.minutes * MINUTE), back)

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
