"""Who is told next, and when: rungs of people, each with a wait, and what happens past the last one."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from monitor.core.rota import Rota

MINUTE = 60_000

# Shipped times (common practice, no source; a site sets its own), by priority.
WAIT = {"high": 3 * MINUTE, "medium": 10 * MINUTE}
RECHECK = {"high": 10 * MINUTE, "medium": 20 * MINUTE, "low": 20 * MINUTE}
REPEAT = 10 * MINUTE


class Rung(NamedTuple):
    """Who is told together ("role:nurse" or "person:n1"), and how long they have, in ms."""

    tell: tuple[str, ...]
    wait: int


class Ladder(NamedTuple):
    """The rungs for one unit and priority; past the last, everybody and the last resort each `repeat` ms."""

    rungs: tuple[Rung, ...]
    repeat: int = REPEAT

    @property
    def roles(self) -> tuple[str, ...]:
        """The roles that it names, in the order in which they are told."""
        parts = (entry.partition(":") for rung in self.rungs for entry in rung.tell)
        return tuple(dict.fromkeys(name for kind, _, name in parts if kind == "role"))


class Call(NamedTuple):
    """Who is to be told now: the rung reached (number of rungs: past the last), the persons, the wait in ms."""

    rung: int
    people: tuple[str, ...]
    wait: int
    empty: tuple[int, ...]  # rungs passed over because nobody was there


def people_of(rung: Rung, unit: str, at: int, rota: Rota) -> tuple[str, ...]:
    """The persons of a rung who are on duty now."""
    found: list[str] = []
    for entry in rung.tell:
        kind, _, name = entry.partition(":")
        if kind == "role":
            found += rota.on_duty(unit, name, at)
        elif rota.is_on_duty(name, at):
            found.append(name)
    return tuple(dict.fromkeys(found))


def call(
    ladder: Ladder,
    start: int,
    unit: str,
    at: int,
    rota: Rota,
    last_resort: str,
    without: frozenset[str] = frozenset(),
    reachable: Callable[[str], bool] = lambda _: True,
) -> Call:
    """The first rung from `start` on that somebody is on; nobody on duty is never silence: then the next at once.

    `without` are persons who have refused on this round; who is not `reachable` is not there, but for the last resort.
    Past the last rung everybody is called and the last resort.
    """
    empty: list[int] = []
    for index in range(start, len(ladder.rungs)):
        found = people_of(ladder.rungs[index], unit, at, rota)
        people = tuple(person for person in found if person not in without and reachable(person))
        if people:
            return Call(index, people, ladder.rungs[index].wait, tuple(empty))
        empty.append(index)
    everybody = [
        person for rung in ladder.rungs for person in people_of(rung, unit, at, rota) if reachable(person)
    ]
    return Call(
        len(ladder.rungs), tuple(dict.fromkeys([*everybody, last_resort])), ladder.repeat, tuple(empty)
    )
