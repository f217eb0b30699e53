"""What a study is asked for: worlds with their figures, strategies, seeds; all that is wrong is told at once."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from monitor import __version__
from monitor.core.problems import Problem, ProblemsFound
from monitor.study import strategies as strategy_file
from monitor.study.night_record import NightRecord
from monitor.study.results import Header, program
from monitor.study.running import Task
from monitor.study.strategies import Strategy
from monitor.study.summing import NOBODY, SHIPPED
from simulators import worlds as world_files
from simulators.scenario import ScenarioError
from simulators.worlds import WorldFile

MONTH: Final = 30  # nights
GROUPS: Final = {"main": "side by side", "rules": "left out", "sweeps": "sweep"}
"""What --only may say, and the strategies that are meant."""

_SET: Final = re.compile(r"(?P<name>[A-Za-z0-9_.\-]+)\s*=\s*(?P<value>\S+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is to be played and shown: `strategies` are all that there are, `chosen` those that are wanted."""

    worlds: tuple[WorldFile, ...]
    strategies: tuple[Strategy, ...]
    chosen: tuple[Strategy, ...]
    seeds: range
    settings: dict[str, str]

    @property
    def nights(self) -> int:
        """Nights under a strategy, each counted."""
        return len(self.worlds) * len(self.chosen) * len(self.seeds)

    def header(self) -> Header:
        """What the file of results is begun with: all strategies, so that others can be asked for later."""
        return Header(
            version=__version__,
            program=program(),
            worlds={world.name: world.digest[:16] for world in self.worlds},
            strategies={strategy.name: strategy.digest[:16] for strategy in self.strategies},
            settings=self.settings,
        )

    def tasks(self, there: dict[tuple[str, str, int], NightRecord]) -> list[Task]:
        """What is still to be played, seed by seed, so that worlds grow alike."""
        names = [strategy.name for strategy in self.chosen]
        found = []
        for seed in self.seeds:
            for world in self.worlds:
                skip = frozenset(name for name in names if (world.name, name, seed) in there)
                if len(skip) < len(names):
                    found.append(Task(world.name, seed, skip))
        return found

    def found(
        self, there: dict[tuple[str, str, int], NightRecord], world: str
    ) -> dict[str, list[NightRecord]]:
        """Of one world, what was asked for, by strategy."""
        return {
            strategy.name: [there[world, strategy.name, seed] for seed in self.seeds]
            for strategy in self.chosen
        }


def asked(
    *,
    worlds: Sequence[str] | None = None,
    strategies: Path | None = None,
    site: Path | None = None,
    seeds: range = range(1, MONTH + 1),
    only: Sequence[str] = (),
    changed: Sequence[str] = (),
) -> Asked:
    """Read all files that are named; ProblemsFound for whatever is wrong in them or with `changed`."""
    found = _worlds(worlds or world_files.names())
    found = _changed(found, changed)
    every = strategy_file.shipped_strategies() if strategies is None else strategy_file.load(strategies)
    settings = {f"set {number}": text for number, text in enumerate(sorted(changed), start=1)}
    if site is not None:
        every = strategy_file.with_site(every, site)
        settings["site"] = every[-1].name
    return Asked(worlds=found, strategies=every, chosen=_chosen(every, only), seeds=seeds, settings=settings)


def _worlds(names: Sequence[str]) -> tuple[WorldFile, ...]:
    found: list[WorldFile] = []
    problems: list[Problem] = []
    for name in dict.fromkeys(names):
        try:
            world = world_files.load(name)
        except ScenarioError as error:
            problems += _ours(error)
            continue
        if any(other.name == world.name for other in found):
            problems.append(Problem(name, "name", repr(world.name), "another name than the other world's"))
        found.append(world)
    if problems:
        raise ProblemsFound(problems)
    return tuple(found)


def _changed(worlds: tuple[WorldFile, ...], changed: Sequence[str]) -> tuple[WorldFile, ...]:
    """With one figure after the other changed, in each world that has it."""
    problems: list[Problem] = []
    for text in changed:
        if (matched := _SET.fullmatch(text.strip())) is None:
            problems.append(Problem("--set", text, "", "NAME=VALUE, such as people.never=0.1"))
            continue
        name = matched["name"]
        try:
            value = float(matched["value"])
        except ValueError:
            problems.append(Problem("--set", name, matched["value"], "a number"))
            continue
        if not any(name in world.figures for world in worlds):
            known = ", ".join(dict.fromkeys(known for world in worlds for known in world.figures))
            problems.append(Problem("--set", name, matched["value"], f"a figure of the worlds: {known}"))
            continue
        try:
            worlds = tuple(world.set(name, value) if name in world.figures else world for world in worlds)
        except ScenarioError as error:
            problems.append(Problem("--set", name, matched["value"], error.problems[0].expected))
    if problems:
        raise ProblemsFound(problems)
    return worlds


def _chosen(every: Sequence[Strategy], only: Sequence[str]) -> tuple[Strategy, ...]:
    """Those of the groups, and the two that all are held against."""
    groups = {GROUPS[name] for name in only} or set(GROUPS.values())
    return tuple(
        strategy for strategy in every if strategy.group in groups or strategy.name in (NOBODY, SHIPPED)
    )


def put_aside(path: Path) -> list[str]:
    """Units and devices of a site file whose own thresholds the invented pumps cannot have."""
    from monitor.replay import TRACE_KEY
    from monitor.settings import load

    site = load(path, key=TRACE_KEY).site
    units = [f"unit {name}" for name, own in site.unit_thresholds.items() if own]
    return units + [f"device {name}" for name, entry in site.devices.items() if entry.thresholds]


def _ours(error: ScenarioError) -> list[Problem]:
    return [Problem(found.file, found.key, found.value, found.expected) for found in error.problems]
