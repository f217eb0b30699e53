"""Nights of the study worlds: reproducible, the same on purpose with nothing going wrong, exact in their balances."""

from __future__ import annotations

from collections import Counter
from functools import partial
from typing import Any

import pytest

from simulators import Published, World, worlds
from simulators.chances import Chances
from simulators.instants import DAY, HOUR, MINUTE
from simulators.planned_bed import PlannedBed
from simulators.scenario import Scenario
from simulators.wire import Report, published
from simulators.worlds import WorldFile


def as_it_is(report: Report) -> Report:
    """Write nothing: the report itself."""
    return report


def small(name: str, seed: int, count: int = 24) -> tuple[WorldFile, Scenario]:
    """Return a night of a world with fewer homes, which is quicker."""
    world = worlds.load(name).set("pumps.count", count)
    return world, world.scenario(seed)


def whole(world: World) -> list[Any]:
    """Play a night to its end."""
    return world.advance(world.end_ms)


@pytest.mark.parametrize("name", ["ward", "homes"])
def test_the_same_seed_publishes_the_same_bytes(name: str) -> None:
    """However finely it is advanced: same messages, same truth, same balances."""
    _, scenario = small(name, 3)
    fine, coarse = World(scenario), World(scenario)
    out: list[Published] = []
    while (due := fine.next_at()) is not None:
        out += fine.advance(due)
    fine.advance(fine.end_ms)
    assert whole(coarse) == out
    assert (fine.truth(), fine.balances()) == (coarse.truth(), coarse.balances())
    assert whole(World(worlds.load(name).set("pumps.count", 24).scenario(4))) != out


@pytest.mark.parametrize("name", ["ward", "homes"])
def test_reports_are_the_published_messages_unwritten(name: str) -> None:
    """With `write` nothing else happens: written afterwards, the same bytes in the same order."""
    _, scenario = small(name, 5)
    unwritten = [
        published(one) if isinstance(one, Report) else one for one in whole(World(scenario, write=as_it_is))
    ]
    assert unwritten == whole(World(scenario))


@pytest.mark.parametrize("name", ["ward", "homes"])
@pytest.mark.parametrize("seed", range(1, 6))
def test_with_nothing_going_wrong_nobody_is_needed(name: str, seed: int) -> None:
    """No cause, no trouble, no dead battery; feed is only ever not given on purpose.

    All that there is to know: a worn battery under way with its bed has little time left, and is plugged in again.
    """
    _, scenario = small(name, seed, 60)
    world = World(scenario, causes=False, write=as_it_is)
    whole(world)
    assert {one.kind for one in world.truth()} <= {"running-down"}
    assert all(one.ended is not None for one in world.truth())
    assert sum(one.needed_ms for one in world.balances()) == 0
    balances = world.balances()
    assert len(balances) == 60
    assert not any(one.dead_battery_ms or one.glucose_stopped_ms for one in balances)
    # Containers that run out and are changed at once are all that is left.
    assert sum(one.stopped_ms for one in balances) < 60 * 2 * MINUTE
    assert sum(one.given_ml for one in balances) > 0.75 * sum(one.due_ml for one in balances)


@pytest.mark.parametrize("name", ["ward", "homes"])
def test_what_is_done_on_purpose_is_drawn_alike(name: str) -> None:
    """The calm day has the same feeds, holds, moves, swaps and gaps at the same instants."""
    _, scenario = small(name, 2)
    figures = scenario.figures
    assert figures is not None
    found = []
    for causes in (True, False):
        noted: list[tuple[int, Any]] = []
        for bed in World(scenario, causes=causes).beds.values():
            assert isinstance(bed, PlannedBed)
            chances = Chances(
                bed,
                figures,
                seed=scenario.seed,
                start=scenario.start_ms,
                note=lambda at, deed, noted=noted: noted.append((at, deed)),  # type: ignore[misc]
                spare=lambda: None,
            )
            chances.all() if causes else chances.purposes()
        found.append(
            [
                (at, deed.func.__name__, deed.keywords.get("ms"))
                for at, deed in noted
                if isinstance(deed, partial)
                and deed.func.__name__ in {"open_feed", "hold_for", "take_off", "lose_sight", "_swap"}
            ]
        )
    assert len(found[0]) > 40
    assert found[0] == found[1]


