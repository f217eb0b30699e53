"""How long until acceptance: against lifelines, and by hand."""

from __future__ import annotations

import lifelines  # an independent implementation of the estimate
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.reports.survival import acceptance, kaplan_meier

DURATIONS = st.lists(st.tuples(st.integers(1, 40), st.booleans()), min_size=1, max_size=60)


@given(DURATIONS)
def test_the_estimate_is_that_of_lifelines(durations: list[tuple[int, bool]]) -> None:
    """Each step and the median are what lifelines says, ties and censored ones among them."""
    fitter = lifelines.KaplanMeierFitter().fit([d for d, _ in durations], [ok for _, ok in durations])
    for step in kaplan_meier(durations):
        assert step.waiting == pytest.approx(float(fitter.predict(step.after)))
    found = acceptance(durations)
    curve = fitter.survival_function_["KM_estimate"]
    below = curve.index[
        curve <= 0.5 + 1e-9
    ]  # its own median misses a curve that is at one half but for the last bit
    assert found.median == (below[0] if len(below) else None)


def test_one_by_hand() -> None:
    """Accepted after 1 and 3 min of four, one ended by itself after 2, one still open after 4 (worked by hand)."""
    steps = kaplan_meier([(1, True), (2, False), (3, True), (4, False)])
    assert [step.after for step in steps] == [1, 3]
    assert [step.waiting for step in steps] == pytest.approx([0.75, 0.375])
    found = acceptance([(1, True), (2, False), (3, True), (4, False)])
    assert (found.number, found.accepted, found.quarter, found.median, found.three_quarters) == (
        4,
        2,
        1,
        3,
        None,
    )


def test_leaving_out_what_nobody_accepted_would_look_quicker() -> None:
    """The open ones count: of three, two of which nobody has accepted for an hour, there is no median."""
    assert acceptance([(60, True), (3600, False), (3600, False)]).median is None


def test_nothing_told_has_no_times() -> None:
    """Of no notices at all there is nothing to say, and below no time there is no duration."""
    assert acceptance([]) == (0, 0, None, None, None)
    with pytest.raises(ValueError, match="-1"):
        kaplan_meier([(-1, True)])
