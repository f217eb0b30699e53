"""The site of a trace that comes without a site file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from monitor.core.ladders import MINUTE, Ladder, Rung
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.core.rulebook import Rule
from monitor.core.site import DeviceEntry, Person, Reach, Site
from monitor.hearing import TRACE_UNIT

TRACE_SITE: Final = "trace"
TRACE_KEY: Final = b"trace"  # codes and trail keys of a replay are nobody's


class EveryDevice(Mapping[str, DeviceEntry]):
    """Knows every device that is asked for, and lists none."""

    def __getitem__(self, name: str) -> DeviceEntry:
        return DeviceEntry(id=name, unit=TRACE_UNIT)

    def __contains__(self, name: object) -> bool:
        return True

    def __iter__(self) -> Iterator[str]:
        return iter(())

    def __len__(self) -> int:
        return 0


def trace_site(rules: Iterable[Rule]) -> Site:
    """The site that a trace without a site file has: every device known, no plan, a ladder of two rungs."""
    people = {
        name: Person(id=name, called=called, reach=(Reach("page", name),))
        for name, called in (("first", "first rung"), ("second", "second rung"), ("last", "last resort"))
    }
    spans = [Span(name, name, "*", 0, FOR_EVER) for name in ("first", "second")]
    ladders = {
        ("*", priority): Ladder((Rung(("role:first",), wait), Rung(("role:second",), wait)))
        for priority, wait in (("high", 3 * MINUTE), ("medium", 10 * MINUTE))
    }
    return Site(
        name=TRACE_SITE,
        key=TRACE_KEY,
        last_resort="last",
        units=(TRACE_UNIT,),
        people=people,
        carriers={"page": "page"},
        ladders=ladders,
        rota=Rota(spans),
        rules=tuple(rules),
        devices=EveryDevice(),
    )
