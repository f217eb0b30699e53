"""How long until notices were accepted, with those that never were: the Kaplan-Meier estimate.

A notice that nobody has accepted yet, or whose trouble ended by itself, is *censored*: it took at least so long. To
leave such out, or to count them as answered, would make a night look quicker than it was.

Source: Kaplan and Meier, J Am Stat Assoc 1958;53:457; checked against `lifelines` in the tests.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby
from operator import itemgetter
from typing import NamedTuple


class Step(NamedTuple):
    """From a duration on (ms), the share that had not been accepted yet."""

    after: int
    waiting: float


class Acceptance(NamedTuple):
    """How notices were accepted: durations in ms, None where fewer than that share ever were.

    `number` were told, `accepted` of them were accepted; the others are censored.
    """

    number: int
    accepted: int
    quarter: int | None
    median: int | None
    three_quarters: int | None


def kaplan_meier(durations: Iterable[tuple[int, bool]]) -> list[Step]:
    """The steps of the estimate, from (duration in ms, whether it was accepted then); ValueError for one below 0."""
    ordered = sorted(durations)
    if ordered and ordered[0][0] < 0:
        raise ValueError(f"a duration of {ordered[0][0]} ms")
    at_risk, waiting, steps = len(ordered), 1.0, []
    for after, same in groupby(ordered, key=itemgetter(0)):
        found = [accepted for _, accepted in same]
        # Censored at the same duration still count as at risk there, as is the convention.
        if events := sum(found):
            waiting *= 1 - events / at_risk
            steps.append(Step(after, waiting))
        at_risk -= len(found)
    return steps


def acceptance(durations: Iterable[tuple[int, bool]]) -> Acceptance:
    """The median and the quartiles of the estimate."""
    known = list(durations)
    steps = kaplan_meier(known)

    def until(share: float) -> int | None:
        # The smallest duration at which no more than 1 - share still wait; a hair's breadth for the products above.
        return next((step.after for step in steps if step.waiting <= 1 - share + 1e-12), None)

    return Acceptance(len(known), sum(ok for _, ok in known), until(0.25), until(0.5), until(0.75))
