"""What somebody has to know of and can only watch over: when each kind of it begins, and when it ends.

That it is no trouble, and that calls about it are counted apart, is held in `tests/study/test_judging.py`.
"""

from __future__ import annotations

from functools import partial

import pytest

from simulators import Trouble, World
from simulators.instants import HOUR, MINUTE
from simulators.planned_bed import PlannedBed
from simulators.truth import TO_KNOW, Kind
from tests.simulators.quiet import do, feeding_at, of, quiet


def mine(world: World, bed: PlannedBed, kind: Kind) -> list[Trouble]:
    """Return what there was to know of one bed, the world played to its end."""
    return [one for one in of(world, kind) if one.device == bed.plan.id]


def needed_ms(bed: PlannedBed, at: int) -> int:
    """Return how long somebody was needed while the feed stood still."""
    balance = bed.balance(at)
    assert balance is not None
    return balance.needed_ms


def test_there_are_three_kinds() -> None:
    """A fourth would want its tests here."""
    assert {"behind-plan", "tube-out", "unfed-at-risk"} == TO_KNOW


def test_behind_its_plan_until_the_window_is_over() -> None:
    """Held for most of the night it stays behind; with the window nothing of it is due any more."""
    world = quiet("homes")
    begin = world.start_ms + 11 * HOUR
    bed = feeding_at(world, begin)
    bed.hold_for(begin, 6 * HOUR, announced=False, forgets_restart=False)
    (known,) = mine(world, bed, "behind-plan")
    (window,) = [span for span in bed.windows if span.begin <= 11 * HOUR < span.end]
    assert known.began == known.needed_from
    assert begin < known.needed_from < begin + 4 * HOUR
    assert known.ended == world.start_ms + window.end
    assert needed_ms(bed, world.now) == 0


def test_a_tube_is_out_from_when_it_is_seen_until_it_is_back() -> None:
    """An hour unseen; then two hours until there is another."""
    world = quiet("ward")
    begin = world.start_ms + HOUR
    bed = feeding_at(world, begin)
    bed.slip(begin, HOUR, 2 * HOUR)
    (known,) = mine(world, bed, "tube-out")
    assert known.began == known.needed_from == begin + HOUR
    assert (known.ended, known.how) == (begin + 3 * HOUR, "mended-at-bedside")
    assert needed_ms(bed, world.now) == 0


def test_a_nurse_who_comes_for_another_reason_sees_that_the_tube_is_out() -> None:
    """From when she is there the feed is held, and it is to be known."""
    world = quiet("ward")
    begin = world.start_ms + HOUR
    bed = feeding_at(world, begin)
    bed.slip(begin, HOUR, 2 * HOUR)
    world.attend(bed.plan.id, begin + 20 * MINUTE)
    (known,) = mine(world, bed, "tube-out")
    assert (known.needed_from, known.ended) == (begin + 20 * MINUTE, begin + 20 * MINUTE + 2 * HOUR)


@pytest.mark.parametrize(("minutes", "at_risk"), [(50, 1), (30, 1), (50, 0)])
def test_at_glucose_risk_a_rest_is_watched_over_from_its_thirtieth_minute_on(
    minutes: int, at_risk: int
) -> None:
    """Held on purpose or not, but only then, only at risk, and until the feed goes on."""
    world = quiet("ward", pumps__glucose_risk=at_risk, pumps__flush_every_h=1_000)
    begin = world.start_ms + HOUR
    bed = feeding_at(world, begin)
    do(world, begin, partial(bed.hold_for, ms=minutes * MINUTE, announced=True, forgets_restart=False))
    known = mine(world, bed, "unfed-at-risk")
    if (minutes, at_risk) != (50, 1):
        assert known == []
        return
    (one,) = known
    assert (one.began, one.needed_from) == (begin, begin + 30 * MINUTE)
    assert (one.ended, one.how) == (begin + 50 * MINUTE, "came-back")
    balance = bed.balance(world.now)
    assert balance is not None
    assert (balance.glucose_stopped_ms, balance.needed_ms) == (0, 0)
