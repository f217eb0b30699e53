"""What must be right about shifts and handovers in a site file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from monitor.core.problems import Problem
from monitor.sitefile.carrier_checks import has_mail
from monitor.sitefile.problems import show_value
from monitor.sitefile.shifts_table import SHIFTS

if TYPE_CHECKING:
    from monitor.sitefile.reading import SiteFile


def handover_mistakes(found: SiteFile) -> Iterator[Problem]:
    """Handovers to people who are not there or have no mail, after shifts that the site does not have."""
    if "handover" in found.broken:
        return
    for index, person in enumerate(found.handover.to):
        if person not in found.written["people"]:
            wanted = f"one of the people of this file: {_names(found.written['people'])}"
            yield Problem(found.file, f"handover.to[{index}]", show_value(person), wanted)
        elif person in found.people and "carriers" not in found.broken and not has_mail(found, person):
            wanted = 'a person with a way of kind = "email": a page is too long for a pager'
            yield Problem(found.file, f"handover.to[{index}]", show_value(person), wanted)
    if "shifts" in found.broken:
        return
    known = found.shifts or SHIFTS
    for index, shift in enumerate(found.handover.shifts):
        if shift not in known:
            wanted = f"one of the shifts of this site: {_names(known)}"
            yield Problem(found.file, f"handover.shifts[{index}]", show_value(shift), wanted)


def _names(known: Iterable[str]) -> str:
    return ", ".join(sorted(known)) or "it has none"
