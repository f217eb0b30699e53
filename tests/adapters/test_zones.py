"""The tables of time zones against zoneinfo itself, and the windows of a plan across daylight saving."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.adapters.zones import FIRST_YEAR, LAST_YEAR, zone_table
from monitor.core.messages import Plan, Window
from monitor.core.plans import window_at

HOUR = 3_600_000
NIGHT = Plan(
    windows=(Window(20 * 60, 8 * 60),),
    target_ml=None,
    rate_ml_h=None,
    max_rate_ml_h=None,
    kcal_per_ml=None,
    glucose_risk=False,
    feed_kind=None,
    container_hung=None,
    set_hung=None,
)

# Zones with whole-hour, half-hour and 45-minute offsets, no change at all, a change within Ramadan, a day left out.
ZONES = (
    "UTC",
    "Europe/London",
    "America/New_York",
    "America/St_Johns",
    "Australia/Lord_Howe",
    "Pacific/Chatham",
    "Pacific/Apia",
    "Africa/Casablanca",
    "Asia/Kolkata",
)


def _ms(*when: int) -> int:
    return int(datetime(*when, tzinfo=UTC).timestamp()) * 1000  # type: ignore[arg-type, misc] # six numbers at most


def _offset(zone: str, at: int) -> int:
    found = datetime.fromtimestamp(at // 1000, ZoneInfo(zone)).utcoffset()
    assert found is not None
    return int(found.total_seconds()) * 1000


@pytest.mark.parametrize("zone", ZONES)
def test_offsets_are_those_of_zoneinfo_at_random_instants(zone: str) -> None:
    """A thousand random instants of the table's years have the offset that zoneinfo has."""
    rng = random.Random(zone)
    table = zone_table(zone)
    first, last = _ms(FIRST_YEAR, 1, 1), _ms(LAST_YEAR + 1, 1, 1) - 1
    for _ in range(1000):
        at = rng.randint(first, last)
        assert table.offset(at) == _offset(zone, at), at


@pytest.mark.parametrize("zone", ZONES)
def test_each_change_is_exact(zone: str) -> None:
    """The second before a change has the offset before, the change itself the one after; none is repeated."""
    table = zone_table(zone)
    for number, at in enumerate(table.changes[1:], 1):
        assert table.offset(at - 1) == table.offsets[number - 1] == _offset(zone, at - 1000)
        assert table.offset(at) == table.offsets[number] == _offset(zone, at)
        assert table.offsets[number] != table.offsets[number - 1]


def test_london_changes_at_one_utc() -> None:
    """Summer time begins and ends at 01:00 UTC on the last Sundays of March and October 2026."""
    changes = zone_table("Europe/London").changes
    assert _ms(2026, 3, 29, 1) in changes
    assert _ms(2026, 10, 25, 1) in changes


def test_only_the_years_asked_for() -> None:
    """A table of one year has its first instant and that year's changes."""
    table = zone_table("Europe/London", first_year=2026, last_year=2026)
    assert table.changes == (_ms(2026, 1, 1), _ms(2026, 3, 29, 1), _ms(2026, 10, 25, 1))
    assert table.offsets == (0, HOUR, 0)


@pytest.mark.parametrize(
    ("zone", "noon_before", "hours"),
    [
        # domain.md §10, oracle 16
        ("Europe/London", (2026, 3, 28), 11),
        ("Europe/London", (2026, 10, 24), 13),
        ("America/New_York", (2007, 11, 3), 13),
        ("Europe/London", (2026, 6, 1), 12),
    ],
)
def test_a_night_across_daylight_saving(zone: str, noon_before: tuple[int, int, int], hours: int) -> None:
    """A window from 20:00 to 08:00 is an hour shorter or longer in the nights of the change."""
    table = zone_table(zone)
    year, month, day = noon_before
    evening = int(datetime(year, month, day, 21, tzinfo=ZoneInfo(zone)).timestamp()) * 1000
    window = window_at(NIGHT, table, evening)
    assert window is not None
    start, end = window
    assert end - start == hours * HOUR
    assert start == evening - HOUR


@pytest.mark.parametrize("name", ["Europe/Londn", "", "America", "../zone", "/etc/passwd", "Europe/London\0"])
def test_an_unknown_zone_is_named(name: str) -> None:
    """What is no zone is an error that names it, whatever makes it none."""
    with pytest.raises(ValueError, match="is not a zone of the tz database") as caught:
        zone_table(name)
    assert ascii(name) in str(caught.value)
