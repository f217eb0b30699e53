"""Figures as a person reads them."""

from __future__ import annotations

import pytest

from monitor.study.intervals import Interval
from monitor.study.measures import BY_KEY
from monitor.study.summing import Estimate
from monitor.study.words import bounds, number, percent, span, value


@pytest.mark.parametrize(
    ("found", "shown"),
    [
        (None, "–"), (0.0, "0"), (0.001, "0"), (0.126, "0.13"), (9.994, "9.99"), (9.996, "10.0"), (12.34, "12.3"),
        (99.96, "100"), (1234.5, "1,234"), (-3.456, "−3.46"), (-0.001, "0"),
    ],
)  # fmt: skip
def test_three_digits_count(found: float | None, shown: str) -> None:
    """And never more than two after the point."""
    assert number(found) == shown


def test_what_is_not_all_is_never_said_to_be() -> None:
    """99.96 % is 99.9, not 100."""
    assert [percent(found) for found in (99.96, 100.0, 0.04, 99.0, None)] == [
        "99.9",
        "100",
        "0.0",
        "99.0",
        "–",
    ]


def test_changes_have_their_sign() -> None:
    """And their ends too."""
    assert number(0.5, signed=True) == "+0.50"
    assert span(Interval(-1, 2), signed=True) == "−1.00 to +2.00"


def test_the_exact_bound_is_marked() -> None:
    """It stands instead of an interval that says nothing."""
    sure = Estimate(value=100.0, interval=Interval(100, 100), exact=Interval(97.72, 100))
    assert (value(sure, BY_KEY["recall"]), bounds(sure, BY_KEY["recall"])) == ("100", "97.7–100*")
    assert bounds(Estimate(value=2.0, interval=Interval(1, 3)), BY_KEY["calls"]) == "1.00–3.00"
    assert bounds(Estimate(value=None), BY_KEY["calls"]) == bounds(Estimate(value=3.0), BY_KEY["worst"]) == ""
