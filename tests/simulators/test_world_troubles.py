"""Each kind of trouble of a study world: when somebody is needed, how it ends, and what it costs the person."""

from __future__ import annotations

import pytest

from simulators import Trouble
from simulators.instants import HOUR, MINUTE
from simulators.planned_bed import PlannedBed
from simulators.reckoning import needed, overlap
from simulators.truth import TO_KNOW
from tests.simulators.quiet import feeding_at, of, quiet, shows


def given_ml(bed: PlannedBed, at: int) -> float:
    """Return what has reached the person."""
    balance = bed.balance(at)
    assert balance is not None
    return balance.given_ml


@pytest.mark.parametrize("name", ["ward", "homes"])
def test_where_nothing_happens_all_feed_is_given(name: str) -> None:
    """No trouble, and as much given as was due but for what a late beginning costs."""
    world = quiet(name, bedside__start_late_median_min=0.01)
    world.advance(world.end_ms)
    assert [one.kind for one in world.truth() if one.kind != "container-empty"] == []
    for balance in world.balances():
        # Flushes and container changes cost minutes; feeds under way at noon were up to 3 % behind.
        assert balance.given_ml > 0.9 * balance.due_ml - 10


def test_a_charger_that_only_shows_mains() -> None:
    """Needed from the first; the battery falls though mains is shown; a nurse ends it."""
    world = quiet("ward")
    bed = feeding_at(world, world.start_ms + HOUR)
    bed.fail_charger(world.now)
    world.advance(world.now + 2 * HOUR)
    if bed.pump.activity == "feeding":
        reading = bed.pump.reading(world.now)
        assert (reading.mains, reading.battery_percent < 100) == (True, True)
    world.attend(bed.plan.id, world.now)
    (trouble,) = of(world, "charger-fault")
    assert (trouble.began, trouble.needed_from) == (world.start_ms + HOUR, world.start_ms + HOUR)
    assert (trouble.ended, trouble.how) == (world.start_ms + 3 * HOUR, "mended-by-nurse")


def test_a_rate_set_too_high_is_seen_by_a_nurse() -> None:
    """It runs above the highest allowed rate until somebody sets it right."""
    world = quiet("homes", causes__rate_wrong=1, bedside__plug_seen_h=1000)
    bed = feeding_at(world, world.start_ms + 11 * HOUR)
    assert bed.pump.rate_ml_h > (bed.plan.highest_rate_ml_h or 0)
    world.attend(bed.plan.id, world.now)
    world.advance(world.now + MINUTE)
    assert bed.pump.rate_ml_h == bed.plan.rate_ml_h
    assert {one.how for one in of(world, "rate-too-high") if one.device == bed.plan.id} == {"mended-by-nurse"}


def test_behind_its_plan() -> None:
    """Held for three hours: behind from the moment that 100 mL, or a tenth of the target, are missing."""
    world = quiet("ward")
    begin = world.start_ms + HOUR
    bed = feeding_at(world, begin)
    plan = bed.plan
    given_ml(bed, begin)  # brings the account up to now
    before = bed.reckoning._schedule.asked_ml(0, HOUR) - bed.reckoning._today
    bed.hold_for(begin, 3 * HOUR, announced=False, forgets_restart=False)
    (trouble,) = [one for one in of(world, "behind-plan") if one.device == plan.id][:1]
    missing = min(100.0, 0.1 * (plan.target_ml or 0.0)) - before
    assert trouble.needed_from == pytest.approx(begin + missing / plan.rate_ml_h * HOUR, abs=2_000)


def test_who_was_told_that_it_is_behind_is_needed_again_only_if_it_grows() -> None:
    """A nurse who has come ends it; another 100 mL make another trouble."""
    world = quiet("ward")
    begin = world.start_ms + HOUR
    bed = feeding_at(world, begin)
    bed.hold_for(begin, 5 * HOUR, announced=False, forgets_restart=False)
    world.advance(begin + 150 * MINUTE)
    world.attend(bed.plan.id, world.now)
    mine = [one for one in of(world, "behind-plan") if one.device == bed.plan.id]
    assert (mine[0].ended, mine[0].how) == (begin + 150 * MINUTE, "mended-by-nurse")
    step = min(100.0, 0.1 * (bed.plan.target_ml or 0.0)) / bed.plan.rate_ml_h * HOUR
    assert all(one.needed_from - (begin + 150 * MINUTE) >= 0.99 * step for one in mine[1:])


