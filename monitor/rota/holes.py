"""When nobody is on duty: holes of a rota for each unit and role that a ladder names, and ladders that nobody is on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final, NamedTuple

from monitor.core.instants import DAY
from monitor.core.rota import Rota, Span
from monitor.core.site import Site

LOOK: Final = 28 * DAY  # ms ahead of now
PRIORITIES: Final = ("high", "medium", "low")


class Stretch(NamedTuple):
    """From `start` until before `end` (ms UTC) these are on duty."""

    start: int
    end: int
    people: tuple[str, ...] = ()


class Hole(NamedTuple):
    """Nobody is there for a unit in a role, or on any rung of its ladder of a priority."""

    unit: str
    what: str
    start: int
    end: int


def roles_of(site: Site, unit: str) -> tuple[str, ...]:
    """The roles that the ladders of a unit name, in the order in which they are told."""
    return tuple(dict.fromkeys(role for priority in PRIORITIES for role in site.ladder(unit, priority).roles))


def holes(site: Site, rota: Rota, start: int, end: int) -> Iterator[Hole]:
    """Every time in which nobody has a role that a ladder of the unit names."""
    for unit in site.units:
        for role in roles_of(site, unit):
            for stretch in _gaps(rota.of_role(unit, role), start, end):
                yield Hole(unit, role, stretch.start, stretch.end)


def empty_ladders(site: Site, rota: Rota, start: int, end: int) -> Iterator[Hole]:
    """Every time in which nobody is on any rung of a ladder, so that only the last resort is told."""
    for unit in site.units:
        for priority in PRIORITIES:
            ladder = site.ladder(unit, priority)
            empty = [Stretch(start, end)]
            for entry in dict.fromkeys(entry for rung in ladder.rungs for entry in rung.tell):
                kind, _, name = entry.partition(":")
                if kind == "role":
                    gaps = _gaps(rota.of_role(unit, name), start, end)
                else:
                    gaps = _gaps(rota.of_person(name), start, end) if rota.lists(name) else []
                empty = _both(empty, gaps)
            if ladder.rungs:  # that a unit has no ladder is said elsewhere
                yield from (Hole(unit, priority, stretch.start, stretch.end) for stretch in empty)


def stretches(spans: Iterable[Span], start: int, end: int) -> list[Stretch]:
    """Who is on duty when, by spans of one role: each stretch as long as these are the same."""
    listed = [span for span in spans if span.start < end and span.end > start]
    edges: dict[int, list[tuple[bool, int]]] = {start: []}
    for number, span in enumerate(listed):
        edges.setdefault(max(start, span.start), []).append((True, number))
        edges.setdefault(min(end, span.end), []).append((False, number))
    there: set[int] = set()
    found: list[Stretch] = []
    for at in sorted(edges):
        if at == end:
            break
        for comes, number in edges[at]:
            (there.add if comes else there.discard)(number)
        people = tuple(dict.fromkeys(listed[number].person for number in sorted(there)))
        if not found or found[-1].people != people:
            found.append(Stretch(at, end, people))
            if len(found) > 1:
                found[-2] = found[-2]._replace(end=at)
    return found


def _gaps(spans: Iterable[Span], start: int, end: int) -> list[Stretch]:
    """The times that no span covers."""
    found, reached = [], start
    for span in sorted(spans, key=lambda span: span.start):
        if span.start >= end:
            break
        if span.start > reached:
            found.append(Stretch(reached, span.start))
        reached = max(reached, span.end)
    if reached < end:
        found.append(Stretch(reached, end))
    return found


def _both(first: list[Stretch], second: list[Stretch]) -> list[Stretch]:
    """The times that are in both; each in order, and none of its own overlapping."""
    found, one, other = [], 0, 0
    while one < len(first) and other < len(second):
        start = max(first[one].start, second[other].start)
        end = min(first[one].end, second[other].end)
        if start < end:
            found.append(Stretch(start, end))
        if first[one].end < second[other].end:
            one += 1
        else:
            other += 1
    return found