@pytest.mark.parametrize("name", ["ward", "homes"])
def test_who_comes_to_one_pump_changes_no_other(name: str) -> None:
    """A nurse at one pump, three times: every other pump's messages are the same bytes."""
    _, scenario = small(name, 6)
    alone, helped = World(scenario), World(scenario)
    for hour in (9, 12, 15):
        helped.attend("pump-0007", helped.start_ms + hour * HOUR)
    mine: list[Counter[tuple[str, bytes]]] = []
    for world in (alone, helped):
        sent = [one for one in whole(world) if "/pump-0007/" not in one.topic]
        mine.append(Counter((one.topic, one.payload) for one in sent))
    assert mine[0] == mine[1]
    others = [[one for one in world.truth() if one.device != "pump-0007"] for world in (alone, helped)]
    assert others[0] == others[1]
    assert alone.balances()[:6] == helped.balances()[:6]


@pytest.mark.parametrize(("name", "seed"), [("ward", 1), ("homes", 2)])
def test_balances_are_what_an_observer_would_have_counted(name: str, seed: int) -> None:
    """Looked at each minute, the times agree to the minutes that a change may fall in; volumes agree exactly."""
    _, scenario = small(name, seed, 24)
    world = World(scenario, write=as_it_is)
    counted: Counter[str] = Counter()
    changes: Counter[str] = Counter()
    was: dict[str, object] = {}
    beds = [bed for bed in world.beds.values() if isinstance(bed, PlannedBed) and bed.windows]
    for at in range(world.start_ms, world.end_ms, MINUTE):
        world.advance(at)
        for bed in beds:
            source = bed._source
            now = (bed.reckoning.due, source.pump.activity == "feeding")
            counted[bed.plan.id] += MINUTE * (now == (True, False))
            changes[bed.plan.id] += now != was.get(bed.plan.id)
            was[bed.plan.id] = now
    world.advance(world.end_ms)
    for balance in world.balances():
        total = balance.held_ms + balance.stopped_ms
        # Short stops fall between two looks; each change is seen up to a minute late.
        assert abs(total - counted[balance.device]) <= MINUTE * (2 + 2 * changes[balance.device])
        assert balance.dead_battery_ms <= balance.stopped_ms
        assert balance.glucose_stopped_ms <= balance.stopped_ms
    assert sum(balance.due_ml for balance in world.balances()) == pytest.approx(
        sum(asked(bed) for bed in beds)
    )


def asked(bed: PlannedBed) -> float:
    """Return what a plan asks for from noon to noon, minute by minute."""
    plan = bed.plan
    rate, target = plan.rate_ml_h, plan.target_ml or 0.0
    total = 0.0
    for day in {span.day for span in bed.windows}:
        # What a day's windows asked for before noon counts towards its target, not towards the run.
        minutes = [
            at for span in bed.windows if span.day == day for at in range(span.begin, span.end, MINUTE)
        ]
        full = [
            min(target, rate * (place + 1) / 60) - min(target, rate * place / 60)
            for place in range(len(minutes))
        ]
        total += sum(ml for at, ml in zip(minutes, full, strict=True) if 0 <= at < DAY)
    return total


def test_the_normal_is_all_there() -> None:
    """Holds, flushes, swaps, spares that are listed and off or never heard of, and answers by the button."""
    world = worlds.load("ward").set("deliberate.swaps_per_day", 1)
    seen: Counter[str] = Counter()
    answers: Counter[str] = Counter()
    heard: set[str] = set()
    for seed in range(1, 4):
        scenario = world.scenario(seed)
        for one in whole(World(scenario, write=as_it_is)):
            if isinstance(one, Report):
                seen[one.reading.activity] += 1
                heard.add(f"{seed} {one.device}")
                if one.device.startswith("spare") and one.reading.activity == "feeding":
                    seen["swapped"] += 1
            elif one.topic.endswith("/responsibility"):
                answers["hold" if b'"hold"' in one.payload else "feed-ended"] += 1
                assert not one.retain
        listed = {f"{seed} {pump.id}" for pump in scenario.pumps}
        seen["never heard"] += len(listed - heard)
    assert all(seen[word] for word in ("held", "flushing", "priming", "off", "swapped", "never heard"))
    assert answers["hold"] > 10
    assert answers["feed-ended"]


def test_a_report_costs_little() -> None:
    """No report is made twice, and periodic ones come at the interval: their number is bounded."""
    _, scenario = small("homes", 1, 40)
    reports = [one for one in whole(World(scenario, write=as_it_is)) if isinstance(one, Report)]
    assert len({(one.bridge, one.number) for one in reports}) == len(reports)
    assert len(reports) < 40 * 12 * 14
