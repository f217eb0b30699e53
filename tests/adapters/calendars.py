"""Calendars as text, and what is read from them."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.adapters.calendar import RotaFound, read_between
from monitor.adapters.calendar_shifts import Known
from monitor.core.instants import parse

LONDON, NEW_YORK = "Europe/London", "America/New_York"


def event(*lines: str, uid: str = "one", summary: str = "nurse: nurse-1") -> str:
    """A VEVENT of these lines."""
    return "\r\n".join(("BEGIN:VEVENT", f"UID:{uid}", *lines, f"SUMMARY:{summary}", "END:VEVENT", ""))


def calendar(*events: str) -> str:
    """A whole file."""
    return "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//x//y//EN\r\n" + "".join(events) + "END:VCALENDAR\r\n"


def known(zone: str = LONDON) -> Known:
    """A site that is to have the rota."""
    people = frozenset({"nurse-1", "nurse-2", "charge"})
    return Known(people, frozenset({"nurse", "charge"}), frozenset({"elm", "ash"}), ZoneInfo(zone))


def read(folder: Path, text: str | bytes, start: str, until: str, zone: str = LONDON) -> RotaFound:
    """What a folder with this one file has between two instants."""
    folder.mkdir(exist_ok=True)
    (folder / "rota.ics").write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_between(folder, known(zone), parse(start), parse(until))


def shifts(
    folder: Path, text: str, start: str, until: str, zone: str = LONDON
) -> list[tuple[str, str, float]]:
    """Begin (local, to the minute), end and length in hours of every shift; nothing may be wrong."""
    found = read(folder, text, start, until, zone)
    assert found.problems == ()
    return [
        (_local(span.start, zone), _local(span.end, zone), (span.end - span.start) / 3_600_000)
        for span in found.spans
    ]


def _local(at: int, zone: str) -> str:
    return f"{datetime.fromtimestamp(at / 1000, ZoneInfo(zone)):%Y-%m-%d %H:%M}"
