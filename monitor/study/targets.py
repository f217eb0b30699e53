"""What the shipped defaults are to reach in each world, and whether they do."""

from __future__ import annotations

import operator
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from monitor.study.measures import BY_KEY
from monitor.study.summing import AT_ONCE, NOBODY, SHIPPED, Estimate, WorldSums, ratio


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A bound of a measure as shipped; against another strategy on the same nights, of their ratio in percent."""

    says: str
    measure: str
    bound: float
    at_least: bool
    against: str | None = None

    @property
    def reaches(self) -> Callable[[float, float], bool]:
        """Whether a value keeps to the bound."""
        return operator.ge if self.at_least else operator.le


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """A target with what was found; `met` is None where nothing was found that it could be held against."""

    target: Target
    found: Estimate
    met: bool | None
    surely: bool  # the whole interval keeps to the bound too

    @property
    def verdict(self) -> str:
        """In words."""
        if self.met is None:
            return "cannot be said"
        if not self.met:
            return "not met"
        return "met" if self.surely else "met, but the interval reaches beyond"


TARGETS: Final = (
    Target(
        says="of troubles that outlast 15 minutes reach somebody", measure="recall", bound=99, at_least=True
    ),
    Target(
        says="of the notices of forwarding every alarm at once",
        measure="notices",
        bound=20,
        at_least=False,
        against=AT_ONCE,
    ),
    Target(says="of calls are about real trouble", measure="precision", bound=90, at_least=True),
    Target(
        says="of the minutes stopped at glucose risk when nobody is told",
        measure="glucose_min",
        bound=25,
        at_least=False,
        against=NOBODY,
    ),
    Target(
        says="of the feed not given, for whatever reason, when nobody is told",
        measure="lost_ml",
        bound=50,
        at_least=False,
        against=NOBODY,
    ),
    Target(
        says="of the feed due in trouble and not given when nobody is told",
        measure="trouble_ml",
        bound=50,
        at_least=False,
        against=NOBODY,
    ),
)


def check(world: WorldSums) -> tuple[Checked, ...]:
    """Each target of a world."""
    return tuple(_check(world, target) for target in TARGETS)


def _check(world: WorldSums, target: Target) -> Checked:
    found = Estimate(value=None)
    if SHIPPED in world.nights:
        if target.against is None:
            found = world.estimates[SHIPPED][target.measure]
        elif target.against in world.nights:
            part = ratio(
                BY_KEY[target.measure], world.nights[SHIPPED], world.nights[target.against], world.resamples
            )
            found = part.scaled(100)
    if found.value is None:
        return Checked(target=target, found=found, met=None, surely=False)
    bounds = found.exact or found.interval
    worst = None if bounds is None else bounds.low if target.at_least else bounds.high
    return Checked(
        target=target,
        found=found,
        met=target.reaches(found.value, target.bound),
        surely=worst is not None and target.reaches(worst, target.bound),
    )
