"""`silent` against a pandas rolling sum, rtamt, reelay and a direct definition on random traces; and its mutants."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from random import Random

import pandas
import pytest

from monitor.core.patterns import Silent
from tests.core import definition
from tests.core.driven import Sample, instants, silent_told
from tests.core.mutants_silent import MUTANTS
from tests.core.temporal_logic import Evaluate, Signal, by_reelay, by_rtamt, condensed, once, pulses

Tell = Callable[[Sequence[Sequence[Sample]], int, int], list[Signal]]

LIMITS = [
    1,
    2,
    3,
    7,
    12,
    180_000,
    900_000,
]  # T: small ones that tie all the time, and those of a shipped rule
FEW, MANY = 60, 1_000  # traces for each


def trace(rng: Random, silent_for: int) -> list[Sample]:
    """Messages, after most of which the device is watched."""
    return [(at, rng.random() < 0.75) for at in instants(rng, (silent_for, silent_for, 1, 2), 12)]


@cache
def traces(silent_for: int, count: int) -> tuple[list[list[Sample]], int]:
    """Random traces, always the same ones, and an end at which nothing is left to wait for."""
    rng = Random(f"silent {silent_for}")
    found = [trace(rng, silent_for) for _ in range(count)]
    return found, max(messages[-1][0] for messages in found) + 2 * (silent_for + 2)


def by_pandas(found: Sequence[Sequence[Sample]], silent_for: int, end: int) -> list[Signal]:
    """Watched, and the sum of messages over (t - T, t] is 0."""
    told = []
    for messages in found:
        looks = sorted({at for at, _ in messages} | {at + silent_for for at, _ in messages})
        came = {at for at, _ in messages}
        index = pandas.to_datetime(pandas.Index(looks), unit="ms")
        heard = pandas.Series([float(look in came) for look in looks], index)
        watched = pandas.Series([[w for at, w in messages if at <= look][-1] for look in looks], index)
        holds = (heard.rolling(pandas.Timedelta(silent_for, "ms"), closed="right").sum() == 0) & watched
        told.append(
            condensed([(at, bool(value)) for at, value in zip(looks, holds, strict=True) if at <= end])
        )
    return told


def by_definition(found: Sequence[Sequence[Sample]], silent_for: int, end: int) -> list[Signal]:
    """Straight from the design's sentence."""
    told = []
    for messages in found:
        changes: Signal = []
        for span in definition.silent(messages, silent_for):
            changes += [(span.begin, True)] + ([(span.end, False)] if span.end is not None else [])
        told.append([change for change in changes if change[0] <= end])
    return told


def _formal(evaluate: Evaluate) -> Tell:
    def tell(found: Sequence[Sequence[Sample]], silent_for: int, end: int) -> list[Signal]:
        signals = [{"m": pulses([at for at, _ in messages]), "w": condensed(messages)} for messages in found]
        return evaluate(f"(<w> and (not {once(silent_for - 1, '<m>')}))", signals, end)

    return tell


TELL: dict[str, Tell] = {
    "pandas": by_pandas, "definition": by_definition, "rtamt": _formal(by_rtamt), "reelay": _formal(by_reelay)
}  # fmt: skip


@cache
def expected(by: str, silent_for: int, count: int) -> list[Signal]:
    """What a monitor tells of each trace."""
    found, end = traces(silent_for, count)
    return TELL[by](found, silent_for, end)


def differing(kind: type[Silent], by: str, count: int = FEW) -> list[object]:
    """The traces on which a memory and a monitor differ, with what each tells."""
    found: list[object] = []
    for silent_for in LIMITS:
        messages, end = traces(silent_for, count)
        for one, theirs in zip(messages, expected(by, silent_for, count), strict=True):
            ours = silent_told(kind, one, silent_for, end)
            if ours != theirs:
                found.append((silent_for, one, ours, theirs))
    return found


@pytest.mark.parametrize("by", TELL)
def test_silent_agrees(by: str) -> None:
    """Some hundreds of traces, to the tick."""
    assert differing(Silent, by)[:3] == []


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("by", TELL)
def test_silent_agrees_on_thousands(by: str) -> None:
    """The same on thousands."""
    assert differing(Silent, by, MANY)[:3] == []


@pytest.mark.parametrize("by", TELL)
@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: str(mutant.__name__))
def test_a_wrong_silent_is_found(mutant: type[Silent], by: str) -> None:
    """Each mutant differs on some trace from what each monitor tells."""
    assert differing(mutant, by)


def test_the_traces_tell_something() -> None:
    """For each T most traces hold, and a good part has a message at exactly last + T."""
    assert len(MUTANTS) >= 6
    for silent_for in LIMITS:
        found, _ = traces(silent_for, FEW)
        ties = [m for m in found if any((at + silent_for, w) in m for at, _ in m for w in (True, False))]
        assert len(ties) >= FEW // 3, silent_for
        assert sum(bool(signal) for signal in expected("rtamt", silent_for, FEW)) >= FEW // 2, silent_for