def test_a_slipped_tube_is_in_no_trouble_and_in_the_balance() -> None:
    """The pump shows nothing and feeds on; nothing reaches the person until somebody sees it and holds the feed."""
    world = quiet("ward")
    begin = world.start_ms + HOUR
    bed = feeding_at(world, begin)
    given = given_ml(bed, begin)
    bed.slip(begin, HOUR, HOUR)
    world.advance(begin + 59 * MINUTE)
    assert shows(bed) == "feeding"
    # The world settles the bed at its next event only, which is under a minute away.
    assert given_ml(bed, world.now) == pytest.approx(given, abs=2)
    world.advance(begin + 90 * MINUTE)
    assert shows(bed) == "held"
    world.advance(begin + 3 * HOUR)
    assert given_ml(bed, world.now) > given
    assert {one.kind for one in world.truth() if one.device == bed.plan.id} <= TO_KNOW


def test_only_a_long_gap_of_the_radio_needs_somebody() -> None:
    """Five minutes do not; forty do, from the fifteenth on, with feed due."""
    world = quiet("homes")
    bed = feeding_at(world, world.start_ms + 11 * HOUR)
    bed.lose_sight(world.now, 5 * MINUTE)
    world.advance(world.now + 10 * MINUTE)
    began = world.now
    bed.lose_sight(began, 40 * MINUTE)
    (trouble,) = of(world, "out-of-sight")
    assert (trouble.began, trouble.needed_from) == (began, began + 15 * MINUTE)
    assert (trouble.ended, trouble.how) == (began + 40 * MINUTE, "came-back")


def test_a_power_cut_is_ridden_out_by_battery() -> None:
    """Unseen and on battery; when power is back it is on mains again, and nobody was needed for the battery."""
    world = quiet("homes")
    bed = feeding_at(world, world.start_ms + 10 * HOUR)
    bed.cut_power(world.now, 30 * MINUTE)
    world.advance(world.now + 10 * MINUTE)
    assert (bed.pump.mains, bed.in_sight) == (False, False)
    world.advance(world.now + 25 * MINUTE)
    assert (bed.pump.mains, bed.in_sight) == (True, True)
    assert of(world, "unplugged") == []


def test_a_worn_battery_off_its_socket_runs_flat() -> None:
    """Needed from the pump's own low alarm on, when nobody hears it; its minutes are counted as flat."""
    world = quiet(
        "homes",
        3,
        pumps__worn=1,
        causes__starts_unplugged=1,
        bedside__plug_seen_h=1000,
        bedside__sleeps_through=1,
    )
    found = of(world, "unplugged")
    assert found
    assert all(one.needed_from > one.began for one in found)
    assert sum(one.dead_battery_ms for one in world.balances()) > HOUR


def test_a_stop_at_glucose_risk_counts_from_when_somebody_was_needed() -> None:
    """Only for those at risk, and no longer than they were stopped."""
    world = quiet(
        "homes", 2, pumps__glucose_risk=0.5, causes__alarms_per_hour=0.2, bedside__sleeps_through=0.8
    )
    world.advance(world.end_ms)
    at_risk = {bed.plan.id for bed in world.beds.values() if bed.plan.glucose_risk}
    stopped = [one for one in world.balances() if one.glucose_stopped_ms]
    assert stopped
    assert {one.device for one in stopped} <= at_risk
    assert all(one.glucose_stopped_ms <= one.stopped_ms for one in world.balances())


def test_times_that_overlap_count_once() -> None:
    """Two troubles at one time are one time in which somebody was needed."""
    troubles = [
        Trouble(device="a", kind="unplugged", began=0, needed_from=begin, ended=end, how="came-back")
        for begin, end in ((10, 20), (15, 30), (40, None))
    ]
    assert needed(troubles, 50) == [(10, 30), (40, 50)]
    assert overlap([(0, 12), (25, 45)], needed(troubles, 50)) == 2 + 5 + 5
