"""Windows of a plan around a run that begins at noon."""

from __future__ import annotations

import pytest

from simulators.feeding_days import Schedule, Span, spans
from simulators.instants import HOUR

NOON = 12 * 60
OVERNIGHT = (("20:00", "06:00"),)
ALL_DAY = (("07:00", "02:00"),)
BOLUSES = (("08:00", "09:00"), ("12:30", "13:30"), ("18:00", "19:00"))


def test_an_overnight_window_lies_within_the_run() -> None:
    """From 20:00, eight hours after noon, for ten hours."""
    assert spans(OVERNIGHT, from_min=NOON) == (Span(8 * HOUR, 18 * HOUR, 0),)


def test_a_window_open_at_noon_began_before() -> None:
    """It belongs to the feeding day before; the next begins at 07:00."""
    assert spans(ALL_DAY, from_min=NOON) == (Span(-5 * HOUR, 14 * HOUR, 0), Span(19 * HOUR, 38 * HOUR, 1))


def test_boluses_of_one_day_belong_together() -> None:
    """A day begins after the longest pause; what it had before noon is kept."""
    found = spans(BOLUSES, from_min=NOON)
    assert [span.begin / HOUR for span in found] == [-4, 0.5, 6, 20]
    assert found[0].day == found[1].day == found[2].day == found[3].day - 1


def test_no_windows_ask_for_nothing() -> None:
    """A spare pump's plan."""
    schedule = Schedule(spans((), from_min=NOON), 80, 0)
    assert (schedule.due_ml(HOUR), schedule.window(0)) == (0, None)


def test_what_is_due_is_capped_by_the_target() -> None:
    """80 mL/h from 20:00, 700 mL in all: the target is reached after 8 h 45 min."""
    schedule = Schedule(spans(OVERNIGHT, from_min=NOON), 80, 700)
    assert [schedule.due_ml(at * HOUR) for at in (8, 9, 16, 17, 24)] == pytest.approx([0, 80, 640, 700, 700])


def test_what_was_due_before_noon_is_not_due_in_the_run() -> None:
    """100 mL/h from 07:00 to 02:00, 1800 mL in all: 500 before noon, 1300 after; then the next day's 500."""
    schedule = Schedule(spans(ALL_DAY, from_min=NOON), 100, 1800)
    assert schedule.due_ml(14 * HOUR) == pytest.approx(1300)
    assert schedule.due_ml(24 * HOUR) == pytest.approx(1300 + 500)
