"""Times, durations, counts and quantities as a person says them."""

import pytest

from monitor.core.instants import HOUR, MINUTE, parse
from monitor.core.phrases import clock, for_how_long, one_line, ordinal, quantity
from monitor.core.plans import UTC, Zone
from tests.core.sample_facts import NOW, ZONE


@pytest.mark.parametrize(
    ("ms", "text"),
    [
        (-5, "less than 1 min"), (59_999, "less than 1 min"), (MINUTE, "1 min"), (6 * MINUTE + 12_000, "6 min"),
        (80 * MINUTE, "1 h 20 min"), (26 * HOUR, "1 d 2 h"), (10**18, "more than 30 d"),
    ],
)  # fmt: skip
def test_durations(ms: int, text: str) -> None:
    """Durations are said in minutes and hours, as a person would."""
    assert for_how_long(ms) == text


@pytest.mark.parametrize(
    ("at", "text"),
    [
        (NOW, "02:14"), (NOW - 4 * HOUR, "22:14"), (NOW - 18 * HOUR, "2026-03-13 08:14"),
        (10**18, "02:46 of an impossible day"),
    ],
)  # fmt: skip
def test_times_of_day(at: int, text: str) -> None:
    """Times are local; another day's has its date."""
    assert clock(at, NOW, ZONE) == text


def test_summer_time_is_the_zones() -> None:
    """A time after the change is shown in the offset of its own instant."""
    change = parse("2026-03-29T01:00:00Z")
    zone = Zone((0, change), (0, HOUR))
    assert clock(change - MINUTE, change, zone) == "00:59"
    assert clock(change, change, zone) == "02:00"
    assert clock(change, change, UTC) == "01:00"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "unknown"), (float("nan"), "unknown"), (float("-inf"), "unknown"), (0, "0 mL"), (0.4, "under 1 mL"),
        (412.5, "412 mL"), (1e300, "over 1000000 mL"),
    ],
)  # fmt: skip
def test_quantities(value: float | None, text: str) -> None:
    """What is unknown is never zero, and zero is never unknown."""
    assert quantity(value, "mL") == text


def test_ordinals() -> None:
    """The English ordinals, with the teens."""
    assert [ordinal(n) for n in (0, 1, 2, 3, 4, 11, 12, 13, 21, 22, 100)] == [
        "1st", "1st", "2nd", "3rd", "4th", "11th", "12th", "13th", "21st", "22nd", "more than 99th",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("bay 3\r\nbed 12", "bay 3 bed 12"), ("  a\t b ", "a b"), ("ba\u200by\u202e 3", "bay 3"), ("x\x00y", "x y"),
        ("Zimmer 3 Süd", "Zimmer 3 Süd"), ("a" * 11, "a" * 9 + "…"),
    ],
)  # fmt: skip
def test_texts_from_outside_become_one_line(text: str, line: str) -> None:
    """Line ends and controls become blanks, hidden characters go, letters stay."""
    assert one_line(text, 10 if text[:2] == "aa" else 40) == line
