"""Plans through the whole engine: the worked examples (domain: Oracles 1 to 4, 16), and nights of a clock change."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from monitor.adapters.zones import zone_table
from monitor.core.picture import Picture
from monitor.testing import Bench, ward
from tests.core.stories import only

MINUTE = 60_000
HOUR = 60 * MINUTE
LONDON, NEW_YORK = "Europe/London", "America/New_York"
STEPS = [  # FHIR's enteralcontinuous: 60 mL/h from 07:00, 80 from 11:00, 100 from 15:00, until 19:00
    {"from": "07:00", "to": "11:00", "rate_ml_h": 60},
    {"from": "11:00", "to": "15:00", "rate_ml_h": 80},
    {"from": "15:00", "to": "19:00", "rate_ml_h": 100},
]


def instant(text: str, zone: str = "UTC") -> int:
    """A local time as an instant."""
    return round(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp() * 1000)


def planned(start: str, zone: str = "UTC", *, rules: tuple[str, ...] | None = None, **plan: Any) -> Bench:
    """A bench that begins at a local time with a plan sent over the air; its pump says only what it is told to."""
    placed: dict[str, Any] = {"zone": zone_table(zone), "zone_name": zone}
    site = ward(**placed) if rules is None else only(*rules, **placed)
    bench = Bench(site, start=instant(start, zone), reporting=0)
    bench.plan("pump-1", **plan)
    return bench


def seen(bench: Bench, at: int, **said: Any) -> Picture:
    """The picture after a snapshot at an instant."""
    bench.until(at)
    bench.snapshot("pump-1", **said)
    return bench.engine.fleet.devices["pump-1"].picture


@pytest.mark.parametrize(
    ("cap", "missing"),
    [
        (
            880,
            {"07:00": 0, "09:00": 120, "11:00": 240, "13:00": 400, "15:00": 560, "18:12": 880, "18:59": 880},
        ),
        (None, {"11:00": 240, "15:00": 560, "18:12": 880, "18:57": 955}),
    ],
)
def test_a_feed_in_three_steps(cap: int | None, missing: dict[str, float]) -> None:
    """Oracle 1: 240 mL by 11:00 and 560 by 15:00; the cap is met at 18:12, and without one it is 960 by 19:00."""
    plan: dict[str, Any] = {"windows": STEPS} | ({} if cap is None else {"target_ml": cap})
    bench = planned("2026-06-01T06:30", **plan)
    for clock, volume in missing.items():
        picture = seen(bench, instant(f"2026-06-01T{clock}"), activity="idle", delivered_ml=0)
        assert picture.shortfall_ml == volume, clock
    before = seen(bench, instant("2026-06-01T19:00") - 36, activity="idle")  # 36 ms at 100 mL/h are a µL
    assert before.shortfall_ml == (880 if cap else 959.999)
    after = seen(bench, instant("2026-06-01T19:00"), activity="idle")
    assert (after.shortfall_ml, after.in_window, after.feed_due) == (None, False, False)


def test_the_cap_is_met_at_18_12_and_not_before() -> None:
    """Oracle 1: a millisecond before, a little less than 880 mL is scheduled."""
    bench = planned("2026-06-01T06:30", windows=STEPS, target_ml=880)
    met = instant("2026-06-01T18:12")
    short = seen(bench, met - 1, activity="idle", delivered_ml=0).shortfall_ml
    assert short is not None
    assert 879.9999 < short < 880
    assert seen(bench, met, activity="idle").shortfall_ml == 880


def test_a_feed_that_never_reaches_its_target() -> None:
    """Oracle 2: 60 mL/h from 07:00 to 19:00 are 720 mL, whatever more is wanted."""
    window = [{"from": "07:00", "to": "19:00"}]
    bench = planned("2026-06-01T06:30", windows=window, target_ml=880, rate_ml_h=60)
    end = instant("2026-06-01T19:00")
    short = seen(bench, end - 60, activity="feeding", delivered_ml=0).shortfall_ml
    assert short == 719.999
    assert seen(bench, end, delivered_ml=720).progress is None


@pytest.mark.parametrize(
    ("received", "needed", "cannot", "fits"),
    [(900, 112.5, 0, True), (600, 150, 0, True), (300, 187.5, 300, False)],
)
def test_what_would_still_finish(received: float, needed: float, cannot: float, fits: bool) -> None:
    """Oracle 3: 1,800 mL a day, 8 h left: 112.5 mL/h after 900 mL; after 300, 187.5, but 150 at most: 300 missing."""
    bench = planned("2026-06-01T07:59", windows=[{"from": "08:00", "to": "08:00"}], target_ml=1800)
    seen(bench, instant("2026-06-01T08:00"), activity="feeding", delivered_ml=0)
    picture = seen(bench, instant("2026-06-02T00:00"), delivered_ml=received)
    progress = picture.progress
    assert progress is not None
    assert (progress.needed_ml_h, progress.allowed_ml_h, progress.cannot_ml) == (needed, 150, cannot)
    assert picture.unfit_percent == pytest.approx(0 if fits else 100 * cannot / 1800)
    assert picture.shortfall_ml == 1200 - received
    bench.assert_open("pump-1", "behind-plan")  # 1,200 mL were scheduled by then


def test_kilocalories_where_the_density_is_known() -> None:
    """Oracle 4: 2,400 kcal a day at 1 kcal/mL are 100 mL/h; an hour and three minutes without are 105 mL, 105 kcal."""
    plan: dict[str, Any] = {"target_ml": 2400, "kcal_per_ml": 1.0}
    window = [{"from": "08:00", "to": "08:00"}]
    bench = planned("2026-06-01T07:59", rules=("behind-plan",), windows=window, **plan)
    bench.carriers["pager"].fails("refused")  # by mail, where there is room for it
    start = instant("2026-06-01T08:00")
    progress = seen(bench, start, activity="idle", delivered_ml=0).progress
    assert progress is not None
    assert progress.needed_ml_h == 100
    seen(bench, start + HOUR)
    assert not bench.concerns("pump-1")  # exactly 100 mL is not over it
    seen(bench, start + 63 * MINUTE)
    bench.assert_open("pump-1", "behind-plan")
    bench.pass_by("10 s")
    assert any("105 mL (105 kcal)" in told.text for told in bench.told), [told.text for told in bench.told]
    bench.restart()
    again = bench.engine.fleet.devices["pump-1"].picture
    assert (again.given_ml, again.given_known) == (0, True)
    assert seen(bench, start + 2 * HOUR, delivered_ml=50).shortfall_ml == 150


@pytest.mark.parametrize(
    ("evening", "zone", "hours"),
    [
        ("2026-03-28", LONDON, 11),
        ("2026-06-01", LONDON, 12),
        ("2026-10-24", LONDON, 13),
        ("2007-11-03", NEW_YORK, 13),
    ],
)
def test_a_night_is_as_long_as_it_is(evening: str, zone: str, hours: int) -> None:
    """Oracle 16: 20:00 to 08:00 takes 11 h, 12 h or 13 h; 60 mL/h give as much, an even target is spread over it."""
    window = [{"from": "20:00", "to": "08:00"}]
    begin = instant(f"{evening}T20:00", zone)
    by_rate = planned(f"{evening}T19:30", zone, windows=window, rate_ml_h=60)
    even = planned(f"{evening}T19:30", zone, windows=window, target_ml=100 * hours)
    for hour in range(hours):
        assert seen(by_rate, begin + hour * HOUR, activity="idle", delivered_ml=0).shortfall_ml == 60 * hour
        assert seen(even, begin + hour * HOUR, activity="idle", delivered_ml=0).shortfall_ml == 100 * hour
    last = seen(by_rate, begin + hours * HOUR - 60)
    assert last.shortfall_ml == 60 * hours - 0.001
    assert last.feed_due
    over = seen(by_rate, begin + hours * HOUR)
    assert (over.shortfall_ml, over.feed_due) == (None, False)
    by_rate.assert_settled("pump-1", "behind-plan")  # it ends with the window


@pytest.mark.parametrize(("evening", "hours"), [("2026-03-28", 9), ("2026-10-24", 11)])
def test_a_pump_that_keeps_to_its_plan_is_quiet_through_the_change(evening: str, hours: int) -> None:
    """100 mL/h from 20:00 to 06:00, whatever the clock does: nobody is told anything."""
    bench = planned(f"{evening}T19:59", LONDON, windows=[{"from": "20:00", "to": "06:00"}], rate_ml_h=100)
    begin = instant(f"{evening}T20:00", LONDON)
    for minute in range(0, hours * 60, 2):
        seen(
            bench, begin + minute * MINUTE, activity="feeding", rate_ml_h=100, delivered_ml=minute * 100 / 60
        )
    seen(bench, begin + hours * HOUR, activity="off", delivered_ml=hours * 100)
    bench.pass_by("2 h")
    assert not bench.told
    assert not bench.concerns("pump-1")


def test_the_normal_switch_off_in_the_morning() -> None:
    """Finished before the window is over, then off without a word of volume: no feed is due, and nobody is told."""
    plans: tuple[dict[str, Any], ...] = ({"target_ml": 500}, {})
    for plan in plans:
        bench = planned("2026-06-01T20:00", windows=[{"from": "20:30", "to": "06:30"}], **plan)
        begin = instant("2026-06-01T20:00")  # begun half an hour early, so that our own count is short
        for minute in range(0, 301, 2):
            seen(
                bench,
                begin + minute * MINUTE,
                activity="feeding",
                delivered_ml=minute * 100 / 60,
                target_ml=500,
            )
        seen(bench, begin + 301 * MINUTE, activity="finished", delivered_ml=500)
        picture = seen(bench, begin + 303 * MINUTE, activity="off", delivered_ml=None, target_ml=None)
        assert not picture.feed_due
        bench.pass_by("2 h")
        assert not [told for told in bench.told if "idle-past-limit" in told.text]
        assert {concern.rule for concern in bench.concerns("pump-1")} <= {"behind-plan"}, plan


def test_what_is_given_between_windows_is_given() -> None:
    """A meal that runs over by half an hour is not missing at the next one."""
    meals = [{"from": "07:00", "to": "08:00"}, {"from": "12:00", "to": "13:00"}]
    bench = planned("2026-06-01T06:59", windows=meals, target_ml=400, rate_ml_h=200)
    begin = instant("2026-06-01T07:00")
    seen(bench, begin + 30 * MINUTE, activity="feeding", delivered_ml=0)
    seen(bench, begin + 59 * MINUTE, delivered_ml=97)
    seen(bench, begin + 90 * MINUTE, activity="finished", delivered_ml=200)
    picture = seen(bench, begin + 5 * HOUR, activity="idle", delivered_ml=200)
    assert (picture.given_ml, picture.shortfall_ml) == (200, 0)


@pytest.mark.parametrize(
    ("shown", "by_hand", "known"), [(200, False, False), (2.5, False, True), (200, True, True)]
)
def test_a_counter_that_restarts(shown: float, by_hand: bool, known: bool) -> None:
    """Unexplained, what was given is unknown until the next feeding day; by hand or from nought it goes on counting."""
    window = [{"from": "20:00", "to": "06:00"}]
    bench = planned("2026-06-01T19:59", windows=window, target_ml=1000, rate_ml_h=100)
    begin = instant("2026-06-01T20:00")
    seen(bench, begin, activity="feeding", rate_ml_h=100, delivered_ml=0)
    seen(bench, begin + 4 * HOUR, delivered_ml=400, activity="held" if by_hand else "feeding")
    picture = seen(bench, begin + 4 * HOUR + MINUTE, activity="feeding", delivered_ml=shown)
    assert picture.given_known is known
    later = seen(bench, begin + 9 * HOUR, delivered_ml=shown)
    assert later.shortfall_ml == (900 - 400 - shown if known else None)
    if not known:
        bench.restart()
        assert not bench.engine.fleet.devices["pump-1"].picture.given_known
        tomorrow = seen(bench, begin + 25 * HOUR, delivered_ml=shown)
        assert (tomorrow.given_known, tomorrow.shortfall_ml) == (True, 100)


def test_a_restart_at_the_very_start_of_a_day_is_not_forgotten_with_the_day_before() -> None:
    """It is seen in the new feeding day: how much of it was given in that day nobody knows."""
    bench = planned("2026-06-01T19:00", windows=[{"from": "20:00", "to": "06:00"}], target_ml=1000)
    begin = instant("2026-06-01T20:00")
    seen(bench, begin - 30_000, activity="feeding", delivered_ml=900)
    picture = seen(bench, begin + 30_000, delivered_ml=300)
    assert (picture.given_known, picture.shortfall_ml) == (False, None)


def test_a_flush_in_mid_feed_is_not_too_fast() -> None:
    """The rate of a flush is not the feed's: two minutes of it at 400 mL/h are no concern; of feed they are."""
    window = [{"from": "20:00", "to": "06:00"}]
    bench = planned("2026-06-01T20:00", windows=window, target_ml=1000, highest_rate_ml_h=120)
    begin = instant("2026-06-01T20:00")
    seen(bench, begin, activity="feeding", rate_ml_h=100, delivered_ml=0)
    seen(bench, begin + MINUTE, activity="flushing", rate_ml_h=400)
    seen(bench, begin + 3 * MINUTE, activity="feeding", rate_ml_h=100, delivered_ml=2)
    assert not bench.concerns("pump-1")
    seen(bench, begin + 4 * MINUTE, rate_ml_h=400)
    seen(bench, begin + 6 * MINUTE)
    bench.assert_open("pump-1", "over-plan")


