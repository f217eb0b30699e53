"""Hand traces of the three patterns against two independent temporal-logic monitors: reelay and rtamt.

Both know past-time operators over dense time. reelay 25.0 runs online; of rtamt 0.4.10 only the dense *offline*
evaluation is used (its dense online mode is known to err). Times are integers and the first sample is at 0. Both close
their intervals, so that they would bridge a gap of exactly G: a formula takes G, W and Q less one tick. An event at t
is a pulse over [t, t + 1). Before 0 everything counts as always having been so: a condition begins false.
"""

from __future__ import annotations

import sys
import typing
from collections.abc import Callable, Mapping

import pytest
import reelay

sys.modules["typing.io"] = (
    typing  # where rtamt's parser looks for TextIO; Python 3.12 has no such module any more
)

import rtamt  # noqa: E402

from monitor.core.patterns import Silent  # noqa: E402
from tests.core.test_patterns import lasting_spans, recurring_changes  # noqa: E402

END = 200
Signal = list[tuple[int, bool]]
Evaluate = Callable[[str, Mapping[str, Signal]], Signal]


def condensed(samples: list[tuple[int, bool]]) -> Signal:
    """Only where the value changes; false before the first sample."""
    found: Signal = []
    for at, value in samples:
        if value != (found[-1][1] if found else False):
            found.append((at, value))
    return found


def by_reelay(formula: str, signals: Mapping[str, Signal]) -> Signal:
    """Evaluate with reelay's dense-time monitor; a signal is written {p}."""
    for name in signals:
        formula = formula.replace(f"<{name}>", f"{{{name}}}")
    monitor = reelay.dense_timed_monitor(pattern=formula)
    state = dict.fromkeys(signals, False)
    found = []
    for at in sorted({0, END, *(t for signal in signals.values() for t, _ in signal)}):
        for name, signal in signals.items():
            state[name] = dict(signal).get(at, state[name])
        found += monitor.update({"time": at, **state})
    return condensed([(int(sample["time"]), bool(sample["value"])) for sample in found])


def by_rtamt(formula: str, signals: Mapping[str, Signal]) -> Signal:
    """Evaluate with rtamt's dense-time offline specification; true is +1, false is -1."""
    specification = rtamt.StlDenseTimeOfflineSpecification()
    for name in signals:
        formula = formula.replace(f"<{name}>", f"({name} > 0)")
        specification.declare_var(name, "float")
    specification.declare_var("out", "float")
    specification.spec = f"out = {formula}"
    specification.parse()
    series = []
    for name, signal in signals.items():
        known = {0: False, **dict(signal)}
        known.setdefault(END, known[max(known)])
        series.append([name, [[at, 1 if value else -1] for at, value in sorted(known.items())]])
    return condensed([(int(at), value > 0) for at, value in specification.evaluate(*series) if at <= END])


MONITORS = [pytest.param(by_reelay, id="reelay"), pytest.param(by_rtamt, id="rtamt")]


def held(alive: Signal, ripe: Signal, extra: int) -> Signal:
    """From the first ripe instant of each stretch alive until `extra` ticks after the stretch."""
    found: Signal = []
    for index, (begin, value) in enumerate(alive):
        if value:
            end = alive[index + 1][0] if index + 1 < len(alive) else END + 1
            ripened = [at for at, now in ripe if now and begin <= at < end]
            if ripened:
                found.append((ripened[0], True))
                if end + extra <= END:
                    found.append((end + extra, False))
    return found


def lasting_by(evaluate: Evaluate, samples: Signal, hold_for: int, bridging: int) -> Signal:
    """`lasting` in past-time temporal logic."""
    alive = f"(once[0:{bridging - 1}] <p>)" if bridging else "<p>"
    signals = {"p": condensed(samples)}
    ripe = evaluate(f"(<p> and (historically[0:{hold_for}] {alive}))", signals)
    return held(evaluate(alive, signals), ripe, 1 if bridging else 0)


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


def pulses(instants: list[int]) -> Signal:
    """A signal that is true for one tick at each instant."""
    return sorted(
        dict.fromkeys(instants, True).items()
        | {t + 1: False for t in instants if t + 1 not in instants}.items()
    )


def recurring_by(evaluate: Evaluate, onsets: list[int], active: Signal, within: int, quiet: int) -> Signal:
    """Three onsets in (t - W, t]: the one before and the one before that are both among the last W - 1 ticks."""
    signals = {f"o{n}": pulses(onsets[n::3]) for n in range(3)} | {"a": condensed(active)}
    ripe = " or ".join(
        f"(<o{n}> and ((once[1:{within - 1}] <o{(n + 1) % 3}>) and (once[1:{within - 1}] <o{(n + 2) % 3}>)))"
        for n in range(3)
    )
    alive = " or ".join(["<a>", *(f"(once[0:{quiet - 1}] <o{n}>)" for n in range(3))])
    return held(evaluate(f"({alive})", signals), evaluate(f"({ripe})", signals), 0)


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
    found = evaluate("(historically[0:29] (not <m>))", {"m": pulses(messages)})
    assert ours == found
