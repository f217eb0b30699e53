"""When exactly somebody is needed, what that costs the person, and what whoever comes is told about the feed."""

from __future__ import annotations

from functools import partial

import pytest

from simulators import Published, World, worlds
from simulators.carer import Course
from simulators.hardware import Hardware
from simulators.instants import HOUR, MINUTE
from simulators.planned_bed import PlannedBed
from simulators.reckoning import Balance
from tests.simulators.quiet import do, feeding_at, of, quiet, shows


def balance(bed: PlannedBed, at: int) -> Balance:
    """Return the account of a person."""
    found = bed.balance(at)
    assert found is not None
    return found


def blocked(course: Course) -> tuple[World, PlannedBed, int]:
    """Return a ward in which a line blocks and the bedside does so about it, the bed, and the alarm's onset."""
    world = quiet("ward", pumps__flush_every_h=1_000, pumps__container_ml=9_000, bedside__round_h=24)
    bed = feeding_at(world, world.start_ms + HOUR)
    bed.block(world.now, "downstream", [course])
    while not bed.pump.alarms:
        due = world.next_at()
        assert due is not None
        world.advance(due)
    return world, bed, bed.pump.alarms[0].since


def test_what_was_not_given_while_somebody_was_needed() -> None:
    """Stopped by an occlusion that nobody hears, a nurse there after 90 min: one and a half hours of its rate."""
    world, bed, onset = blocked(Course())
    world.attend(bed.plan.id, onset + 90 * MINUTE)
    world.advance(onset + 3 * HOUR)
    account = balance(bed, world.now)
    assert account.needed_ms == 90 * MINUTE
    assert account.needed_ml == pytest.approx(1.5 * bed.plan.rate_ml_h)
    # Her hands take 40 s after that, in which nobody else is needed.
    assert (account.stopped_ms, account.held_ms) == (90 * MINUTE, 40_000)


def test_what_is_fed_while_somebody_is_needed_is_not_missing() -> None:
    """A charger that only shows mains needs somebody for two hours, in which the battery feeds on."""
    world = quiet("ward", pumps__flush_every_h=1_000, pumps__container_ml=9_000, pumps__worn=0)
    bed = feeding_at(world, world.start_ms + HOUR)
    bed.fail_charger(world.now)
    world.attend(bed.plan.id, world.now + 2 * HOUR)
    (trouble,) = of(world, "charger-fault")
    assert trouble.ended is not None
    assert trouble.ended - trouble.needed_from == 2 * HOUR
    assert (balance(bed, world.now).needed_ms, balance(bed, world.now).needed_ml) == (0, 0)


def test_what_is_held_on_purpose_is_missing_and_nobody_is_needed() -> None:
    """Three hours: two of them count as held, none as needed."""
    world = quiet("ward", pumps__flush_every_h=1_000, pumps__container_ml=9_000)
    bed = feeding_at(world, world.start_ms + HOUR)
    do(world, world.now, partial(bed.hold_for, ms=2 * HOUR, announced=False, forgets_restart=False))
    world.advance(world.now + 3 * HOUR)
    account = balance(bed, world.now)
    assert (account.held_ms, account.needed_ms, account.needed_ml) == (2 * HOUR, 0, 0)


@pytest.mark.parametrize(("muted_min", "needed_min"), [(None, 0), (3, 3), (4, 4), (5, 0)])
def test_a_mute_that_comes_too_late_is_no_answer(muted_min: int | None, needed_min: int) -> None:
    """What is only ever muted needs somebody from then on; after more than 4 min, or never, from its onset on."""
    mutes = () if muted_min is None else (muted_min * MINUTE,)
    world, bed, onset = blocked(Course(mutes=mutes))
    world.attend(bed.plan.id, onset + HOUR)
    (trouble,) = [one for one in of(world, "line-blocked") if one.device == bed.plan.id]
    assert trouble.needed_from == onset + needed_min * MINUTE


