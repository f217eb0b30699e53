"""A study's nights, played in processes over the cores: one task is one night of one world under each strategy.

Each process has a pipe of its own to the one that started it. Whoever is killed, the other finds its end closed: no
process plays on for nobody, and none is waited for that is no more.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import traceback
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from multiprocessing.connection import Connection, wait
from typing import Any, NamedTuple

from monitor.study.night_record import NightRecord


class Task(NamedTuple):
    """A night of a world, and the strategies under which it has been played already."""

    world: str
    seed: int
    skip: frozenset[str] = frozenset()

    def __str__(self) -> str:
        return f"{self.world}, seed {self.seed}"


Play = Callable[[Task], Iterator[NightRecord]]
"""Plays a task; can be sent to another process."""


class StudyFailed(Exception):
    """A night could not be played; `trace` is what the program said of it, for whoever mends it."""

    def __init__(self, text: str, trace: str = "") -> None:
        super().__init__(text)
        self.trace = trace


def play_all(
    tasks: Sequence[Task], play: Play, *, cores: int | None = None
) -> Generator[NightRecord, None, None]:
    """Records as they come, in no order; StudyFailed at the first night that cannot be played."""
    cores = min(len(tasks), cores or os.cpu_count() or 1)
    if cores > 1:
        yield from _over_cores(tasks, play, cores)
        return
    for task in tasks:
        try:
            yield from play(task)
        except Exception as error:
            raise StudyFailed(_said(task, error), traceback.format_exc()) from error


def _over_cores(tasks: Sequence[Task], play: Play, cores: int) -> Iterator[NightRecord]:
    context = multiprocessing.get_context("spawn")  # nothing is inherited
    waiting = deque(tasks)
    busy: dict[Connection, Task] = {}
    workers: dict[Connection, Any] = {}
    try:
        for _ in range(cores):
            ours, theirs = context.Pipe()
            worker = context.Process(target=_work, args=(theirs, play), daemon=True)
            worker.start()
            theirs.close()
            workers[ours] = worker
            busy[ours] = waiting.popleft()
            ours.send(busy[ours])
        while busy:
            for ready in wait(list(busy)):
                assert isinstance(ready, Connection)
                try:
                    kind, *what = ready.recv()
                except (EOFError, OSError):
                    workers[ready].join()
                    raise StudyFailed(
                        f"{busy[ready]}: the process that played it ended by itself (exit status "
                        f"{workers[ready].exitcode}): out of memory?"
                    ) from None
                if kind == "night":
                    yield what[0]
                elif kind == "failed":
                    raise StudyFailed(*what)
                elif waiting:
                    busy[ready] = waiting.popleft()
                    ready.send(busy[ready])
                else:
                    del busy[ready]
    finally:
        for pipe, worker in workers.items():
            worker.terminate()
            worker.join()
            pipe.close()


def _work(pipe: Connection, play: Play) -> None:
    """What one process does until nobody is at the other end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever started this one is interrupted, and ends it
    try:
        while True:
            task: Task = pipe.recv()
            try:
                for night in play(task):
                    pipe.send(("night", night))
            except (BrokenPipeError, ConnectionResetError):
                return
            except Exception as error:
                pipe.send(("failed", _said(task, error), traceback.format_exc()))
                return
            pipe.send(("done",))
    except (EOFError, OSError):
        return


def _said(task: Task, error: Exception) -> str:
    return f"{task}: {type(error).__name__}: {error}"
