"""95 % intervals: the nights are drawn again with replacement (percentile bootstrap), and every figure is made anew.

Nights are what is independent: troubles, calls and minutes of one night belong together, so whole nights are drawn.
The same draws serve all strategies of a world, so that a difference or a ratio of two is taken on the same nights.
A share near nothing or all has no bootstrap interval to rely on; there stands the bound of Clopper and Pearson.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from math import comb
from operator import mul
from typing import Final, NamedTuple

RESAMPLES: Final = 2000  # Efron and Tibshirani 1993 ask for 1000 or more for percentiles [from memory]
CONFIDENCE: Final = 0.95
FEW: Final = 10  # fewer than so many of one sort: a bootstrap sees too little of what may be; cp
MOST_KEPT: Final = 64  # sums at once
MOST_UNDEFINED: Final = 0.05  # of the draws in which a figure may have no value, before it has no interval


class Interval(NamedTuple):
    """From where to where."""

    low: float
    high: float


class Resamples:
    """How often each of the nights is in each draw; the same for the same number of nights."""

    def __init__(self, nights: int, times: int = RESAMPLES) -> None:
        """Draw them."""
        stream = random.Random(f"{nights} nights/bootstrap")
        self.nights = nights
        self.weights: list[tuple[int, ...]] = []
        self._summed: dict[tuple[float, ...], list[float]] = {}
        for _ in range(times if nights > 1 else 0):  # one night says nothing of how nights differ
            drawn = [0] * nights
            for place in stream.choices(range(nights), k=nights):
                drawn[place] += 1
            self.weights.append(tuple(drawn))

    def sums(self, values: Sequence[float]) -> list[float]:
        """The sum of a value of each night, draw by draw."""
        key = tuple(values)  # many measures are for the same pumps or nurses
        if (found := self._summed.get(key)) is None:
            if len(self._summed) >= MOST_KEPT:
                self._summed.clear()
            found = self._summed[key] = [sum(map(mul, drawn, key)) for drawn in self.weights]
        return found


class Pooled:
    """Values of several nights as one sample of which quantiles are taken."""

    def __init__(self, by_night: Sequence[Sequence[float]]) -> None:
        """Sort them; `up_to[k]` is how many of each night are among the k smallest different ones."""
        pool = sorted((value, place) for place, values in enumerate(by_night) for value in values)
        self.sizes = tuple(len(values) for values in by_night)
        self.values: list[float] = []
        self.up_to: list[tuple[int, ...]] = []
        count = [0] * len(by_night)
        for number, (value, place) in enumerate(pool):
            count[place] += 1
            if number + 1 == len(pool) or pool[number + 1][0] != value:
                self.values.append(value)
                self.up_to.append(tuple(count))

    def quantile(self, at: float, drawn: Sequence[int]) -> float | None:
        """The smallest value that a share `at` does not exceed, each night counted as often as drawn."""
        total = sum(map(mul, drawn, self.sizes))
        if not total:
            return None
        wanted = at * total - 1e-9 * total
        low, high = 0, len(self.values) - 1
        while low < high:
            middle = (low + high) // 2
            if sum(map(mul, drawn, self.up_to[middle])) >= wanted:
                high = middle
            else:
                low = middle + 1
        return self.values[low]


def percentile(ordered: Sequence[float], share: float) -> float:
    """Of values in order; between two of them in proportion."""
    at = share * (len(ordered) - 1)
    below = int(at)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (at - below) * (ordered[above] - ordered[below])


def interval(draws: Sequence[float | None]) -> Interval | None:
    """The middle 95 % of a figure's values in the draws; None where too few draws have a value."""
    known = sorted(value for value in draws if value is not None)
    if not known or len(known) < (1 - MOST_UNDEFINED) * len(draws):
        return None
    tail = (1 - CONFIDENCE) / 2
    return Interval(percentile(known, tail), percentile(known, 1 - tail))


def clopper_pearson(number: int, of: int) -> Interval | None:
    """The exact 95 % bound of a share within `FEW` of nothing or all (Clopper and Pearson 1934); None of any other.

    There a bootstrap sees too little of what may be. It takes the troubles to be independent of each other, which they
    are not quite within a night.
    """
    if of <= 0 or FEW <= number <= of - FEW:
        return None
    tail = (1 - CONFIDENCE) / 2
    low = (
        0.0
        if number == 0
        else _share_at(lambda share: 1 - _at_most(number - 1, of, share), tail, rising=True)
    )
    high = 1.0 if number == of else _share_at(lambda share: _at_most(number, of, share), tail, rising=False)
    return Interval(low, high)


def _at_most(number: int, of: int, share: float) -> float:
    """How likely no more than so many of `of` are, each with this share; summed from its shorter end."""
    if number > of / 2:
        return 1 - _at_most(of - number - 1, of, 1 - share)
    return sum(comb(of, hits) * share**hits * (1 - share) ** (of - hits) for hits in range(number + 1))


def _share_at(likely: Callable[[float], float], wanted: float, *, rising: bool) -> float:
    low, high = 0.0, 1.0
    for _ in range(60):  # halved so often, a share is as exact as a float
        middle = (low + high) / 2
        if (likely(middle) < wanted) == rising:
            low = middle
        else:
            high = middle
    return (low + high) / 2
