"""How far a study is: a bar on a terminal, else a line now and then."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final, Protocol

from monitor.core.instants import show_duration
from monitor.study.night_record import NightRecord

LINE_EVERY: Final = 30.0  # seconds


class Progress(Protocol):
    """Hears of each night."""

    def __call__(self, night: NightRecord) -> None:
        """One more is done."""


class Pace:
    """What is done and how fast; `now` is in seconds on any clock."""

    def __init__(self, nights: int, now: float) -> None:
        """Begin."""
        self.nights, self.done, self.messages = nights, 0, 0
        self._began = now
        self._told = now

    def add(self, night: NightRecord) -> None:
        """One more is done."""
        self.done += 1
        self.messages += night.messages

    def text(self, now: float) -> str:
        """In words."""
        took = now - self._began
        speed = f", {self.messages / took:,.0f} messages/s" if took > 0 else ""
        return f"{self.done} of {self.nights} nights{speed}{self._left(took)}"

    def due(self, now: float) -> bool:
        """Whether a line should be told again."""
        if now - self._told < LINE_EVERY:
            return False
        self._told = now
        return True

    def _left(self, took: float) -> str:
        if not self.done or self.done == self.nights:
            return ""
        left = took / self.done * (self.nights - self.done)
        return f", about {show_duration(max(1, round(left)) * 1000)} left"


@contextmanager
def shown(nights: int, say: Callable[[str], None], clock: Callable[[], float]) -> Iterator[Progress]:
    """Show how far it is until the end."""
    pace = Pace(nights, clock())
    if not sys.stderr.isatty():

        def line(night: NightRecord) -> None:
            pace.add(night)
            if pace.due(now := clock()):
                say(pace.text(now))

        yield line
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn
    from rich.progress import Progress as Bar

    with Bar(
        BarColumn(), TextColumn("{task.description}"), console=Console(stderr=True), transient=True
    ) as bar:
        task = bar.add_task(pace.text(clock()), total=nights)

        def step(night: NightRecord) -> None:
            pace.add(night)
            bar.update(task, advance=1, description=pace.text(clock()))

        yield step