def test_a_line_left_unmended_needs_nobody_until_it_blocks_again() -> None:
    """Flushed open within a minute it feeds for 20 min; blocked again, somebody is needed until it is cleared."""
    world, bed, onset = blocked(Course(clear_after=MINUTE, again_after=20 * MINUTE))
    world.advance(onset + 20 * MINUTE)
    assert shows(bed) == "feeding"
    assert not [one for one in world.truth() if one.kind == "line-blocked"]
    world.attend(bed.plan.id, onset + 40 * MINUTE)
    (trouble,) = [one for one in of(world, "line-blocked") if one.device == bed.plan.id]
    assert trouble.began == trouble.needed_from == onset + 21 * MINUTE
    assert trouble.ended is not None
    # Until the second alarm is answered, or she is there.
    assert onset + 21 * MINUTE < trouble.ended <= onset + 40 * MINUTE


# ---- what is announced, and what somebody at the bed would say ------------------------------------------------------


@pytest.mark.parametrize(("minutes", "share"), [(9.9, 0.0), (10, 0.5), (44.9, 0.5), (45, 0.95), (300, 0.95)])
def test_how_likely_a_hold_is_announced(minutes: float, share: float) -> None:
    """Short ones never, those of 10 min and more half of the time, planned ones of 45 min and more nearly always."""
    figures = worlds.load("ward").scenario(1).figures
    assert figures is not None
    assert figures.deliberate.announced_of(round(minutes * MINUTE)) == share


@pytest.mark.parametrize(
    ("hold_min", "long", "said"), [(60, 1, True), (60, 0, False), (30, 1, False), (30, 0, True)]
)
def test_long_holds_are_announced_by_a_figure_of_their_own(hold_min: int, long: int, said: bool) -> None:
    """A day of procedures of one length, of which only the long, or only the others, are announced."""
    world = quiet(
        "ward",
        deliberate__procedures_per_day=3,
        deliberate__procedure_median_min=hold_min,
        deliberate__procedure_sigma=0,
        deliberate__announced_long=long,
        deliberate__announced=1 - long,
    )
    out = world.advance(world.end_ms)
    holds = [one for one in out if isinstance(one, Published) and b'"hold"' in one.payload]
    assert bool(holds) is said


def test_a_feed_held_until_a_time_is_not_over() -> None:
    """Somebody at the bed would say until when."""
    world = quiet("ward")
    bed = feeding_at(world, world.start_ms + HOUR)
    device = bed.plan.id
    assert (world.held_until(device), world.over_for_now(device)) == (None, False)
    bed.hold_for(world.now, HOUR, announced=False, forgets_restart=False)
    assert (world.held_until(device), world.over_for_now(device)) == (world.now + HOUR, False)
    world.advance(world.now + 61 * MINUTE)
    assert (world.held_until(device), world.over_for_now(device)) == (None, False)


def test_with_the_tube_out_the_feed_is_over_for_now() -> None:
    """From when it is seen until it is back; before, nobody would say so, as nobody knows."""
    world = quiet("ward")
    begin = world.start_ms + HOUR
    bed = feeding_at(world, begin)
    bed.slip(begin, HOUR, 2 * HOUR)
    found = []
    for minutes in (30, 61, 179, 182):
        world.advance(begin + minutes * MINUTE)
        found.append(world.over_for_now(bed.plan.id))
    assert found == [False, True, True, False]


def test_where_another_pump_feeds_the_feed_is_over_for_now() -> None:
    """It is the spare that feeds; the one that was swapped has nothing to give."""
    world = quiet("ward")
    bed = feeding_at(world, world.start_ms + HOUR)
    spare = next(one for one in world.beds.values() if isinstance(one, PlannedBed) and not one.windows)
    bed.swap(world.now, spare, announced=False)
    assert [world.over_for_now(one.plan.id) for one in (bed, spare)] == [True, False]


