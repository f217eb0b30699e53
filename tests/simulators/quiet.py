"""Study worlds in which nothing happens but what a test asks for."""

from __future__ import annotations

from collections.abc import Callable

from simulators import Trouble, World, worlds
from simulators.planned_bed import PlannedBed
from simulators.truth import Kind
from simulators.wire import Report

QUIET = {
    "causes.alarms_per_hour": 0,
    "causes.clogs_in_tube_life": 0,
    "causes.tubes_out_per_year": 0,
    "causes.faults_per_year": 0,
    "causes.chargers_per_year": 0,
    "causes.rate_wrong": 0,
    "causes.plug_forgotten": 0,
    "causes.restart_forgotten": 0,
    "causes.starts_unplugged": 0,
    "causes.power_cuts_per_year": 0,
    "causes.bridge_losses_per_year": 0,
    "deliberate.care_holds_per_day": 0,
    "deliberate.procedures_per_day": 0,
    "deliberate.moves_per_day": 0,
    "deliberate.swaps_per_day": 0,
    "deliberate.radio_gaps_per_day": 0,
    "bedside.mutes_only": 0,
    "bedside.changes_in_time": 1,
}


def quiet(name: str, seed: int = 1, **figures: float) -> World:
    """Return a world in which nothing happens but what *figures* say; two underscores stand for the dot."""
    world = worlds.load(name).set("pumps.count", 24)
    for key, value in (QUIET | {key.replace("__", "."): value for key, value in figures.items()}).items():
        world = world.set(key, value)
    return World(world.scenario(seed), write=_as_it_is)


def _as_it_is(report: Report) -> Report:
    return report


def of(world: World, kind: Kind) -> list[Trouble]:
    """Return the troubles of one kind, the world played to its end."""
    world.advance(world.end_ms)
    return [trouble for trouble in world.truth() if trouble.kind == kind]


def feeding_at(world: World, at: int) -> PlannedBed:
    """Return a bed on mains that feeds at an instant."""
    world.advance(at)
    return next(
        bed
        for bed in world.beds.values()
        if isinstance(bed, PlannedBed) and bed.pump.activity == "feeding" and bed.pump.mains
    )


def shows(bed: PlannedBed) -> str:
    """Return what the pump does."""
    return bed.pump.activity


def do(world: World, at: int, deed: Callable[[int], object]) -> None:
    """Have something done at an instant of the world's own, which takes account of it at once."""

    def done(now: int) -> None:
        deed(now)

    world._diary.note(at, done)
    world.advance(at)
