"""Intervals, against scipy and numpy, which are others' work; and by hand."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from monitor.study.intervals import Interval, Pooled, Resamples, clopper_pearson, interval, percentile

NUMBERS = st.floats(-1e6, 1e6, allow_nan=False).map(lambda value: round(value, 3))


@pytest.mark.parametrize("nights", [8, 30])
def test_a_ratio_of_sums_is_that_of_scipy(nights: int) -> None:
    """Both ends lie within a tenth of the interval's width of scipy's, which draws others, and more of them."""
    draw = random.Random(nights)
    over, under = [draw.uniform(0, 50) for _ in range(nights)], [draw.uniform(20, 40) for _ in range(nights)]
    resamples = Resamples(nights)
    mine = interval([a / b for a, b in zip(resamples.sums(over), resamples.sums(under), strict=True)])
    theirs = stats.bootstrap(
        (over, under), lambda a, b, axis=-1: np.sum(a, axis) / np.sum(b, axis), paired=True, method="percentile",
        n_resamples=20_000, rng=np.random.default_rng(1),
    ).confidence_interval  # fmt: skip
    assert mine is not None
    assert mine == pytest.approx(tuple(theirs), abs=0.1 * (theirs.high - theirs.low))


def test_an_interval_covers_what_it_should() -> None:
    """Of 200 samples of 30 nights about 95 in 100 intervals hold the true mean: 88 to 99, as 30 are few."""
    draw, resamples = random.Random(5), Resamples(30, 400)
    held = 0
    for _ in range(200):
        mine = interval([total / 30 for total in resamples.sums([draw.gauss(10, 3) for _ in range(30)])])
        assert mine is not None
        held += mine.low <= 10 <= mine.high
    assert 176 <= held <= 198


def test_each_draw_is_of_so_many_nights_and_the_same_again() -> None:
    """As many nights as there are, whatever else is drawn; another process draws the same."""
    resamples = Resamples(12)
    assert {sum(drawn) for drawn in resamples.weights} == {12}
    assert resamples.weights == Resamples(12).weights
    assert len(set(resamples.weights)) > 1900


@given(st.lists(st.lists(st.integers(0, 40), max_size=6), min_size=1, max_size=6), st.data())
def test_a_quantile_of_drawn_nights_is_that_of_numpy(nights: list[list[int]], data: st.DataObject) -> None:
    """Of the values repeated as often as their night is drawn, by the inverse of the distribution."""
    drawn = data.draw(st.lists(st.integers(0, 3), min_size=len(nights), max_size=len(nights)))
    at = data.draw(st.sampled_from([0.05, 0.25, 0.5, 0.9, 0.95]))
    sample = [value for one, often in zip(nights, drawn, strict=True) for value in one * often]
    found = Pooled(nights).quantile(at, drawn)
    assert found == (float(np.quantile(sample, at, method="inverted_cdf")) if sample else None)


@given(st.lists(NUMBERS, min_size=1, max_size=50), st.floats(0, 1))
def test_a_percentile_is_that_of_numpy(values: list[float], share: float) -> None:
    """In proportion between two values."""
    assert percentile(sorted(values), share) == pytest.approx(float(np.quantile(values, share)), abs=1e-6)


@pytest.mark.parametrize("of", [1, 7, 40, 413])
def test_the_bound_near_all_and_nothing_is_that_of_scipy(of: int) -> None:
    """Clopper and Pearson's, two-sided; a share further in between has none of it."""
    for number in {0, 1, 9, of // 2, of - 9, of - 1, of} & set(range(of + 1)):
        theirs = stats.binomtest(number, of).proportion_ci(method="exact")
        found = clopper_pearson(number, of)
        if 10 <= number <= of - 10:
            assert found is None
        else:
            assert found == pytest.approx((theirs.low, theirs.high), abs=1e-9)
    assert clopper_pearson(0, 0) is None


def test_what_has_no_value_has_no_interval() -> None:
    """Few draws without a value are left out; more than a twentieth, and nothing is said."""
    assert interval([None] * 100) is None
    assert interval([]) is None
    assert interval([None, *[1.0] * 99]) == Interval(1.0, 1.0)
    assert interval([*[None] * 6, *[1.0] * 94]) is None
    assert Resamples(1).weights == [], "one night says nothing of how nights differ"
