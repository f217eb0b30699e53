"""What `secondbell check` says of a rota: what is wrong in its files, its holes, and ladders that nobody is on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import islice
from typing import Final, NamedTuple

from monitor.core.instants import show_duration
from monitor.core.problems import Problem
from monitor.core.rota import Rota
from monitor.rota.command import span
from monitor.rota.holes import LOOK, Hole, empty_ladders, holes
from monitor.rota.reading import rota_of
from monitor.settings import Settings
from monitor.sitefile.checks import waits
from monitor.sitefile.reading import SiteFile
from monitor.sitefile.tables import DutyTable

MOST_LINES: Final = 20  # of one kind; more are counted


class Looked(NamedTuple):
    """What is wrong, what is worth a second look, and lines about the coming 4 weeks, each kind under its title."""

    errors: tuple[Problem, ...]
    warnings: tuple[Problem, ...]
    lines: tuple[tuple[str, tuple[str, ...]], ...]


def look(found: SiteFile, settings: Settings, now: int) -> Looked:
    """Look at the rota of a site that is right in itself."""
    site = settings.site
    read = rota_of(settings, now)
    if read is not None and read.problems:
        return Looked(read.problems, (), ())
    rota = site.rota if read is None else Rota(site.rota.fixed, shifts=read.spans, named=read.named)
    kinds = (
        ("Nobody is on duty, in the coming 4 weeks", holes, lambda hole: hole.what),
        (
            "Nobody is on any rung, so that only the last resort would be told, in the coming 4 weeks",
            empty_ladders,
            lambda hole: f"{hole.what} priority",
        ),
    )
    lines = []
    for title, search, what in kinds:
        told = _lines(settings, list(search(site, rota, now, now + LOOK)), what, now)
        if told:
            lines.append((title, told))
    doubts = () if read is None else read.doubts
    return Looked((), (*doubts, *_too_short(found, rota)), tuple(lines))


def _lines(
    settings: Settings, found: Sequence[Hole], what: Callable[[Hole], str], now: int
) -> tuple[str, ...]:
    told = [_line(settings, hole, what(hole), now) for hole in islice(found, MOST_LINES)]
    if len(found) > MOST_LINES:
        told.append(f"and {len(found) - MOST_LINES} more")
    return tuple(told)


def _line(settings: Settings, hole: Hole, what: str, now: int) -> str:
    called = settings.units_called.get(hole.unit, hole.unit)
    unit = hole.unit if called == hole.unit else f"{called} ({hole.unit})"
    if (hole.start, hole.end) == (now, now + LOOK):
        return f"{unit}, {what}: the whole 4 weeks; is it written in the same way in ladders and rota?"
    zone = settings.site.zone
    return f"{unit}, {what}: {span(hole.start, hole.end, zone)} ({show_duration(hole.end - hole.start)})"


def _too_short(found: SiteFile, rota: Rota) -> Iterator[Problem]:
    """Waits that are over before all ways to somebody of the rota can have been tried."""
    duty = {
        -number: DutyTable(person=person, role=role, unit=unit)
        for number, (person, role, unit) in enumerate(
            sorted({(shift.person, shift.role, shift.unit) for shift in rota.shifts}), 1
        )
    }
    known = set(waits(found))
    yield from (problem for problem in waits(replace(found, duty=found.duty | duty)) if problem not in known)
