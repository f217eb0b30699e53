"""Sums over nights: each measure of each strategy with its interval, and its change against Second Bell as shipped."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.study.intervals import (
    CONFIDENCE,
    Interval,
    Pooled,
    Resamples,
    clopper_pearson,
    interval,
)
from monitor.study.measures import BY_KEY, MEASURES, MINUTE, Highest, Measure, Quantile, Ratio
from monitor.study.night_record import NightRecord

NOBODY: Final = "nobody told"
AT_ONCE: Final = "forwarded at once"
SHIPPED: Final = "Second Bell as shipped"
"""The strategies that others are held against, as strategies.toml calls them."""

COMPARED: Final = ("recall", "precision", "calls", "trouble_ml", "glucose_min")
"""The measures whose change against as shipped is told."""

Draws = Sequence[float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One figure: None where there is nothing to make it of; `exact` for a share near nothing or all."""

    value: float | None
    interval: Interval | None = None
    exact: Interval | None = None
    counted: tuple[int, int] | None = None  # of a share: how many of how many

    def scaled(self, times: float) -> Estimate:
        """The same in another unit."""
        if self.value is None:
            return self
        span = None if self.interval is None else Interval(*(times * end for end in self.interval))
        return Estimate(value=times * self.value, interval=span)


@dataclass(frozen=True, slots=True, kw_only=True)
class WorldSums:
    """One world's figures; `nights` by strategy, in the order of `seeds`."""

    name: str
    seeds: tuple[int, ...]
    nights: Mapping[str, tuple[NightRecord, ...]]
    estimates: Mapping[str, Mapping[str, Estimate]]  # strategy -> measure -> figure
    changes: Mapping[str, Mapping[str, Estimate]]  # strategy -> measure -> figure less that as shipped
    resamples: Resamples

    def value(self, strategy: str, key: str) -> float | None:
        """A figure, None if there is none."""
        found = self.estimates.get(strategy, {}).get(key)
        return None if found is None else found.value


def sum_up(
    name: str, nights: Mapping[str, Sequence[NightRecord]], tell: Callable[[], object] = lambda: None
) -> WorldSums:
    """All figures of one world; each strategy has a record of every seed. `tell` hears of each strategy done."""
    ordered = {
        strategy: tuple(sorted(records, key=lambda night: night.seed)) for strategy, records in nights.items()
    }
    seeds = {tuple(night.seed for night in records) for records in ordered.values()}
    if len(seeds) != 1 or not (order := seeds.pop()):
        raise ValueError(f"{name}: every strategy has the same nights, one at least")
    resamples = Resamples(len(order))
    estimates = {}
    for strategy, records in ordered.items():
        estimates[strategy] = {measure.key: estimate(measure, records, resamples) for measure in MEASURES}
        tell()
    shipped = ordered.get(SHIPPED)
    changes = {
        strategy: {key: change(BY_KEY[key], records, shipped, resamples) for key in COMPARED}
        for strategy, records in ordered.items()
        if shipped is not None and strategy != SHIPPED
    }
    return WorldSums(
        name=name, seeds=order, nights=ordered, estimates=estimates, changes=changes, resamples=resamples
    )


def estimate(measure: Measure, records: Sequence[NightRecord], resamples: Resamples) -> Estimate:
    """One figure of one strategy."""
    value, draws = _value_and_draws(measure, records, resamples)
    counted = exact = None
    if isinstance(measure, Ratio) and measure.share:
        counted = round(sum(map(measure.of, records))), round(sum(map(measure.per, records)))
        if (bound := clopper_pearson(*counted)) is not None:
            exact = Interval(bound.low * measure.times, bound.high * measure.times)
    drawn = interval(draws)
    if exact is not None and drawn is not None:  # the wider of both
        exact = Interval(min(exact.low, drawn.low), max(exact.high, drawn.high))
    return Estimate(value=value, interval=drawn, exact=exact, counted=counted)


def change(
    measure: Measure,
    records: Sequence[NightRecord],
    held_against: Sequence[NightRecord],
    resamples: Resamples,
) -> Estimate:
    """A figure less that of another strategy on the same nights."""
    return _paired(measure, records, held_against, resamples, lambda one, other: one - other)


def ratio(
    measure: Measure,
    records: Sequence[NightRecord],
    held_against: Sequence[NightRecord],
    resamples: Resamples,
) -> Estimate:
    """A figure divided by that of another strategy on the same nights; None where that one is nothing."""
    return _paired(
        measure, records, held_against, resamples, lambda one, other: one / other if other else None
    )


def _paired(
    measure: Measure,
    records: Sequence[NightRecord],
    held_against: Sequence[NightRecord],
    resamples: Resamples,
    of: Callable[[float, float], float | None],
) -> Estimate:
    value, draws = _value_and_draws(measure, records, resamples)
    other, others = _value_and_draws(measure, held_against, resamples)

    def both(one: float | None, another: float | None) -> float | None:
        return None if one is None or another is None else of(one, another)

    made = [both(one, another) for one, another in zip(draws, others, strict=True)]
    return Estimate(value=both(value, other), interval=interval(made))


def _value_and_draws(
    measure: Measure, records: Sequence[NightRecord], resamples: Resamples
) -> tuple[float | None, Draws]:
    match measure:
        case Ratio():
            over, under = [[of(night) for night in records] for of in (measure.of, measure.per)]
            found = [
                measure.times * one / other if other else None
                for one, other in zip(
                    [sum(over), *resamples.sums(over)], [sum(under), *resamples.sums(under)], strict=True
                )
            ]
            return found[0], found[1:]
        case Quantile():
            pooled = Pooled([measure.of(night) for night in records])
            every = [1] * len(records)
            times = [pooled.quantile(measure.at, drawn) for drawn in (every, *resamples.weights)]
            made = [None if time is None else time / MINUTE for time in times]
            return made[0], made[1:]
        case Highest():
            return max(map(measure.of, records)), [None] * len(resamples.weights)
    raise TypeError(measure)


def level() -> str:
    """The level of the intervals in words."""
    return f"{round(100 * CONFIDENCE)} %"
