"""Shifts in local time."""

from __future__ import annotations

from monitor.adapters.zones import zone_table
from monitor.core.instants import parse, show
from monitor.reports.spans import shift
from monitor.sitefile.shifts_table import SHIFTS

HOUR = 3_600_000
LONDON = zone_table("Europe/London")


def _lasts(at: str) -> tuple[str, str, float]:
    found = shift("night", SHIFTS, LONDON, parse(at))
    return show(found.start), show(found.end), (found.end - found.start) / HOUR


def test_a_night_is_eleven_or_thirteen_hours_when_the_clocks_change() -> None:
    """20:00 to 08:00 on 28 March 2026 and 24 October 2026 in London (domain facts, oracle 16; tz database)."""
    assert _lasts("2026-03-29T06:00:00Z") == ("2026-03-28T20:00:00.000Z", "2026-03-29T07:00:00.000Z", 11)
    assert _lasts("2026-10-25T06:00:00Z") == ("2026-10-24T19:00:00.000Z", "2026-10-25T08:00:00.000Z", 13)


def test_by_day_it_is_the_night_that_has_ended() -> None:
    """At noon the last night is meant; at its first instant a night is the one that begins."""
    assert _lasts("2026-03-15T12:00:00Z")[0] == "2026-03-14T20:00:00.000Z"
    assert _lasts("2026-03-15T20:00:00Z")[0] == "2026-03-15T20:00:00.000Z"
