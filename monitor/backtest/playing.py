"""The same recorded messages for several sites: read and decoded once in each process, then given to each engine.

Sites are shared out among processes (spawned, so that nothing is inherited), of which each reads all the messages: one
replay cannot be cut in two, as what is told of one device depends on what is being gathered of the others.
"""

from __future__ import annotations

import multiprocessing
import os
import queue
import signal
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, NamedTuple

from monitor.backtest.measures import Measures, Tally, duty
from monitor.core.problems import Problem, ProblemsFound
from monitor.core.site import Site
from monitor.hearing import Heard, Hearing
from monitor.replay import NOTHING_NEW, Player, Traces

LOOK: Final = 0.5  # seconds between two looks whether a process is still there
PLAIN_STEP: Final = 5_000  # lines of plain traces between two steps of the progress bar

Progress = Callable[[float], None]
"""Hears how much of the work is done, from 0 to 1."""


class Played(NamedTuple):
    """What came of one site, and what there is to say of the recording."""

    measures: Measures
    doubts: tuple[str, ...]


class Backtest:
    """One engine and its tally."""

    def __init__(self, site: Site) -> None:
        """Begin with the first line."""
        self._site = site
        self._player = Player(site, lateness=site.times.lateness)  # as the service
        self._tally = Tally()
        self._first_heard: list[int] = []

    def give(self, heard: Heard) -> None:
        """Take a line."""
        if (happened := self._player.give(heard)) is NOTHING_NEW:
            return
        if happened:
            self._tally.take(happened)
        engine = self._player.engine
        assert engine is not None
        if len(engine.devices) > len(self._first_heard):
            self._first_heard.append(heard.received)

    def end(self, until: int | None) -> Measures:
        """Let time pass to the end, and count."""
        self._tally.take(self._player.end(until))
        player, counters = self._player, self._player.engine.counters if self._player.engine else {}
        rejected = sum(number for name, number in counters.items() if name.startswith("rejected "))
        return Measures(
            site=self._site.name,
            since=player.began,
            until=player.now,
            messages=counters.get("messages", 0),
            not_taken=rejected,
            devices=len(self._first_heard),
            device_ms=sum(player.now - at for at in self._first_heard),
            stories=tuple(self._tally.stories.values()),
            sent=tuple(self._tally.sent),
            duty=duty(self._site.rota, player.began, player.now),
        )


def play(
    paths: Sequence[Path],
    sites: Sequence[Site],
    *,
    known: bool = False,
    until: int | None = None,
    cores: int | None = None,
    progress: Progress | None = None,
) -> list[Played]:
    """What comes of each site, in their order; `known` as for `replay`.

    Raises ProblemsFound for traces that cannot be read or hold nothing, RuntimeError if a process ends by itself.
    """
    cores = min(len(sites), cores or os.cpu_count() or 1)
    shares = [[*range(start, len(sites), cores)] for start in range(cores)]
    tell = progress or (lambda _: None)
    if cores == 1:
        return _play_here(paths, sites, known, until, tell)
    context = multiprocessing.get_context("spawn")
    said: Any = context.Queue()
    workers = [
        context.Process(
            target=_work,
            args=(number, paths, [replace(sites[n], _compiled={}) for n in share], known, until, said),
            daemon=True,
        )
        for number, share in enumerate(shares)
    ]
    for worker in workers:
        worker.start()
    done = [0.0] * cores
    results: dict[int, list[Played]] = {}
    try:
        while len(results) < cores:
            try:
                kind, number, what = said.get(timeout=LOOK)
            except queue.Empty:
                for number, worker in enumerate(workers):
                    if number not in results and worker.exitcode is not None and said.empty():
                        raise RuntimeError(
                            f"a process that replayed ended by itself (exit status {worker.exitcode}): out of memory?"
                        ) from None
                continue
            if kind == "problems":
                raise ProblemsFound([Problem(*problem) for problem in what])
            if kind == "progress":
                done[number] = what
                tell(sum(done) / cores)
            else:
                results[number] = what
    finally:
        for worker in workers:
            worker.terminate()
            worker.join()
    found: dict[int, Played] = {}
    for number, share in enumerate(shares):
        found.update(zip(share, results[number], strict=True))
    return [found[place] for place in range(len(sites))]


def _work(
    number: int, paths: Sequence[Path], sites: Sequence[Site], known: bool, until: int | None, said: Any
) -> None:
    """What one process does."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever started this one is interrupted, and ends it
    try:
        played = _play_here(paths, sites, known, until, lambda share: said.put(("progress", number, share)))
    except ProblemsFound as error:
        said.put(("problems", number, [tuple(problem) for problem in error.problems]))
    else:
        said.put(("played", number, played))


def _play_here(
    paths: Sequence[Path], sites: Sequence[Site], known: bool, until: int | None, tell: Progress
) -> list[Played]:
    traces = Traces(paths)
    backtests = [Backtest(site) for site in sites]
    opened = 0

    def open_next() -> None:
        nonlocal opened
        tell(opened / traces.files)
        opened += 1

    taken = 0
    for heard in traces.heard(Hearing(sites[0], known=known), open_next):
        if until is not None and heard.received > until:
            break
        for backtest in backtests:
            backtest.give(heard)
        taken += 1
        if not traces.files and taken % PLAIN_STEP == 0:
            tell(taken / traces.lines)
    tell(1.0)
    if not taken:
        where = ", ".join(map(str, paths))
        raise ProblemsFound([Problem(where, "", "", "at least one message; there is none in it")])
    measures = [backtest.end(until) for backtest in backtests]
    return [Played(found, (*traces.tears, *_doubts(found))) for found in measures]


def _doubts(found: Measures) -> list[str]:
    """What one must know to read the figures of a site."""
    if not found.not_taken:
        return []
    return [
        f"site {found.site}: {found.not_taken} of {found.messages} messages were not taken: of another site, or "
        "unreadable"
    ]
