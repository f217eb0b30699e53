"""Sums over nights: by hand, and that pairs are taken on the same nights."""

from __future__ import annotations

import pytest

from monitor.study.measures import BY_KEY, MEASURES
from monitor.study.summing import AT_ONCE, NOBODY, SHIPPED, Estimate, WorldSums, ratio, sum_up
from tests.study.made_up import STRATEGIES, chance_night, night


def world(nights: int = 12) -> WorldSums:
    """A made-up world."""
    return sum_up(
        "ward",
        {name: [chance_night("ward", name, seed) for seed in range(1, nights + 1)] for name in STRATEGIES},
    )


def one(key: str, *nights: object) -> Estimate:
    """One figure of these nights."""
    return sum_up("ward", {SHIPPED: nights}).estimates[SHIPPED][key]  # type: ignore[dict-item]


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("recall", 100 * (3 + 4) / (4 + 6 - 2)), ("accepted", 100 * 7 / 8), ("notices", 24 / 4), ("calls", 16 / 4),
        ("worst", 5), ("precision", 100 * 12 / 16), ("lost_ml", 2100 / 48), ("lost_kcal", 2000 / 48),
        ("trouble_ml", 600 / 48), ("trouble_kcal", 640 / 48), ("glucose_min", 100 * 20 / 48),
        ("battery_min", 100 * 8 / 48), ("wakings", 10 / 4), ("needless", 1 / 4), ("told_median", 1),
        ("told_p95", 4), ("accepted_median", 2), ("accepted_p95", 30),
    ],
)  # fmt: skip
def test_each_measure_by_hand(key: str, value: float) -> None:
    """Two nights whose figures are added up on paper."""
    first = night(1, reached=3, accepted=3, real=2, told_ms=(60_000, 60_000, 240_000))
    second = night(
        2, lasting=6, averted=2, notices=16, calls=10, real=10, worst=5, wakings=7, needless=1, lost_ml=1200.0,
        accepted_ms=(1_800_000,),
    )  # fmt: skip
    found = one(key, first, second)
    assert found.value == pytest.approx(value)
    assert {measure.key for measure in MEASURES} >= {key}


def test_shares_tell_how_many_of_how_many() -> None:
    """And near all or nothing the exact bound stands beside an interval that says too little."""
    found = one("recall", night(1), night(2))
    assert (found.value, found.counted, found.interval) == (100, (8, 8), (100, 100))
    assert found.exact is not None
    assert found.exact == pytest.approx((63.058, 100), abs=1e-3)  # scipy.stats.binomtest(8, 8), method exact
    some = one("recall", night(1, reached=3), night(2))
    assert some.counted == (7, 8)
    assert some.exact is not None
    assert some.interval is not None
    assert some.exact.low == pytest.approx(47.349, abs=1e-3)  # scipy.stats.binomtest(7, 8), method exact
    assert some.exact.low < some.interval.low
    half = one("recall", *(night(seed, reached=2) for seed in range(1, 11)))
    assert (half.counted, half.exact) == ((20, 40), None)


def test_what_there_is_nothing_of_has_no_value() -> None:
    """Nobody was called: no share of calls is real, and no time until somebody was told."""
    quiet = night(1, strategy=NOBODY, calls=0, real=0, reached=0, told_ms=(), lasting=0)
    for key in ("precision", "told_median", "recall"):
        assert one(key, quiet, quiet.model_copy(update={"seed": 2})) == Estimate(
            value=None, counted=(0, 0) if key != "told_median" else None
        )


def test_a_highest_value_and_a_single_night_have_no_interval() -> None:
    """As nothing is known of how it would have been."""
    found = world()
    assert found.estimates[SHIPPED]["worst"].interval is None
    alone = world(1)
    assert all(estimate.interval is None for estimate in alone.estimates[SHIPPED].values())


def test_values_lie_in_their_intervals() -> None:
    """Of all measures and strategies."""
    for estimates in world().estimates.values():
        for key, found in estimates.items():
            if found.interval is not None and found.value is not None:
                assert found.interval.low <= found.value <= found.interval.high, key


def test_pairs_are_taken_on_the_same_nights() -> None:
    """Nights differ tenfold and both strategies with them: the ratio is the same in each draw, to the last bit."""
    mine = [night(seed, trouble_ml=100.0 * seed) for seed in range(1, 11)]
    other = [night(seed, NOBODY, trouble_ml=400.0 * seed) for seed in range(1, 11)]
    found = sum_up("ward", {NOBODY: other, SHIPPED: mine})
    half = ratio(BY_KEY["trouble_ml"], mine, other, found.resamples)
    assert (half.value, half.interval) == (0.25, (0.25, 0.25))
    less = found.changes[NOBODY]["trouble_ml"]
    assert less.value == pytest.approx(3 * sum(100 * seed for seed in range(1, 11)) / 240)
    assert less.interval is not None
    assert less.interval.low > 0


def test_the_order_of_records_is_nothing() -> None:
    """They come back as processes finish."""
    seeds = [*range(1, 13)]
    forth = {name: [chance_night("ward", name, seed) for seed in seeds] for name in STRATEGIES}
    back = {name: [*reversed(records)] for name, records in forth.items()}
    assert sum_up("ward", forth).estimates == sum_up("ward", back).estimates


def test_nights_that_not_all_have_are_refused() -> None:
    """Strategies are compared on the same nights, or not at all."""
    with pytest.raises(ValueError, match="the same nights"):
        sum_up("ward", {NOBODY: [night(1, NOBODY)], SHIPPED: [night(1), night(2)]})
    with pytest.raises(ValueError, match="the same nights"):
        sum_up("ward", {AT_ONCE: []})
