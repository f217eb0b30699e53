"""What must be right about drills in a site file, and what is worth a second look."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from monitor.core.problems import Problem
from monitor.core.site import DRILL
from monitor.sitefile.problems import show_value

if TYPE_CHECKING:
    from monitor.sitefile.reading import SiteFile


def drill_mistakes(found: SiteFile) -> Iterator[Problem]:
    """Drills of units or to people that are not there, and pumps that are called as only drills are."""
    for index, drill in found.drills.items():
        for key, value, section in (("unit", drill.unit, "units"), ("to", drill.to, "people")):
            known = found.written[section]
            if value is not None and value not in known:
                names = ", ".join(sorted(known)) or "it has none"
                wanted = f"one of the {section} of this file: {names}"
                yield Problem(found.file, f"drills[{index}].{key}", show_value(value), wanted)
    for device in sorted(found.written["devices"]):
        if device.startswith(DRILL):
            file, key = (found.file, f"devices.{device}")
            if device in found.csv_lines:
                file, key = found.csv_file, f"line {found.csv_lines[device]}, column id"
            wanted = f"another name: one that begins with {DRILL} is a drill's made-up pump, and nobody's"
            yield Problem(file, key, show_value(device), wanted)


def drill_doubts(found: SiteFile) -> Iterator[Problem]:
    """Units with pumps (all, if none is listed) of which nobody proves by calendar that their people are reached."""
    if "drills" in found.broken:
        return
    drilled = {drill.unit for drill in found.drills.values() if drill.to is None}
    with_pumps = {device.unit for device in found.devices.values()} or found.written["units"]
    lacking = sorted((with_pumps & found.written["units"]) - drilled)
    if lacking:
        some = ", ".join(lacking[:10]) + (f" and {len(lacking) - 10} more" if len(lacking) > 10 else "")
        wanted = (
            f"none by calendar for {some}: only a drill shows whether its people would be reached tonight"
        )
        yield Problem(found.file, "drills", "", wanted)
