"""Carriers as they are: they take a while, an attempt may fail, and on some nights the pager is out for a time.

An attempt that fails is one to be tried again; whoever sends decides when, and by which way. Seeded: which attempts
fail depends on the person told and how many attempts she had before, not on what is said.
"""

from __future__ import annotations

from collections import Counter
from random import Random
from typing import Final, Literal, NamedTuple

from simulators.figures import CarrierFigures
from simulators.instants import MINUTE, SECOND, whole_ms

PAGER: Final = "pager"  # the carrier that has outages

Outcome = Literal["sent", "try-later", "refused"]


class Attempt(NamedTuple):
    """How one attempt of a notice ended, and when."""

    at: int
    notice: str
    outcome: Outcome
    said: str


class Carriers:
    """All carriers of one night, which lasts from `begin` until before `end`."""

    def __init__(self, figures: CarrierFigures, seed: int, begin: int, end: int) -> None:
        self._figures, self._seed = figures, seed
        self.outage = _outage(figures, seed, begin, end)
        self._attempts: Counter[str] = Counter()
        self._under_way: list[Attempt] = []

    def send(self, notice: str, person: str, carrier: str, at: int) -> None:
        """An attempt begins; how it ends comes from `take` when it does."""
        self._attempts[person] += 1
        draw = Random(f"{self._seed}/carrier/{person}/{self._attempts[person]}")
        # cp: from half to one and a half of the usual time.
        ends = at + max(1, whole_ms(self._figures.delay_s.value * SECOND * draw.uniform(0.5, 1.5)))
        fails = draw.random() < self._figures.fails.value
        if carrier == PAGER and self.outage is not None and self.outage[0] <= at < self.outage[1]:
            attempt = Attempt(ends, notice, "try-later", "no connection")
        elif fails:
            attempt = Attempt(ends, notice, "try-later", "busy")
        else:
            attempt = Attempt(ends, notice, "sent", "taken")
        self._under_way.append(attempt)

    def next_at(self) -> int | None:
        """When the next attempt ends."""
        return min(self._under_way)[0] if self._under_way else None

    def take(self, at: int) -> list[Attempt]:
        """The attempts that have ended by `at`, in order."""
        ended = sorted(attempt for attempt in self._under_way if attempt.at <= at)
        if ended:
            self._under_way = [attempt for attempt in self._under_way if attempt.at > at]
        return ended


def _outage(figures: CarrierFigures, seed: int, begin: int, end: int) -> tuple[int, int] | None:
    """From when to when the pager is out tonight, if it is."""
    draw = Random(f"{seed}/outage")
    if draw.random() >= figures.outage.value:
        return None
    return span_in(draw, begin, end, whole_ms(figures.outage_min.value * MINUTE))


def span_in(draw: Random, begin: int, end: int, lasts: int) -> tuple[int, int]:
    """A time of this length anywhere between two instants."""
    lasts = min(lasts, end - begin)
    first = begin + draw.randrange(end - begin - lasts + 1)
    return first, first + lasts
