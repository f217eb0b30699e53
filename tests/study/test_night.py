"""One simulated night under one strategy: world, engine, carriers and people together."""

from __future__ import annotations

import pytest

from monitor.core.instants import HOUR, MINUTE
from monitor.study.night import play, play_seed
from monitor.study.night_record import NightRecord
from monitor.study.strategies import NOBODY, Strategy
from simulators.worlds import WorldFile, load
from tests.study.nights import BLOCKED, certain, scripted, strategy

SIDE_BY_SIDE = ("nobody told", "forwarded at once", "Second Bell as shipped")


def records(
    world: WorldFile, seed: int, *strategies: Strategy, skip: tuple[str, ...] = (), every_pump: bool = False
) -> list[NightRecord]:
    """The records of one night, without what the machine took for them."""
    return list(play_seed(world, strategies, seed, skip, seconds=lambda: 0.0, every_pump=every_pump))


def test_with_nobody_told_a_blocked_line_stays_blocked() -> None:
    """Until somebody finds it by chance, 4 h later."""
    course = play(certain(), scripted(BLOCKED), NOBODY)
    [trouble] = course.troubles
    assert (trouble.kind, trouble.how) == ("line-blocked", "mended-at-bedside")
    assert trouble.ended is not None
    assert trouble.ended - trouble.began == 240 * MINUTE
    assert (course.told, course.accepted, course.came) == ([], [], [])


def test_a_blocked_line_is_told_accepted_attended_and_mended() -> None:
    """Each step comes as long after the one before as carriers, people and the shipped rule say."""
    world = certain(answer_median_min=2, comes_median_min=4)
    course = play(world, scripted(BLOCKED), strategy("Second Bell as shipped"))
    [trouble] = course.troubles
    assert (trouble.device, trouble.how) == ("pump-1", "mended-by-nurse")
    first, *later = course.told
    [accepted], [came] = course.accepted, course.came
    assert first.calls == (("pump-1", "unattended"),)
    assert first.person == accepted.person == came.person == "nurse-1"  # her unit is rowan, the first
    # After 5 min of alarm, 2 s for messages on their way, 5 s to gather, and what the pager takes.
    since_alarm = first.at - (trouble.needed_from + 5 * MINUTE)
    assert 7_000 < since_alarm < 60_000
    assert accepted.at - first.at == 2 * MINUTE
    assert came.at - accepted.at == 4 * MINUTE
    assert trouble.ended == came.at
    assert all(not notice.calls for notice in later)  # that it is over


def test_somebody_who_never_answers_is_passed_over() -> None:
    """Nobody accepts: the ladder goes on to the next rungs and round."""
    course = play(certain(never=1.0), scripted(BLOCKED), strategy("Second Bell as shipped"))
    assert {"nurse-2", "nurse-1", "charge", "manager"} <= {notice.person for notice in course.told}
    assert (course.accepted, course.came) == ([], [])
    assert course.troubles[0].how == "mended-at-bedside"


def test_a_bridge_that_is_lost_is_told_by_unit_and_nobody_walks_to_a_pump() -> None:
    """Whoever accepts it goes to no pump of the world for it."""
    lost = '[[happenings]]\nat = "23:00"\nwhat = "bridge-lost"\nbridge = "north-7"\nminutes = 40\n'
    course = play(certain(), scripted(lost), strategy("Second Bell as shipped"))
    called = {call for notice in course.told for call in notice.calls}
    assert called == {("unit:elm", "sight-lost"), ("unit:rowan", "sight-lost")}
    assert course.accepted
    assert all(trouble.how != "mended-by-nurse" for trouble in course.troubles)


@pytest.mark.parametrize("name", ["ward", "homes"])
def test_the_same_seed_is_the_same_record(name: str) -> None:
    """And the records of one strategy do not depend on which others are played, or skipped."""
    world = smaller(name)
    chosen = [strategy(one) for one in SIDE_BY_SIDE]
    whole = records(world, 3, *chosen)
    assert [record.strategy for record in whole] == list(SIDE_BY_SIDE)
    assert records(world, 3, *chosen) == whole
    assert records(world, 3, *chosen, skip=SIDE_BY_SIDE[:2]) == whole[2:]
    assert records(world, 3, chosen[2]) == whole[2:]
    assert records(world, 3, *chosen, skip=SIDE_BY_SIDE) == []
    assert records(world, 4, chosen[2]) != whole[2:]