def test_a_restart_in_the_night_keeps_the_zone() -> None:
    """What is missing is told by local time before the first snapshot after a restart, too."""
    bench = planned(
        "2026-06-01T19:59",
        LONDON,
        windows=[{"from": "20:00", "to": "06:00"}],
        target_ml=1000,
        glucose_risk=True,
    )
    before = seen(bench, instant("2026-06-01T22:00", LONDON), activity="idle", delivered_ml=0)
    assert before.shortfall_ml == 200
    bench.restart()
    assert bench.engine.fleet.devices["pump-1"].picture.shortfall_ml == 200


NIGHT = [{"from": "20:00", "to": "06:00"}]


@pytest.mark.parametrize(("shown", "known", "given"), [(300, True, 310), (1000, False, 10)])
def test_a_plan_that_comes_after_the_pump_was_seen(shown: float, known: bool, given: float) -> None:
    """What its counter shows was given tonight if it can have been; if not, nobody knows, and feed stays due."""
    bench = Bench(start=instant("2026-06-01T22:59"), reporting=0)
    bench.snapshot("pump-1", activity="feeding", delivered_ml=shown)
    bench.plan("pump-1", windows=NIGHT, target_ml=1000)
    picture = seen(bench, instant("2026-06-01T23:00"), delivered_ml=shown + 10)
    assert (picture.given_known, picture.given_ml, picture.feed_due) == (known, given, True)
    assert picture.shortfall_ml == (0 if known else None)


@pytest.mark.parametrize(("begins", "known", "given"), [("19:00", True, 310), ("22:00", False, 10)])
def test_a_plan_that_changes_in_the_night(begins: str, known: bool, given: float) -> None:
    """Begun earlier, what was given still counts; begun later, it is not known what was given since then."""
    bench = planned("2026-06-01T20:00", windows=NIGHT, target_ml=1000)
    seen(bench, instant("2026-06-01T20:00"), activity="feeding", delivered_ml=0)
    seen(bench, instant("2026-06-01T22:59"), delivered_ml=300)
    bench.plan("pump-1", windows=[{"from": begins, "to": "06:00"}], target_ml=1000)
    picture = seen(bench, instant("2026-06-01T23:00"), delivered_ml=310)
    assert (picture.given_known, picture.given_ml, picture.feed_due) == (known, given, True)
