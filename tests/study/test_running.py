"""Nights over processes: each once, on one core and on two; what fails is said, and no process is left behind."""

from __future__ import annotations

import multiprocessing

import pytest

from monitor.study.running import StudyFailed, Task, play_all
from tests.study.made_up import STRATEGIES, Plays

TASKS = [Task(world, seed) for seed in range(1, 5) for world in ("ward", "homes")]


@pytest.mark.parametrize("cores", [1, 2])
def test_each_night_comes_once(cores: int) -> None:
    """Of each world, seed and strategy; the same on one core and on two."""
    found = [*play_all(TASKS, Plays(), cores=cores)]
    keys = sorted((one.world, one.strategy, one.seed) for one in found)
    assert keys == sorted((task.world, strategy, task.seed) for task in TASKS for strategy in STRATEGIES)
    again = sorted(play_all(TASKS, Plays(), cores=1), key=lambda one: (one.world, one.strategy, one.seed))
    assert sorted(found, key=lambda one: (one.world, one.strategy, one.seed)) == again
    assert multiprocessing.active_children() == []


def test_what_is_there_is_not_played_again() -> None:
    """Strategies to skip come with the task."""
    tasks = [Task("ward", 1, frozenset(STRATEGIES[:2])), Task("ward", 2, frozenset(STRATEGIES[1:]))]
    assert sorted((one.seed, one.strategy) for one in play_all(tasks, Plays(), cores=2)) == [
        (1, "Second Bell as shipped"),
        (2, "nobody told"),
    ]


@pytest.mark.parametrize("cores", [1, 2])
def test_a_night_that_cannot_be_played_is_named(cores: int) -> None:
    """World, seed and error in a line; the trace apart, for whoever mends it."""
    with pytest.raises(StudyFailed) as caught:
        list(play_all(TASKS, Plays(fails=3), cores=cores))
    assert str(caught.value) in (
        "ward, seed 3: KeyError: 'pump-0007'",
        "homes, seed 3: KeyError: 'pump-0007'",
    )
    assert "made_up.py" in caught.value.trace
    assert multiprocessing.active_children() == []


def test_a_process_that_is_gone_is_noticed() -> None:
    """Killed for want of memory, say: it is told which night that was, and nobody waits for ever."""
    with pytest.raises(
        StudyFailed, match=r"seed 2: the process that played it ended by itself \(exit status -9\)"
    ):
        list(play_all(TASKS, Plays(dies=2), cores=2))
    assert multiprocessing.active_children() == []


def test_whoever_stops_listening_leaves_no_process_behind() -> None:
    """As at an interrupt: the rest is not played."""
    nights = play_all(TASKS, Plays(), cores=2)
    next(nights)
    nights.close()
    assert multiprocessing.active_children() == []


def test_nothing_to_play_is_nothing() -> None:
    """All was there."""
    assert list(play_all([], Plays(), cores=2)) == []
