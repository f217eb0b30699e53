"""Plans and shortfall: published worked examples, nights on which the clock changes, and a sum minute by minute."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from monitor.adapters.zones import zone_table
from monitor.core import progress as ours
from monitor.core.messages import Plan, Window
from monitor.core.progress import day_begins, feeding_day
from tests.core.feeding_minutes import (
    MINUTE,
    instant,
    longest_pauses,
    minute_by_minute,
    planned,
    scheduled_by_minutes,
)
from tests.core.mutants_progress import MUTANTS

HOUR = 60 * MINUTE
LONDON = "Europe/London"
ZONES = (LONDON, "UTC", "Australia/Lord_Howe", "America/St_Johns", "Asia/Beirut", "Pacific/Apia")


def assert_as_minute_by_minute(code: Any, plan: Plan, zone: str, at: int, given_ml: float) -> None:
    """Feeding day, schedule and progress are what the sum over minutes gives, to the last bit for the schedule."""
    day = code.feeding_day(plan, zone_table(zone), at)
    first = day_begins(plan.windows)
    assert first in longest_pauses(plan.windows)
    minutes = minute_by_minute(plan, zone, at, first)
    assert (day.start, day.end) == (minutes.begins, minutes.ends)
    assert day.start <= at < day.end
    passed = len(minutes.until(at))
    assert day.passed(at) == passed * MINUTE
    assert day.left(at) == (len(minutes.due) - passed) * MINUTE
    assert day.whole() == len(minutes.due) * MINUTE
    assert day.inside(at) is (at in minutes.due)
    assert all(before.end <= after.start for before, after in zip(day.spans, day.spans[1:], strict=False))
    scheduled = scheduled_by_minutes(minutes, plan.target_ml, at)
    assert code.scheduled_ml(day, plan.target_ml, at) == scheduled

    found = code.progress(plan, day, plan.target_ml, given_ml, at)
    assert found.scheduled_ml == scheduled
    assert found.shortfall_ml == (None if scheduled is None else max(0.0, scheduled - given_ml))
    target = (
        scheduled_by_minutes(minutes, plan.target_ml, minutes.ends)
        if plan.target_ml is None
        else plan.target_ml
    )
    assert found.target_ml == target
    if target is None:
        assert found.needed_ml_h is None
        assert found.cannot_ml is None
        return
    rest, hours = max(0.0, target - given_ml), (len(minutes.due) - passed) / 60
    if hours:
        assert found.needed_ml_h == pytest.approx(rest / hours)
    else:
        assert found.needed_ml_h == (None if rest else 0.0)
    assert found.cannot_ml == pytest.approx(max(0.0, rest - found.allowed_ml_h * hours))


@st.composite
def apart(draw: st.DrawFn) -> tuple[Window, ...]:
    """Up to four windows that do not overlap, some over midnight, some that touch; in any order."""
    cuts = sorted(draw(st.sets(st.integers(0, 95).map(lambda quarter: quarter * 15), min_size=2, max_size=8)))
    used = cuts[: len(cuts) // 2 * 2]
    edges = used[1:] + used[:1] if draw(st.booleans()) else used
    rates = st.none() | st.integers(0, 300).map(lambda half: half / 2)
    windows = [Window(edges[n], edges[n + 1], draw(rates)) for n in range(0, len(edges), 2)]
    if draw(st.booleans()):  # two that touch
        middle = Window(windows[0].end_min, windows[0].end_min + 1, draw(rates))
        if not any(
            0 <= (middle.start_min - w.start_min) % 1440 < (w.end_min - w.start_min) % 1440 for w in windows
        ):
            windows.append(middle)
    return tuple(draw(st.permutations(windows)))


anyhow = st.lists(
    st.builds(
        Window,
        st.integers(0, 47).map(lambda half: half * 30),
        st.integers(1, 48).map(lambda half: half * 30),
        st.none() | st.sampled_from((40.0, 75.0, 120.5)),
    ),
    min_size=1,
    max_size=4,
).map(tuple)
whole_day = st.sampled_from(
    ((Window(0, 1440),), (Window(420, 420),), (Window(0, 720, 50.0), Window(720, 1440, 75.0)))
)
# Half of the instants are near a change of a clock of one of the zones in 2026.
changes = st.sampled_from(
    (
        "2026-03-29T01:00",
        "2026-10-25T01:00",
        "2026-04-04T15:00",
        "2026-03-08T05:30",
        "2026-03-28T22:00",
        # Put back over midnight in St John's; Apia had no 30 December.
        "2006-10-29T02:31",
        "2011-12-30T10:00",
    )
).map(instant)
instants = st.integers(0, 365 * 1440).map(lambda n: instant("2026-01-01T00:00") + n * MINUTE) | st.builds(
    lambda at, minutes: at + minutes * MINUTE, changes, st.integers(-1500, 1500)
)
volumes = st.none() | st.integers(0, 2400).map(float)


@example(  # a window from the day before the one that Samoa left out, 30 December 2011
    (Window(0, 900, 120.5), Window(150, 720, None), Window(1260, 300, None)), None, None, 80.0, "Pacific/Apia",
    1_325_314_140_000, 30.0,
)  # fmt: skip
@given(
    apart() | anyhow | whole_day,
    volumes,
    st.none() | st.sampled_from((60.0, 100.0)),
    st.none() | st.sampled_from((80.0, 200.0)),
    st.sampled_from(ZONES),
    instants,
    st.integers(0, 2500).map(float),
)
def test_any_plan_in_any_zone_is_the_sum_over_its_minutes(
    windows: tuple[Window, ...],
    target: float | None,
    rate: float | None,
    most: float | None,
    zone: str,
    at: int,
    given_ml: float,
) -> None:
    """Windows apart, touching, overlapping, over midnight, all day: by independent code with the tz database."""
    plan = Plan(windows, target, rate, most, None, False, None, None, None)
    assert_as_minute_by_minute(ours, plan, zone, at, given_ml)


@given(apart(), st.sampled_from(ZONES), instants)
def test_where_no_edge_meets_a_change_the_clock_on_the_wall_decides(
    windows: tuple[Window, ...], zone: str, at: int
) -> None:
    """Each minute of the feeding day is due exactly if its local time lies between from and to."""
    assume(all(300 <= edge <= 1380 for w in windows for edge in (w.start_min, w.end_min)))
    day = feeding_day(Plan(windows, 1000.0, None, None, None, False, None, None, None), zone_table(zone), at)
    assert day is not None
    passed = 0
    for minute in range(day.start, at, MINUTE):
        clock = datetime.fromtimestamp(minute / 1000, ZoneInfo(zone))
        shown = clock.hour * 60 + clock.minute
        passed += any((shown - w.start_min) % 1440 < (w.end_min - w.start_min) % 1440 for w in windows)
    assert day.passed(at) == passed * MINUTE


@given(apart())
def test_of_equal_pauses_the_earliest_window_begins_the_day(windows: tuple[Window, ...]) -> None:
    """By a picture of the day; the order in which a plan names its windows does not matter."""
    assert day_begins(windows) == longest_pauses(windows)[0]
    assert day_begins(windows[::-1]) == day_begins(windows)


# ------------------------------------------------------------------------------------------- worked examples

STEPS = ("07:00-11:00@60", "11:00-15:00@80", "15:00-19:00@100")


def continuous(code: Any) -> None:
    """Domain facts, oracle 1: 60 mL/h from 07:00Z, 80 from 11:00, 100 from 15:00, 880 at most, held at 19:00."""
    plan = planned(*STEPS, target=880)
    for clock, capped, uncapped in (
        ("07:00", 0, 0), ("11:00", 240, 240), ("15:00", 560, 560), ("18:12", 880, 880),
        ("18:13", 880, 560 + 100 * 193 / 60), ("19:00", 880, 960), ("23:00", 880, 960),
    ):  # fmt: skip
        at = instant(f"2026-06-01T{clock}")
        day = code.feeding_day(plan, zone_table("UTC"), at)
        assert code.scheduled_ml(day, 880, at) == capped
        assert code.scheduled_ml(day, None, at) == pytest.approx(uncapped, abs=1e-9)
    met = instant("2026-06-01T18:12")
    assert code.scheduled_ml(code.feeding_day(plan, zone_table("UTC"), met), 880, met - 1) < 880
    told = code.progress(planned(*STEPS), code.feeding_day(plan, zone_table("UTC"), met), None, 0.0, met)
    assert told.target_ml == 960


def cycled(code: Any) -> None:
    """Domain facts, oracle 2: 60 mL/h from 07 to 19 is 720 mL, less than the 880 wanted."""
    plan = planned("07:00-19:00", target=880, rate=60)
    at = instant("2026-06-01T19:00")
    day = code.feeding_day(plan, zone_table("UTC"), at)
    assert code.scheduled_ml(day, 880, at) == 720
    assert code.progress(plan, day, 880, 720.0, at) == (720, 0, 880, None, 150, 160)
    assert code.progress(plan, day, 880, 900.0, at) == (720, 0, 880, 0, 150, 0)


def volume_based(code: Any) -> None:
    """Domain facts, oracle 3: 1800 wanted, 8 h left: 900 given needs 112.5; 300 needs 187.5, allowed are 150."""
    plan = planned("00:00-24:00", target=1800)
    at = instant("2026-06-01T16:00")
    day = code.feeding_day(plan, zone_table("UTC"), at)
    assert code.progress(plan, day, 1800, 900.0, at) == (1200, 300, 1800, 112.5, 150, 0)
    assert code.progress(plan, day, 1800, 300.0, at) == (1200, 900, 1800, 187.5, 150, 300)
    assert code.progress(plan, day, 1800, None, at) == (1200, None, 1800, None, 150, None)
    half_past = at + 30 * MINUTE
    assert code.progress(plan, day, 1800, 300.0, half_past)[3:] == (200, 150, 375)


def energy(code: Any) -> None:
    """Domain facts, oracle 4: 2400 kcal at 1 kcal/mL over a day is 100 mL/h."""
    plan = planned("00:00-24:00", target=2400 / 1)
    at = instant("2026-06-01T00:00")
    day = code.feeding_day(plan, zone_table("UTC"), at)
    assert code.progress(plan, day, 2400, 0.0, at) == (0, 0, 2400, 100, 150, 0)
    assert code.scheduled_ml(day, 2400, at + 7 * HOUR) == 700


def highest_allowed(code: Any) -> None:
    """150 mL/h unless the plan says lower (domain facts, section 5); what a plan asks for is allowed by it."""
    for most, rate, own, allowed in (
        (None, None, None, 150), (120, None, None, 120), (200, None, None, 150), (None, 180, None, 180),
        (None, 60, 170, 170), (200, 180, None, 180), (120, 180, None, 120), (None, 60, None, 150),
    ):  # fmt: skip
        told = f"07:00-19:00@{own}" if own else "07:00-19:00"
        assert code.allowed_ml_h(planned(told, rate=rate, most=most)) == allowed


def days(code: Any) -> None:
    """Each line: a plan, its zone, an instant and the feeding day around it, with the length of its windows."""
    for told, zone, at, begins, ends, length in (
        (("20:00-06:00",), LONDON, "2026-06-02T03:00", "2026-06-01T20:00", "2026-06-02T20:00", 600),
        (("20:00-06:00",), LONDON, "2026-06-02T12:00", "2026-06-01T20:00", "2026-06-02T20:00", 600),
        (("07:00-08:00", "12:00-13:00", "18:00-19:00"), LONDON, "2026-06-02T06:59",
         "2026-06-01T07:00", "2026-06-02T07:00", 180),
        # Early and late make one night: its day begins in the evening.
        (("01:00-05:00", "20:00-24:00"), LONDON, "2026-06-02T04:00", "2026-06-01T20:00", "2026-06-02T20:00", 480),
        (("03:00-05:00", "22:00-02:00"), LONDON, "2026-06-02T04:00", "2026-06-01T22:00", "2026-06-02T22:00", 360),
        (("00:00-24:00",), LONDON, "2026-06-02T00:00", "2026-06-02T00:00", "2026-06-03T00:00", 1440),
        (("08:00-08:00",), LONDON, "2026-06-02T07:59", "2026-06-01T08:00", "2026-06-02T08:00", 1440),
        # An hour less and an hour more (domain facts, oracle 16), by night and all day.
        (("20:00-08:00",), LONDON, "2026-03-29T03:00", "2026-03-28T20:00", "2026-03-29T20:00", 11 * 60),
        (("20:00-08:00",), LONDON, "2026-10-25T03:00", "2026-10-24T20:00", "2026-10-25T20:00", 13 * 60),
        (("00:00-24:00",), LONDON, "2026-03-29T12:00", "2026-03-29T00:00", "2026-03-30T00:00", 23 * 60),
        (("00:00-24:00",), LONDON, "2026-10-25T12:00", "2026-10-25T00:00", "2026-10-26T00:00", 25 * 60),
        (("06:00-06:00",), LONDON, "2026-10-25T05:00", "2026-10-24T06:00", "2026-10-25T06:00", 25 * 60),
        # Edges in the hour that is missing or repeated.
        (("00:00-01:45", "02:00-04:00"), LONDON, "2026-03-29T00:30", "2026-03-29T00:00", "2026-03-30T00:00", 180),
        (("01:30-02:15", "08:00-09:00"), LONDON, "2026-03-29T12:00", "2026-03-29T01:30", "2026-03-30T01:30", 60),
        (("00:00-01:30", "01:30-03:00"), LONDON, "2026-10-25T02:00", "2026-10-25T00:00", "2026-10-26T00:00", 240),
        # Overlapping and named twice: no minute counts twice.
        (("08:00-14:00", "10:00-16:00"), LONDON, "2026-06-02T11:00", "2026-06-02T08:00", "2026-06-03T08:00", 480),
        (("08:00-10:00@50", "08:00-10:00"), LONDON, "2026-06-02T09:00", "2026-06-02T08:00", "2026-06-03T08:00", 120),
        (("02:00-03:00", "20:00-20:00"), LONDON, "2026-06-02T09:00", "2026-06-01T20:00", "2026-06-02T20:00", 1440),
        (("06:00-07:00", "20:00-10:00", "09:00-21:00"), LONDON, "2026-06-02T08:00",
         "2026-06-02T06:00", "2026-06-03T06:00", 1440),
        (("06:00-24:00", "20:00-08:00"), LONDON, "2026-06-02T05:00", "2026-06-01T06:00", "2026-06-02T06:00", 1440),
    ):  # fmt: skip
        day = code.feeding_day(planned(*told, target=1000), zone_table(zone), instant(at, zone))
        assert (day.start, day.end) == (instant(begins, zone), instant(ends, zone)), told
        assert day.whole() == length * MINUTE, told
        assert_as_minute_by_minute(code, planned(*told, target=1000), zone, instant(at, zone), 100.0)
        assert_as_minute_by_minute(code, planned(*told, rate=100), zone, instant(at, zone), 100.0)


def nights(code: Any) -> None:
    """100 mL/h from 20:00 to 06:00: 900 mL on the night in March, 1,000 of 1,000 wanted on the one in October."""
    for evening, morning, target, given_by_rate, half in (
        ("2026-03-28", "2026-03-29", None, 900, 444.44), ("2026-03-28", "2026-03-29", 1000, 900, 444.44),
        ("2026-10-24", "2026-10-25", None, 1100, 545.45), ("2026-10-24", "2026-10-25", 1000, 1000, 545.45),
    ):  # fmt: skip
        plan = planned("20:00-06:00", rate=100, target=target)
        end = instant(f"{morning}T06:00", LONDON)
        day = code.feeding_day(plan, zone_table(LONDON), end)
        assert day.start == instant(f"{evening}T20:00", LONDON)
        assert code.scheduled_ml(day, target, end) == given_by_rate
        assert not day.inside(end)
        assert day.inside(end - 1)
        evenly = code.feeding_day(planned("20:00-06:00", target=1000), zone_table(LONDON), end)
        at_midnight = instant(f"{morning}T00:00", LONDON)
        assert code.scheduled_ml(evenly, 1000, at_midnight) == pytest.approx(
            1000 * 4 / (9 if half < 500 else 11)
        )


def swallowed(code: Any) -> None:
    """01:00 to 02:00 does not exist on 29 March in London: nothing is due, and nothing divides by nought."""
    for told in ("01:00-02:00", "01:30-02:15"):
        for rate in (None, 100):
            plan = planned(told, target=100, rate=rate)
            at = instant("2026-03-29T12:00", LONDON)
            day = code.feeding_day(plan, zone_table(LONDON), at)
            assert day.spans == ()
            assert day.start <= at < day.end
            assert day.whole() == 0
            assert code.progress(plan, day, 100, 0.0, at) == (0, 0, 100, None, 150, 100)


def own_rates(code: Any) -> None:
    """A window's own rate counts before the plan's; with one rate unknown, all is spread evenly."""
    at = instant("2026-06-01T10:00")
    for told, rate, target, expected in (
        (("08:00-09:00@60", "09:00-11:00"), 90, None, 150), (("08:00-09:00@60", "09:00-11:00"), None, 900, 600),
        (("08:00-09:00@60", "09:00-11:00"), None, None, None), (("08:00-09:00@0", "09:00-11:00@80"), None, 900, 80),
        (("08:00-09:00@60", "09:30-11:00@60"), None, 900, 90),
    ):  # fmt: skip
        plan = planned(*told, rate=rate, target=target)
        day = code.feeding_day(plan, zone_table("UTC"), at)
        assert code.scheduled_ml(day, target, at) == expected
        assert_as_minute_by_minute(code, plan, "UTC", at, 10.0)
        assert_as_minute_by_minute(code, plan, "UTC", at + 7 * MINUTE, 800.0)


EXAMPLES: tuple[Callable[[Any], None], ...] = (
    continuous,
    cycled,
    volume_based,
    energy,
    highest_allowed,
    days,
    nights,
    swallowed,
    own_rates,
)


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.__name__)
def test_worked_example(example: Callable[[Any], None]) -> None:
    """Each example, as its own sentence says."""
    example(ours)


@pytest.mark.parametrize("name", MUTANTS)
def test_each_mutant_is_found(name: str) -> None:
    """One mistake each: at least one of the worked examples must find it."""
    mutant = SimpleNamespace(**{**vars(ours), **MUTANTS[name]})
    found = []
    for night in EXAMPLES:
        try:
            night(mutant)
        except (AssertionError, ZeroDivisionError):
            found.append(night.__name__)
    assert found


def test_a_clock_put_back_over_midnight_does_not_put_back_the_feeding_day() -> None:
    """St John's, 29 October 2006: at 00:01 it was 23:01 again, and the day that began at 00:00 had begun."""
    began = instant("2006-10-29T02:30")
    for minutes in (0, 1, 30, 60, 90):
        day = feeding_day(planned("00:00-08:00"), zone_table("America/St_Johns"), began + minutes * MINUTE)
        assert day is not None
        assert (day.start, day.whole()) == (began, 9 * HOUR)


