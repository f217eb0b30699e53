"""Plays a task of the study: what a process needs for it, to be sent there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from monitor.study.night import play_seed
from monitor.study.night_record import NightRecord
from monitor.study.running import Task
from monitor.study.strategies import Strategy
from simulators.worlds import WorldFile


@dataclass(frozen=True, slots=True, kw_only=True)
class Nights:
    """The worlds and strategies; called with a task, it plays it."""

    worlds: Mapping[str, WorldFile]
    strategies: tuple[Strategy, ...]

    def __call__(self, task: Task) -> Iterator[NightRecord]:
        """One night under each strategy that is not there yet."""
        yield from play_seed(self.worlds[task.world], self.strategies, task.seed, task.skip)