def test_a_feed_that_is_closed_is_over_for_now() -> None:
    """Between two windows, and in the cupboard."""
    world = quiet("homes")
    world.advance(world.start_ms + HOUR)
    closed = [bed for bed in world.beds.values() if not bed.feed_open]
    assert len(closed) > 20
    assert all(world.over_for_now(bed.plan.id) for bed in closed)


def test_what_a_spare_pump_did_not_give_is_missing_after_its_feed_too() -> None:
    """A line that is blocked for an hour at the spare is her hour, also once her feed is closed."""
    world = quiet("ward", pumps__flush_every_h=1_000, pumps__container_ml=9_000, bedside__round_h=24)
    bed = feeding_at(world, world.start_ms + HOUR)
    spare = next(one for one in world.beds.values() if isinstance(one, PlannedBed) and not one.windows)
    do(world, world.now, partial(bed.swap, spare=spare, announced=False))
    do(world, world.now, lambda at: spare.block(at, "downstream", [Course()]))
    while not spare.pump.alarms:
        due = world.next_at()
        assert due is not None
        world.advance(due)
    onset = spare.pump.alarms[0].since
    world.attend(spare.plan.id, onset + HOUR)
    world.advance(onset + 2 * HOUR)
    assert balance(bed, world.now).needed_ms == HOUR
    do(world, world.now, bed.close_feed)
    world.advance(world.now + HOUR)
    assert balance(bed, world.now).needed_ms == HOUR


# ---- a plug that was forgotten --------------------------------------------------------------------------------------


def unplugged(worn: int) -> tuple[World, PlannedBed, int, float]:
    """Return a bed whose plug was forgotten and that nobody looks at, since when, and how long its battery lasts."""
    world = quiet(
        "ward",
        pumps__worn=worn,
        pumps__container_ml=9_000,
        pumps__flush_every_h=1_000,
        bedside__mutes_only=1,
        bedside__round_h=24,
    )
    begin = world.start_ms + HOUR
    world.advance(begin)
    bed = next(one for one in world.beds.values() if isinstance(one, PlannedBed) and for_hours(one, begin))
    do(world, begin, partial(bed.take_off, ms=MINUTE, forgets=True, seen_ms=20 * HOUR))
    hardware, pump = Hardware(), bed.pump
    load_ma = hardware.electronics_ma + hardware.motor_ma + hardware.motor_ma_per_ml_h * pump.rate_ml_h
    return world, bed, begin, pump.battery.capacity_mah / load_ma


def for_hours(bed: PlannedBed, at: int) -> bool:
    """Say whether a bed feeds on mains and will for nine hours on end."""
    pump = bed.pump
    left_ml = min((pump.target_ml or 0.0) - pump.delivered_ml(at), pump.container_ml(at))
    return pump.activity == "feeding" and pump.mains and left_ml > 9 * pump.rate_ml_h


def test_a_forgotten_plug_needs_somebody_half_an_hour_before_the_battery_is_empty() -> None:
    """One that is worn: before its own alarm, which comes at 15 %; until somebody puts it back."""
    world, bed, begin, hours = unplugged(worn=1)
    assert 1 < hours < 3.3
    flat = begin + round(hours * HOUR)
    world.attend(bed.plan.id, flat - 25 * MINUTE)
    (trouble,) = [one for one in of(world, "unplugged") if one.device == bed.plan.id]
    assert trouble.began == begin
    assert trouble.needed_from == pytest.approx(flat - 30 * MINUTE, abs=2)
    assert (trouble.ended, trouble.how) == (flat - 25 * MINUTE, "mended-by-nurse")


def test_a_plug_that_is_put_back_in_time_needed_nobody() -> None:
    """Half of the charge is enough."""
    world, bed, begin, hours = unplugged(worn=0)
    world.attend(bed.plan.id, begin + round(hours * HOUR / 2))
    assert not [one for one in of(world, "unplugged") if one.device == bed.plan.id]
