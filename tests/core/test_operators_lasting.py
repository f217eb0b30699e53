"""`lasting` against reelay and rtamt on random traces biased to exact ties, and against mutants that they must find."""

from __future__ import annotations

from functools import cache
from random import Random

import pytest

from monitor.core.patterns import Lasting
from tests.core.driven import Sample, instants, lasting_told
from tests.core.mutants_lasting import MUTANTS
from tests.core.temporal_logic import (
    Evaluate,
    Signal,
    by_reelay,
    by_rtamt,
    condensed,
    lasting_formulas,
    latch,
)

# T and G: small ones that tie all the time, and those of shipped rules.
LIMITS = [
    (0, 0), (0, 3), (1, 0), (1, 1), (3, 2), (5, 5), (10, 4), (4, 9), (300_000, 0), (240_000, 30_000), (600_000, 60_000)
]  # fmt: skip
FEW, MANY = 40, 1_000  # traces for each
EVALUATE = [pytest.param(by_reelay, id="reelay"), pytest.param(by_rtamt, id="rtamt")]


def trace(rng: Random, limits: tuple[int, int]) -> list[Sample]:
    """Snapshots, most of which change the condition; a false one at 0, as nothing is known before it."""
    hold_for, bridging = limits
    value = False
    samples = [(0, False)]
    for at in instants(rng, (hold_for, bridging, bridging, 1, 2), 12):
        value = value != (rng.random() < 0.75)
        samples.append((at, value))
    return samples


@cache
def traces(limits: tuple[int, int], count: int) -> tuple[list[list[Sample]], int]:
    """Random traces, always the same ones, and an end at which nothing is left to wait for."""
    rng = Random(f"lasting {limits}")
    found = [trace(rng, limits) for _ in range(count)]
    return found, max(samples[-1][0] for samples in found) + 2 * (sum(limits) + 2)


@cache
def expected(evaluate: Evaluate, limits: tuple[int, int], count: int) -> list[Signal]:
    """What a monitor tells of each trace."""
    found, end = traces(limits, count)
    return latch(evaluate, *lasting_formulas(*limits), [{"p": condensed(samples)} for samples in found], end)


def differing(kind: type[Lasting], evaluate: Evaluate, count: int = FEW) -> list[object]:
    """The traces on which a memory and a monitor differ, with what each tells."""
    found: list[object] = []
    for limits in LIMITS:
        samples, end = traces(limits, count)
        for one, theirs in zip(samples, expected(evaluate, limits, count), strict=True):
            ours = lasting_told(kind, one, limits, end)
            if ours != theirs:
                found.append((limits, one, ours, theirs))
    return found


@pytest.mark.parametrize("evaluate", EVALUATE)
def test_lasting_agrees(evaluate: Evaluate) -> None:
    """Some hundreds of traces, to the tick."""
    assert differing(Lasting, evaluate)[:3] == []


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("evaluate", EVALUATE)
def test_lasting_agrees_on_thousands(evaluate: Evaluate) -> None:
    """The same on thousands."""
    assert differing(Lasting, evaluate, MANY)[:3] == []


@pytest.mark.parametrize("evaluate", EVALUATE)
@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: str(mutant.__name__))
def test_a_wrong_lasting_is_found(mutant: type[Lasting], evaluate: Evaluate) -> None:
    """Each mutant differs on some trace from what either monitor tells."""
    assert differing(mutant, evaluate)


def test_the_traces_tell_something() -> None:
    """For each T and G a good part of the traces holds, some end by a deadline, and some runs meet exactly G."""
    assert len(MUTANTS) >= 6
    for limits in LIMITS:
        told = expected(by_reelay, limits, FEW)
        assert sum(bool(signal) for signal in told) >= FEW // 4, limits
    ties = [
        (limits, samples)
        for limits in LIMITS
        for samples in traces(limits, FEW)[0]
        if any(
            later == (earlier[0] + limits[1], True) and not earlier[1]
            for earlier in samples
            for later in samples
        )
    ]
    assert len(ties) >= 100
