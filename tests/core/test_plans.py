"""Plan windows in local time: over midnight, over both changes of the clock, against the tz database."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.zones import zone_table
from monitor.core.plans import UTC as NO_ZONE
from monitor.core.plans import Zone, window_at
from tests.core.snapshots import plan

HOUR = 3_600_000
DAY = 24 * HOUR
MINUTE = 60_000
ZONES = (
    "Europe/London",
    "Australia/Lord_Howe",
    "America/St_Johns",
    "Asia/Kolkata",
    "Pacific/Apia",
    "Asia/Beirut",
)


def instant(text: str, zone: str, fold: int = 0) -> int:
    """The UTC instant of a wall clock's time, by the standard library."""
    local = datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone), fold=fold)
    return round(local.timestamp() * 1000)


@given(st.sampled_from(ZONES), st.integers(0, 366 * 3 * 24 * 12))
def test_local_times_become_the_instants_that_the_standard_library_gives(zone: str, steps: int) -> None:
    """A repeated time is its first occurrence, a missing one takes the offset before (zoneinfo, fold=0; RFC 5545)."""
    wall = datetime(2025, 1, 1, tzinfo=UTC) + timedelta(minutes=5 * steps)
    expected = instant(wall.replace(tzinfo=None).isoformat(), zone)
    assert zone_table(zone).to_utc(round(wall.timestamp() * 1000)) == expected


@pytest.mark.parametrize(
    ("at", "inside"),
    [
        ("2026-03-14T19:59:59.999", False),
        ("2026-03-14T20:00", True),
        ("2026-03-15T00:00", True),
        ("2026-03-15T05:59:59.999", True),
        ("2026-03-15T06:00", False),
    ],
)
def test_a_window_over_midnight(at: str, inside: bool) -> None:
    """Its start belongs to it, its end does not."""
    found = window_at(plan((20 * 60, 6 * 60)), NO_ZONE, instant(at, "UTC"))
    expected = (instant("2026-03-14T20:00", "UTC"), instant("2026-03-15T06:00", "UTC"))
    assert found == (expected if inside else None)


@pytest.mark.parametrize(
    ("evening", "hours"),
    [("2026-03-28", 9), ("2026-10-24", 11), ("2026-06-01", 10)],  # clocks go forward, back, nowhere
)
def test_a_night_over_a_change_of_the_clock(evening: str, hours: int) -> None:
    """20:00 to 06:00 is an hour shorter in March and an hour longer in October."""
    table = zone_table("Europe/London")
    start = instant(f"{evening}T20:00", "Europe/London")
    end = start + hours * HOUR
    for at in (start, start + 6 * HOUR, end - 1):
        assert window_at(plan((20 * 60, 6 * 60)), table, at) == (start, end)
    assert window_at(plan((20 * 60, 6 * 60)), table, start - 1) is None
    assert window_at(plan((20 * 60, 6 * 60)), table, end) is None


def test_windows_that_touch_the_missing_and_the_repeated_hour() -> None:
    """01:30 to 04:00 in London: begins at what would have been 01:30, and at the first 01:30 of two."""
    table = zone_table("Europe/London")
    spring = instant("2026-03-29T00:00", "Europe/London") + 90 * MINUTE
    assert window_at(plan((90, 240)), table, spring) == (spring, instant("2026-03-29T04:00", "Europe/London"))
    autumn = instant("2026-10-25T01:30", "Europe/London")
    second = instant("2026-10-25T01:30", "Europe/London", fold=1)
    assert second - autumn == HOUR
    for at in (autumn, second):
        assert window_at(plan((90, 240)), table, at) == (autumn, instant("2026-10-25T04:00", "Europe/London"))


def test_a_whole_day_and_several_windows() -> None:
    """An end at or before the start is the next day's; the gaps between windows are outside."""
    at = instant("2026-03-14T03:00", "UTC")
    assert window_at(plan((8 * 60, 8 * 60)), NO_ZONE, at) == (at - 19 * HOUR, at + 5 * HOUR)
    meals = plan((7 * 60, 8 * 60), (12 * 60, 13 * 60))
    inside = [hour for hour in range(24) if window_at(meals, NO_ZONE, at - 3 * HOUR + hour * HOUR)]
    assert inside == [7, 12]


@given(st.integers(-12 * 60, 14 * 60), st.integers(0, 1439), st.integers(0, 1439), st.integers(0, 5 * 1440))
def test_a_fixed_offset_shifts_the_window(offset: int, start: int, end: int, minute: int) -> None:
    """East of UTC by so many minutes, a window holds exactly the local minutes between its ends."""
    zone = Zone((0,), (offset * MINUTE,))
    at = 20_000 * DAY + minute * MINUTE
    local = (minute + offset) % 1440
    inside = start <= local < end if start < end else local >= start or local < end
    found = window_at(plan((start, end)), zone, at)
    assert (found is not None) is inside
    if found is not None:
        assert found[1] - found[0] == ((end - start) % 1440 or 1440) * MINUTE
