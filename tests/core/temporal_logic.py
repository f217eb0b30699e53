"""Two independent temporal-logic monitors, reelay and rtamt, evaluating one past-time formula on many traces.

Both know dense time. reelay 25.0 runs online, and its monitors take long to make: it gets all traces as one, one after
another with a rest between them. rtamt 0.4.10 is used dense *offline* only, as its dense online mode errs. A formula
writes a signal as <p>. Both close their intervals: a formula takes G, W, Q and T of silence less one tick. reelay's
`since` is avoided, as over dense time it lets go when its right side falls, and so is [0:0], which it takes as without
bounds.
"""

from __future__ import annotations

import sys
import typing
from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from functools import cache

import reelay

sys.modules["typing.io"] = (
    typing  # where rtamt's parser looks for TextIO; Python 3.12 has no such module any more
)

import rtamt  # noqa: E402

Signal = list[tuple[int, bool]]  # where a value changes; false before the first
Signals = Mapping[str, Signal]
Evaluate = Callable[[str, Sequence[Signals], int], list[Signal]]


def condensed(samples: Sequence[tuple[int, bool]]) -> Signal:
    """Only where the value changes; false before the first sample."""
    found: Signal = []
    for at, value in samples:
        if value != (found[-1][1] if found else False):
            found.append((at, value))
    return found


def pulses(instants: Sequence[int]) -> Signal:
    """A signal that is true for one tick at each instant."""
    edges = {at + 1: False for at in instants} | dict.fromkeys(instants, True)
    return condensed(sorted(edges.items()))


def by_reelay(formula: str, traces: Sequence[Signals], end: int) -> list[Signal]:
    """Evaluate with reelay's dense-time monitor from 0 to `end`, which is longer than any bound of the formula."""
    names = sorted(traces[0])
    for name in names:
        formula = formula.replace(f"<{name}>", f"{{{name}}}")
    monitor = reelay.dense_timed_monitor(pattern=formula)
    told: list[tuple[int, bool]] = []
    for number, signals in enumerate(traces):
        start = 2 * end * number
        changes: dict[int, dict[str, bool]] = {0: {}, end + 1: dict.fromkeys(names, False)}
        for name in names:
            for at, value in signals[name]:
                if at <= end:
                    changes.setdefault(at, {})[name] = value
        state = dict.fromkeys(names, False)
        for at in sorted(changes):
            state |= changes[at]
            told += [
                (int(t["time"]), bool(t["value"])) for t in monitor.update({"time": start + at, **state})
            ]
    told += [
        (int(t["time"]), bool(t["value"])) for t in monitor.update({"time": 2 * end * len(traces), **state})
    ]
    return [_part(told, 2 * end * number, end) for number in range(len(traces))]


def _part(told: Sequence[tuple[int, bool]], start: int, end: int) -> Signal:
    """What was told of one trace, on its own time."""
    first = bisect_right(told, (start, True))
    before = told[first - 1][1] if first else False
    last = bisect_right(told, (start + end, True))
    return condensed([(0, before), *((at - start, value) for at, value in told[first:last])])


@cache
def _specification(formula: str, names: tuple[str, ...]) -> typing.Any:
    specification = rtamt.StlDenseTimeOfflineSpecification()
    for name in names:
        formula = formula.replace(f"<{name}>", f"({name} > 0)")
        specification.declare_var(name, "float")
    specification.declare_var("out", "float")
    specification.spec = f"out = {formula}"
    specification.parse()
    return specification


def by_rtamt(formula: str, traces: Sequence[Signals], end: int) -> list[Signal]:
    """Evaluate with rtamt's dense-time offline specification from 0 to `end`; true is +1, false is -1."""
    names = tuple(sorted(traces[0]))
    specification = _specification(formula, names)
    found = []
    for signals in traces:
        series = []
        for name in names:
            known = {0: False, **dict(signals[name])}
            known.setdefault(end, known[max(known)])
            series.append([name, [[at, 1 if value else -1] for at, value in sorted(known.items())]])
        told = specification.evaluate(*series)
        found.append(condensed([(int(at), value > 0) for at, value in told if at <= end]))
    return found


def latched(alive: Signal, ripe: Signal, extra: int, end: int) -> Signal:
    """`alive since ripe`, and `extra` ticks more: what reelay's `since` should tell."""
    spans: list[tuple[int, int]] = []
    for index, (begin, value) in enumerate(alive):
        until = alive[index + 1][0] if index + 1 < len(alive) else end + 1
        ripened = [at for at, now in ripe if now and begin <= at < until]
        if value and ripened:
            if spans and spans[-1][1] >= ripened[0]:
                spans[-1] = (spans[-1][0], until + extra)
            else:
                spans.append((ripened[0], until + extra))
    changes = [change for begin, until in spans for change in ((begin, True), (until, False))]
    return [(at, value) for at, value in changes if at <= end]


def once(ticks: int, formula: str) -> str:
    """Now or in the last so many ticks, both ends included."""
    return f"(once[0:{ticks}] {formula})" if ticks else formula


def lasting_formulas(hold_for: int, bridging: int, signal: str = "<p>") -> tuple[str, str, int]:
    """`lasting` in past-time temporal logic: alive, ripe, and how many ticks it goes on after being alive."""
    alive = once(bridging - 1, signal) if bridging else signal
    ripe = f"({signal} and (historically[0:{hold_for}] {alive}))" if hold_for else signal
    return alive, ripe, 1 if bridging else 0


def recurring_formulas(times: int, within: int, quiet: int) -> tuple[str, str]:
    """`recurring` in past-time temporal logic, alive and ripe; the k-th onset is a pulse of signal k modulo N."""
    onset = " or ".join(f"<o{n}>" for n in range(times))
    enough = " and ".join(once(within - 1, f"<o{n}>") for n in range(times))
    return f"(<a> or {once(quiet - 1, f'({onset})')})", f"(({onset}) and ({enough}))"


def latch(
    evaluate: Evaluate, alive: str, ripe: str, extra: int, traces: Sequence[Signals], end: int
) -> list[Signal]:
    """`alive since ripe` and `extra` ticks more on each trace: one formula for rtamt, two and a latch for reelay."""
    if evaluate is by_rtamt:
        whole = f"({alive} since {ripe})"
        return evaluate(f"(once[0:{extra}] {whole})" if extra else whole, traces, end)
    pairs = zip(evaluate(alive, traces, end), evaluate(ripe, traces, end), strict=True)
    return [latched(*pair, extra, end) for pair in pairs]
