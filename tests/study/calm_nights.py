"""Nights in which nothing goes wrong: who is called about what, and how it was at the pump then."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.core.messages import Snapshot
from monitor.study.night import Night
from monitor.study.site import first_rung, site_of
from monitor.study.snapshots import snapshot_of
from simulators.carrying import Carriers
from simulators.instants import HOUR
from simulators.people import People
from simulators.planned_bed import PlannedBed
from simulators.wire import Report
from simulators.world import World
from tests.study.nights import certain, strategy

MOVES = frozenset({"feeding", "flushing", "priming"})


class Call(NamedTuple):
    """Somebody is called to a pump: when, by which rule, and since when it stood still and was not heard."""

    at: int
    device: str
    rule: str
    still_ms: int | None  # None: it moves
    moving_ms: int | None  # None: it stands still
    unheard_ms: int
    on_purpose: bool  # held until a time, or over for now
    behind: float  # share of what makes a feed one that is behind
    fits: bool  # what is left fits into its window


@dataclass(slots=True)
class Calm:
    """One such night."""

    nurses: int = 0
    calls: list[Call] = field(default_factory=list)
    stretches: list[tuple[str, int]] = field(
        default_factory=list
    )  # pump, and how long it stood still in the night


class Watched(Night):
    """A night whose calls are noted as they are read."""

    def watch(self, world: World, heard: dict[str, int], turned: dict[str, tuple[bool, int]]) -> Calm:
        """Have its calls noted."""
        self._watched, self._heard, self._turned, self._calm = world, heard, turned, Calm()
        return self._calm

    def _reads(self, person: str, said: dict[str, str], at: int) -> None:
        super()._reads(person, said, at)
        for device, rule in self._course.told[-1].calls:
            bed = self._watched.beds[device]
            assert isinstance(bed, PlannedBed)
            moves, since = self._turned.get(device, (False, at))
            call = Call(
                at=at,
                device=device,
                rule=rule,
                still_ms=None if moves else at - since,
                moving_ms=at - since if moves else None,
                unheard_ms=at - self._heard[device],
                on_purpose=bed.held_until is not None or bed.over_for_now,
                behind=behind(bed, at),
                fits=fits(bed, at),
            )
            self._calm.calls.append(call)


def behind(bed: PlannedBed, at: int) -> float:
    """How far a feed is behind, as a share of what makes it one that is (a tenth of the target, 100 mL at most)."""
    account = bed.reckoning
    bed._reckon(at)
    asked = account._schedule.asked_ml(account._day, at - account._start)
    return (asked - account._today) / account._step


def fits(bed: PlannedBed, at: int) -> bool:
    """Whether what is left of a feed can still be given in its window at the highest allowed rate."""
    account, plan = bed.reckoning, bed.plan
    now = at - account._start
    today = [span for span in bed.windows if span.day == account._day]
    left_h = sum(max(0, span.end - max(span.begin, now)) for span in today) / HOUR
    return (plan.target_ml or 0.0) - account._today <= (plan.highest_rate_ml_h or 0.0) * left_h


def played(name: str, seed: int) -> Calm:
    """A night of a ward, or of 60 homes, with Second Bell as shipped, people who answer, and nothing going wrong."""
    world = certain(name).set("pumps.count", {"ward": 24, "homes": 60}[name])
    scenario = world.scenario(seed)
    heard: dict[str, int] = {}
    turned: dict[str, tuple[bool, int]] = {}
    stood: list[tuple[str, int, int]] = []

    def write(report: Report) -> Snapshot:
        heard[report.device] = report.at
        moves = report.reading.activity in MOVES
        was = turned.get(report.device)
        if was is None or was[0] is not moves:
            if was is not None and moves:
                stood.append((report.device, was[1], report.at))
            turned[report.device] = (moves, report.at)
        return snapshot_of(report)

    begin, end = world.night(scenario)
    calm_world = World(scenario, causes=False, write=write)
    site = site_of(world, scenario, strategy("Second Bell as shipped"))
    people, carriers = People(world.people, seed), Carriers(world.carriers, seed, begin, end)
    night = Watched(calm_world, site, people, carriers)
    calm = night.watch(calm_world, heard, turned)
    night.run()
    calm.nurses = len(first_rung(world.setting, scenario.units))
    calm.calls = [call for call in calm.calls if begin <= call.at < end]
    calm.stretches = [
        (device, stop - max(start, begin)) for device, start, stop in stood if begin < stop <= end
    ]
    return calm
