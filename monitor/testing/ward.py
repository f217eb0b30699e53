"""An invented ward to begin with, and alarm conditions for its pumps."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from monitor.core.instants import parse
from monitor.core.ladders import MINUTE, Ladder, Rung
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.core.rulebook import Rule
from monitor.core.site import DeviceEntry, Person, Reach, Site
from monitor.shipped import shipped_rules

START = parse("2026-03-13T22:00:00Z")


def alarm(
    condition: str,
    priority: str = "medium",
    *,
    inactivation: str = "enabled",
    line: str = "feed",
    since: int | None = None,
) -> dict[str, Any]:
    """One alarm condition for `snapshot`; without `since` (ms UTC) it began when it first showed."""
    return {
        "condition": condition,
        "priority": priority,
        "inactivation": inactivation,
        "line": line,
        "since": since,
    }


def ward(rules: Iterable[Rule] | None = None, **changed: Any) -> Site:
    """An invented ward: two nurses on the first rung, a charge nurse on the second, the manager as last resort.

    Each is reached by page first, by mail next. The nurses' duty ends at 07:00; whoever else there is has no end of
    duty. `changed` are fields of `Site`; the rules are the shipped ones, if no others are given.
    """
    people = {
        name: Person(
            id=name, called=called, reach=(Reach("pager", pager), Reach("mail", f"{name}@ward.invalid"))
        )
        for name, called, pager in (
            ("nurse-1", "night nurse 1", "4471"),
            ("nurse-2", "night nurse 2", "4472"),
            ("day-1", "day nurse 1", "4475"),
            ("charge", "charge nurse", "4480"),
            ("manager", "ward manager", "4490"),
            ("technical", "technical contact", "4495"),
        )
    }
    morning = START + 9 * 60 * MINUTE
    spans = [
        Span("nurse-1", "nurse", "*", 0, morning),
        Span("nurse-2", "nurse", "*", 0, morning),
        Span("day-1", "nurse", "*", morning, FOR_EVER),
        Span("charge", "charge", "*", 0, FOR_EVER),
    ]
    site: dict[str, Any] = {
        "name": "larkfield",
        "key": b"a key for tests only",
        "last_resort": "manager",
        "technical": "technical",
        "units": ("elm", "oak"),
        "people": people,
        "carriers": {"pager": "page", "mail": "mail"},
        "rota": Rota(spans),
        "ladders": {
            ("*", priority): Ladder((Rung(("role:nurse",), wait), Rung(("role:charge",), wait)))
            for priority, wait in (("high", 3 * MINUTE), ("medium", 10 * MINUTE), ("low", 10 * MINUTE))
        },
        "rules": tuple(shipped_rules() if rules is None else rules),
        "devices": {
            f"pump-{n}": DeviceEntry(
                id=f"pump-{n}", unit="elm", place=f"bay 3 bed {n}", pager_place=f"B3/{n}"
            )
            for n in range(1, 7)
        },
    }
    return Site(**site | changed)
