"""Hand traces of the three patterns against two independent temporal-logic monitors: reelay and rtamt.

Times are integers and the first sample is at 0. An event at t is a pulse over [t, t + 1). Before 0 everything counts as
always having been so: a condition begins false.
"""

from __future__ import annotations

import pytest

from monitor.core.patterns import Silent
from tests.core.temporal_logic import (
    Evaluate,
    Signal,
    by_reelay,
    by_rtamt,
    condensed,
    lasting_formulas,
    latch,
    pulses,
    recurring_formulas,
)
from tests.core.test_patterns import lasting_spans, recurring_changes

END = 200

MONITORS = [pytest.param(by_reelay, id="reelay"), pytest.param(by_rtamt, id="rtamt")]


def lasting_by(evaluate: Evaluate, samples: Signal, hold_for: int, bridging: int) -> Signal:
    """`lasting` in past-time temporal logic."""
    formulas = lasting_formulas(hold_for, bridging)
    return latch(evaluate, *formulas, [{"p": condensed(samples)}], END)[0]


LASTING = [
    [(0, False), (5, True), (45, False)],  # until exactly start + T
    [(0, False), (5, True), (46, False)],
    [(0, False), (5, True), (25, False), (34, True), (95, False)],  # a gap of G less a tick
    [(0, False), (5, True), (25, False), (35, True), (95, False)],  # a gap of exactly G
    [(0, False), (5, True), (40, False), (49, True), (95, False)],  # start + T lies in a gap
    [(0, False), (5, True), (65, False), (74, True), (95, False), (105, True), (155, False)],
    [(0, False), (5, True), (65, False), (75, True), (95, False), (104, True), (110, False), (112, True)],
]


@pytest.mark.parametrize("evaluate", MONITORS)
@pytest.mark.parametrize("samples", LASTING)
@pytest.mark.parametrize("bridging", [0, 10])
def test_lasting(evaluate: Evaluate, samples: Signal, bridging: int) -> None:
    """Begins and ends of runs with and without bridging."""
    assert lasting_spans(samples, 40, bridging, END) == lasting_by(evaluate, samples, 40, bridging)


@pytest.mark.parametrize("evaluate", MONITORS)
def test_a_lasting_that_bridges_one_tick_more_is_found(evaluate: Evaluate) -> None:
    """The comparison can fail: on a gap of exactly G, a G one tick longer tells something else."""
    ours = lasting_spans(LASTING[3], 40, 10, END)
    assert ours == lasting_by(evaluate, LASTING[3], 40, 10)
    assert ours != lasting_by(evaluate, LASTING[3], 40, 11)


def recurring_by(evaluate: Evaluate, onsets: list[int], active: Signal, within: int, quiet: int) -> Signal:
    """Three onsets in (t - W, t]."""
    signals = {f"o{n}": pulses(onsets[n::3]) for n in range(3)} | {"a": condensed(active)}
    return latch(evaluate, *recurring_formulas(3, within, quiet), 0, [signals], END)[0]


@pytest.mark.parametrize("evaluate", MONITORS)
@pytest.mark.parametrize(
    "onsets",
    [
        [2, 32, 61],  # the first lies W less a tick ago
        [2, 32, 62],  # exactly W ago
        [2, 10, 20, 50],  # at exactly last + Q
        [2, 10, 20, 51],  # a tick later: ended, and begun again with what is not forgotten
        [2, 10, 20, 79, 80, 90],
        [2, 70, 140],
    ],
)
def test_recurring(evaluate: Evaluate, onsets: list[int]) -> None:
    """Three onsets within 60, quiet 30, each clear five ticks later."""
    steps = sorted(
        [(t, 1, True) for t in onsets] + [(t + 5, 0, False) for t in onsets if t + 5 not in onsets]
    )
    active = [(at, shown) for at, _, shown in steps]
    assert recurring_changes(steps, 3, 60, 30, END) == recurring_by(evaluate, onsets, active, 60, 30)


@pytest.mark.parametrize("evaluate", MONITORS)
def test_recurring_does_not_end_while_active(evaluate: Evaluate) -> None:
    """The last onset stays for longer than the quiet time."""
    steps = [(2, 1, True), (4, 0, False), (10, 1, True), (12, 0, False), (20, 1, True), (95, 0, False)]
    active = [(at, shown) for at, _, shown in steps]
    expected = [(20, True), (95, False)]
    assert recurring_changes(steps, 3, 60, 30, END) == expected
    assert recurring_by(evaluate, [2, 10, 20], active, 60, 30) == expected


@pytest.mark.parametrize("evaluate", MONITORS)
@pytest.mark.parametrize("messages", [[0], [0, 29], [0, 30], [0, 31], [0, 30, 60, 100]])
def test_silent(evaluate: Evaluate, messages: list[int]) -> None:
    """No message for 30: in (t - T, t] lies none."""
    memory = Silent()
    ours: Signal = []
    for at in [*messages, END]:
        due = memory.due(30)
        if due is not None and due < at:
            memory.advance(due, 30)
            ours.append((due, True))
        if at != END:
            if memory.holds:
                ours.append((at, False))
            memory.update(at)
    found = evaluate("(historically[0:29] (not <m>))", [{"m": pulses(messages)}], END)[0]
    assert ours == found