def test_a_day_that_a_zone_leaves_out_has_no_feeding_day_of_its_own() -> None:
    """Apia went from 29 to 31 December 2011: at midnight the feeding day of the 29th still lasts half an hour."""
    midnight = instant("2011-12-30T10:00")
    for minutes, began in ((0, "2011-12-29T10:30"), (29, "2011-12-29T10:30"), (30, "2011-12-30T10:30")):
        day = feeding_day(planned("00:30-08:00"), zone_table("Pacific/Apia"), midnight + minutes * MINUTE)
        assert day is not None
        assert (day.start, day.whole()) == (instant(began), 450 * MINUTE)


def test_a_plan_without_windows_has_no_feeding_day() -> None:
    """Nobody could say when feed is due."""
    assert feeding_day(planned(rate=100), zone_table("UTC"), instant("2026-06-01T10:00")) is None


def test_whole_numbers_stay_exact() -> None:
    """A pump that runs at the highest rate allowed is no bit short, and the rest still fits: a tie stays a tie."""
    for rate in range(5, 150, 5):
        plan = planned("08:00-18:00", rate=rate, target=rate * 10, most=rate)
        for minutes in (minutes for minutes in range(600) if rate * minutes % 60 == 0):
            at = instant("2026-06-01T08:00") + minutes * MINUTE
            day = feeding_day(plan, zone_table("UTC"), at)
            assert day is not None
            done = float(rate * minutes // 60)
            found = ours.progress(plan, day, plan.target_ml, done, at)
            assert found == (done, 0, rate * 10, rate, rate, 0)
