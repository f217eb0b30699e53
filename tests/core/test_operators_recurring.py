"""`recurring` against a pandas rolling sum, rtamt and reelay on random traces biased to exact ties; and its mutants."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from random import Random

import pandas
import pytest

from monitor.core.patterns import Recurring
from tests.core.driven import Step, instants, recurring_told
from tests.core.mutants_recurring import MUTANTS
from tests.core.temporal_logic import (
    Signal,
    by_reelay,
    by_rtamt,
    condensed,
    latch,
    pulses,
    recurring_formulas,
)

Limits = tuple[int, int, int]  # N, W and Q
Tell = Callable[[Sequence[Sequence[Step]], Limits, int], list[Signal]]

# Small ones that tie all the time, with W below and above Q, and those of shipped rules.
LIMITS = [
    (1, 1, 1), (1, 3, 2), (2, 3, 5), (2, 6, 3), (2, 15, 2), (3, 10, 4), (3, 4, 10), (4, 12, 6), (3, 60_000, 300_000),
    (3, 3_600_000, 1_800_000),
]  # fmt: skip
FEW, MANY = 40, 1_000  # traces for each


def trace(rng: Random, limits: Limits) -> list[Step]:
    """Snapshots with no onset, one, or several at once; some show it active again without an onset."""
    _, within, quiet = limits
    shares = (within, within // 2, quiet, quiet, 1, 2)
    steps = []
    for at in instants(rng, shares, 18):
        new = rng.choice((0, 0, 0, 1, 1, 1, 2, 3))
        steps.append((at, new, new > 0 or rng.random() < 0.4))
    return steps


@cache
def traces(limits: Limits, count: int) -> tuple[list[list[Step]], int]:
    """Random traces, always the same ones, and an end at which nothing is left to wait for."""
    rng = Random(f"recurring {limits}")
    found = [trace(rng, limits) for _ in range(count)]
    return found, max(steps[-1][0] for steps in found) + 2 * (max(limits) + 2)


def by_pandas(found: Sequence[Sequence[Step]], limits: Limits, end: int) -> list[Signal]:
    """Rolling sums over (t - W, t] and (t - Q, t], and what begins stays until what ends."""
    times, within, quiet = limits
    told = []
    for steps in found:
        looks = sorted({at for at, _, _ in steps} | {at + quiet for at, _, _ in steps})
        index = pandas.to_datetime(pandas.Index(looks), unit="ms")
        new = pandas.Series(
            [sum(n for at, n, _ in steps if at == look) for look in looks], index, dtype=float
        )
        shown = pandas.Series(
            [[active for at, _, active in steps if at <= look][-1] for look in looks], index, dtype=bool
        )
        within_w = new.rolling(pandas.Timedelta(within, "ms"), closed="right").sum()
        within_q = new.rolling(pandas.Timedelta(quiet, "ms"), closed="right").sum()
        state = pandas.Series(float("nan"), index)
        state[(new > 0) & (within_w >= times)] = 1.0
        state[~shown & (within_q == 0)] = 0.0
        holds = state.ffill().fillna(0.0) == 1.0
        told.append(
            condensed([(at, bool(value)) for at, value in zip(looks, holds, strict=True) if at <= end])
        )
    return told


def _formal(evaluate: Callable[..., list[Signal]]) -> Tell:
    def tell(found: Sequence[Sequence[Step]], limits: Limits, end: int) -> list[Signal]:
        signals = []
        for steps in found:
            onsets = [at for at, new, _ in steps for _ in range(new)]
            shown = condensed([(at, active) for at, _, active in steps])
            signals.append({f"o{n}": pulses(onsets[n :: limits[0]]) for n in range(limits[0])} | {"a": shown})
        return latch(evaluate, *recurring_formulas(*limits), 0, signals, end)

    return tell


TELL: dict[str, Tell] = {"pandas": by_pandas, "rtamt": _formal(by_rtamt), "reelay": _formal(by_reelay)}


@cache
def expected(by: str, limits: Limits, count: int) -> list[Signal]:
    """What a monitor tells of each trace."""
    found, end = traces(limits, count)
    return TELL[by](found, limits, end)


def differing(kind: type[Recurring], by: str, count: int = FEW) -> list[object]:
    """The traces on which a memory and a monitor differ, with what each tells."""
    found: list[object] = []
    for limits in LIMITS:
        steps, end = traces(limits, count)
        for one, theirs in zip(steps, expected(by, limits, count), strict=True):
            ours = recurring_told(kind, one, limits, end)
            if ours != theirs:
                found.append((limits, one, ours, theirs))
    return found


@pytest.mark.parametrize("by", TELL)
def test_recurring_agrees(by: str) -> None:
    """Some hundreds of traces, to the tick."""
    assert differing(Recurring, by)[:3] == []


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("by", TELL)
def test_recurring_agrees_on_thousands(by: str) -> None:
    """The same on thousands."""
    assert differing(Recurring, by, MANY)[:3] == []


@pytest.mark.parametrize("by", TELL)
@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: str(mutant.__name__))
def test_a_wrong_recurring_is_found(mutant: type[Recurring], by: str) -> None:
    """Each mutant differs on some trace from what each monitor tells."""
    assert differing(mutant, by)


def test_the_traces_tell_something() -> None:
    """For each N, W and Q a good part of the traces holds, and some hold twice."""
    assert len(MUTANTS) >= 6
    for limits in LIMITS:
        told = expected("rtamt", limits, FEW)
        assert sum(bool(signal) for signal in told) >= FEW // 4, limits
    assert any(len(signal) > 2 for limits in LIMITS for signal in expected("rtamt", limits, FEW))
