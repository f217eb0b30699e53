"""All that a study tells: what was asked, the figures of each world, and how they came about."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from monitor import __version__
from monitor.core.rulebook import Quantity
from monitor.study.asked import Asked
from monitor.study.intervals import RESAMPLES
from monitor.study.night_record import Missed, NightRecord
from monitor.study.strategies import Strategy
from monitor.study.summing import SHIPPED, WorldSums, level, sum_up
from monitor.study.targets import Checked, check

CAUTION: Final = (
    "Design evidence from simulated nights, not a clinical claim. The maker's instructions, local policy and licensed "
    "practice come first."
)

Swept = tuple[str, str]
"""Rule and threshold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What tables, pictures, files and page are made from."""

    asked: Asked
    worlds: tuple[WorldSums, ...]
    targets: Mapping[str, tuple[Checked, ...]]
    played: int  # nights of this run; the others were there
    seconds: float  # that this run took
    messages: int  # of this run
    version: str = __version__

    @property
    def how(self) -> str:
        """How intervals are made, in a sentence."""
        return (
            f"{level()} intervals: percentile bootstrap over nights, {RESAMPLES} draws, the same for all strategies of "
            "a world; for a share within ten counts of nothing or all the exact bound of Clopper and Pearson, if it is "
            "wider. "
            "They say how much depends on which nights were drawn, each with people of its own, and nothing about the "
            "assumptions; those of sweeps and of rules left out are not adjusted for their number."
        )

    def of_group(self, group: str) -> list[Strategy]:
        """The chosen strategies of a group."""
        return [strategy for strategy in self.asked.chosen if strategy.group == group]

    def sweeps(self) -> dict[Swept, list[Strategy]]:
        """The chosen sweeps, each in the order of its values."""
        found: dict[Swept, list[Strategy]] = {}
        for strategy in self.asked.chosen:
            if strategy.swept is not None:
                found.setdefault((strategy.swept[0], strategy.swept[1]), []).append(strategy)
        for several in found.values():
            several.sort(key=swept_at)
        return found

    def shipped_value(self, swept: Swept, setting: str) -> str | int | None:
        """What stands there as shipped, in a ward or at home."""
        for strategy in self.asked.strategies:
            if strategy.name == SHIPPED:
                for rule in strategy.rules:
                    if rule.id == swept[0] and (threshold := rule.thresholds.get(swept[1])) is not None:
                        at_home = setting == "home" and threshold.home is not None
                        own = strategy.thresholds.get(rule.id, {}).get(swept[1])
                        return own if own is not None else threshold.home if at_home else threshold.value
        return None

    def pumps(self, world: str) -> int:
        """How many pumps a night of a world has."""
        return max(night.pumps for night in self.nights(world, self.asked.chosen[0].name))

    def nights(self, world: str, strategy: str) -> tuple[NightRecord, ...]:
        """The records of a world and strategy."""
        return next(one for one in self.worlds if one.name == world).nights[strategy]

    def calls_by_rule(self, world: str, strategy: str) -> dict[str, tuple[int, int]]:
        """Calls of each rule and how many of them were real, most frequent first."""
        calls: Counter[str] = Counter()
        real: Counter[str] = Counter()
        for night in self.nights(world, strategy):
            for rule, (number, about) in night.calls_of.items():
                calls[rule] += number
                real[rule] += about
        return {rule: (number, real[rule]) for rule, number in calls.most_common()}

    def missed(self, world: str, strategy: str) -> dict[str, list[tuple[int, Missed]]]:
        """Troubles of which nobody was told, by kind, most frequent first; each with its seed."""
        found: dict[str, list[tuple[int, Missed]]] = {}
        for night in self.nights(world, strategy):
            for one in night.missed:
                found.setdefault(one.kind, []).append((night.seed, one))
        return dict(sorted(found.items(), key=lambda item: (-len(item[1]), item[0])))

    def speed(self) -> dict[str, Any]:
        """How long it took: this run, and one core for all nights that are shown."""
        shown = [night for world in self.worlds for records in world.nights.values() for night in records]
        return {
            "nights_played": self.played,
            "seconds": round(self.seconds, 1),
            "messages_per_second": round(self.messages / self.seconds)
            if self.played and self.seconds
            else None,
            "nights_shown": len(shown),
            "messages_shown": sum(night.messages for night in shown),
            "core_seconds_shown": round(sum(night.seconds for night in shown), 1),
        }


def swept_at(strategy: Strategy) -> float:
    """Where on its axis a sweep's strategy lies, in the unit that quantities are read into."""
    assert strategy.swept is not None
    return float(Quantity.parse(strategy.swept[2]).number)


def findings_of(
    asked: Asked,
    there: dict[tuple[str, str, int], NightRecord],
    *,
    played: int,
    seconds: float,
    messages: int,
    step: Callable[[], object] = lambda: None,
) -> Findings:
    """Sum all up."""
    worlds = tuple(sum_up(world.name, asked.found(there, world.name), step) for world in asked.worlds)
    return Findings(
        asked=asked,
        worlds=worlds,
        targets={world.name: check(world) for world in worlds},
        played=played,
        seconds=seconds,
        messages=messages,
    )