@pytest.mark.parametrize(("name", "seed"), [("ward", 3), ("ward", 4), ("homes", 3)])
def test_pumps_that_no_rule_is_about_need_not_be_played(name: str, seed: int) -> None:
    """A record is the same as when every pump is played, but for the number of messages."""
    world = smaller(name)
    chosen = [strategy(one) for one in SIDE_BY_SIDE[1:]]
    some = records(world, seed, *chosen)
    for one, whole in zip(some, records(world, seed, *chosen, every_pump=True), strict=True):
        assert one.messages <= whole.messages
        assert one.model_copy(update={"messages": 0}) == whole.model_copy(update={"messages": 0})
    assert any(one.calls for one in some)


def smaller(name: str) -> WorldFile:
    """A shipped world with few pumps, so that a test is short."""
    return load(name).set("pumps.count", {"ward": 6, "homes": 40}[name]).set("deliberate.swaps_per_day", 0.2)


def test_who_finds_a_feed_held_on_purpose_says_so_and_is_not_called_again() -> None:
    """Not for as long as a hold may be, nor before its end: without her answer she would be at each recheck."""
    world = certain()
    figures = {
        "deliberate.procedures_per_day": 1,
        "deliberate.procedure_median_min": 140,
        "deliberate.announced": 0,
        "causes.alarms_per_hour": 0,
        "causes.restart_forgotten": 0,
    }
    for figure, value in figures.items():
        world = world.set(figure, value)
    course = play(world, world.scenario(2), strategy("without behind-plan"))
    idle = [
        (notice.at, subject)
        for notice in course.told
        for subject, rule in notice.calls
        if rule in ("idle-past-limit", "stopped-at-glucose-risk")
    ]
    first = {pump: came.at for came in reversed(course.came) for pump in [came.subject]}
    called = {pump for _, pump in idle} & first.keys()
    assert len(called) > 5
    for pump in called:
        again = [at - first[pump] for at, about in idle if about == pump and at > first[pump]]
        assert min(again, default=HOUR) > 28 * MINUTE


def test_who_finds_the_feed_over_for_now_says_so_and_is_not_called_again() -> None:
    """A tube is out for hours and nobody said so: one call and one walk, and no other until it is back."""
    world = certain()
    figures = {
        "causes.alarms_per_hour": 0,
        "causes.clogs_in_tube_life": 0,
        "causes.restart_forgotten": 0,
        "causes.tubes_out_per_year": 400,
        "deliberate.announced": 0,
        "deliberate.announced_long": 0,
        "deliberate.care_holds_per_day": 0,
        "deliberate.procedures_per_day": 0,
        "pumps.glucose_risk": 0,
    }
    for figure, value in figures.items():
        world = world.set(figure, value)
    course = play(world, world.scenario(3), strategy("without behind-plan"))
    walks = 0
    for trouble in course.troubles:
        if trouble.kind == "tube-out":
            ended = course.end if trouble.ended is None else trouble.ended
            came = [deed.at for deed in course.came if deed.subject == trouble.device]
            there = [at for at in came if trouble.needed_from <= at < ended]
            assert len(there) <= 1
            walks += len(there)
            assert not [
                notice.at
                for notice in course.told
                if there
                and (trouble.device, "idle-past-limit") in notice.calls
                and there[0] < notice.at < ended
            ]
    assert walks > 5


def test_who_finds_a_pump_that_only_the_radio_has_lost_says_so() -> None:
    """Lost for 90 min: she is called to it, and again an hour after she was there, as no answer counts for longer."""
    lost = '[[happenings]]\nat = "22:00"\nwhat = "out-of-radio"\npump = "pump-1"\nminutes = 90\n'
    world = certain(answer_median_min=2, comes_median_min=4)
    course = play(world, scripted(lost), strategy("Second Bell as shipped"))
    calls = [notice.at for notice in course.told if notice.calls]
    assert len(calls) == 2
    assert len(course.came) == 2
    assert HOUR < calls[1] - course.came[0].at < HOUR + MINUTE
