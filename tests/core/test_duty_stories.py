"""The change of duty at 07:00, with what is open, what somebody has, and what is held; across daylight saving too."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.adapters.zones import zone_table
from monitor.core.instants import HOUR, MINUTE
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.core.site import Site
from monitor.testing import Bench, alarm
from tests.core.stories import mended, only, ringing, unattended

LONDON = ZoneInfo("Europe/London")
# The nights of 2026 on which clocks change in the EU and the UK: last Sunday of March and of October, 01:00 UTC
# (Directive 2000/84/EC, articles 2 and 3; the UK's Summer Time Order 2002), and one on which they do not.
NIGHTS = {"short": (2026, 3, 28), "long": (2026, 10, 24), "usual": (2026, 11, 14)}


def local(day: tuple[int, int, int], hour: int, *, next_day: bool = False) -> int:
    """A local hour as an instant, by the standard library's own tables."""
    year, month, number = day
    return round(datetime(year, month, number + next_day, hour, tzinfo=LONDON).timestamp() * 1000)


def night(day: tuple[int, int, int], *rules: str) -> tuple[Site, int, int]:
    """A ward whose night goes from 20:00 to 07:00 local; the instants of both."""
    evening, morning = local(day, 20), local(day, 7, next_day=True)
    spans = [
        Span("nurse-1", "nurse", "*", evening, morning),
        Span("nurse-2", "nurse", "*", evening, morning),
        Span("day-1", "nurse", "*", morning, morning + 13 * HOUR),
        Span("charge", "charge", "*", 0, FOR_EVER),
    ]
    zone = zone_table("Europe/London")
    return only(*rules or ("unattended",), rota=Rota(spans), zone=zone), evening, morning


def before_seven(site: Site, morning: int, minutes: int) -> Bench:
    """An alarm that nobody answers, told so many minutes before 07:00."""
    return unattended(site, start=morning - minutes * MINUTE - 5 * MINUTE - 10_000)


@pytest.mark.parametrize(("name", "hours"), [("short", 10), ("long", 12), ("usual", 11)])
def test_a_night_is_as_long_as_the_clocks_make_it(name: str, hours: int) -> None:
    """20:00 to 07:00 is 10 h when clocks go forward, 12 h when they go back; told is 07:00 in both."""
    site, evening, morning = night(NIGHTS[name])
    assert morning - evening == hours * HOUR
    bench = before_seven(site, morning, 10)
    bench.accept("nurse-1", "pump-1")
    bench.until(morning - 1)
    bench.assert_accepted("pump-1", "nurse-1")
    bench.until(morning + 6_000)
    bench.assert_open("pump-1")
    told = bench.assert_told("day-1", "duty")
    assert "Open as you come on duty." in told.text


@pytest.mark.parametrize("name", NIGHTS)
def test_open_at_the_change(name: str) -> None:
    """Nobody had it: who comes on duty hears of it, who goes off does not, and the climb goes on as it was."""
    site, _, morning = night(NIGHTS[name])
    bench = before_seven(site, morning, 5)
    bench.until(morning + 6_000)
    assert [told.person for told in bench.notices()] == ["day-1"]
    bench.until(morning + 6 * MINUTE)
    bench.assert_told("charge", "next-rung")
    bench.assert_not_told("nurse-1")


def test_held_back_over_the_change() -> None:
    """A call that the load limit held back until after 07:00 goes to nobody who has gone home, and is not lost."""
    site, _, morning = night(NIGHTS["usual"])
    bench = Bench(replace(site, most_notices=1), start=morning - 15 * MINUTE)
    for pump in ("pump-1", "pump-2"):
        ringing(bench, pump)
        bench.pass_by("4 min")
    bench.until(morning - 1)
    bench.assert_open("pump-2")
    assert [told.text[:12] for told in bench.told if told.person == "nurse-1"] == ["MEDIUM B3/1:"]
    bench.until(morning + 20 * MINUTE)
    assert not bench.notices("nurse-1") + bench.notices("nurse-2")
    codes = {bench.code(who, "pump-2") for who in ("day-1", "charge")}
    assert any(code in told.text for told in bench.notices() for code in codes)


def test_a_low_call_that_failed_goes_on_by_the_shorter_ladder_of_another_unit() -> None:
    """Her pager and mail refuse it, and the pump is under an unknown unit by then: the last resort is told."""
    site, _, morning = night(NIGHTS["usual"], "chattering")
    bench = Bench(site, start=morning - HOUR)
    for carrier in bench.carriers.values():
        for address in ("4471", "4472", "nurse-1@ward.invalid", "nurse-2@ward.invalid"):
            carrier.fails("refused", address=address)
    bench.snapshot("pump-1")
    for _ in range(3):
        bench.snapshot("pump-1", alarms=[alarm("sensor-fault", "low")])
        bench.pass_by("1 s")
        bench.snapshot("pump-1", alarms=[])
    bench.pass_by("1 s")
    bench.assert_open("pump-1", "chattering")
    bench.snapshot("pump-1", unit="unknown")
    bench.pass_by("1 min")
    bench.assert_told("manager")


def test_accepted_by_who_stays() -> None:
    """The charge nurse has no end of duty: what she has stays hers over the change, and nobody is told."""
    site, _, morning = night(NIGHTS["usual"])
    bench = before_seven(site, morning, 5)
    bench.answer("accept", "charge", "pump-1")
    bench.until(morning - 1000)
    bench.until(morning + 2 * MINUTE)
    bench.assert_accepted("pump-1", "charge")
    bench.assert_nobody_told()


def test_taken_by_the_day_before_the_change() -> None:
    """Who comes early and takes it is off duty until 07:00: it is hers, she hears so, and keeps it after."""
    site, _, morning = night(NIGHTS["usual"])
    bench = before_seven(site, morning, 5)
    reply = bench.answer("accept", "day-1", "pump-1")
    assert reply.text.endswith(
        "You are not on duty now; that does not matter, it is yours until you hand it back."
    )
    bench.pass_by("10 s")
    assert {told.person for told in bench.notices(why="taken")} == {"nurse-1", "nurse-2"}
    bench.until(morning + 2 * MINUTE)
    bench.assert_accepted("pump-1", "day-1")
    bench.assert_nobody_told()


def test_an_off_duty_acceptor_is_looked_at_again_as_anybody() -> None:
    """Hands are hands, but not for ever: at the recheck it is open again, and those on duty are told, not she."""
    site, _, morning = night(NIGHTS["usual"])
    bench = before_seven(site, morning, 120)
    bench.answer("accept", "day-1", "pump-1")
    bench.pass_by("10 s")
    bench.pass_by("20 min")
    bench.assert_open("pump-1")
    bench.assert_told("charge", "recheck")
    bench.assert_not_told("day-1")


def test_everyone_told_hears_who_took_it_after_the_change() -> None:
    """The night nurse has gone home: she gets no page that it was taken, and by mail that it is over."""
    site, _, morning = night(NIGHTS["usual"])
    bench = before_seven(site, morning, 5)
    bench.until(morning + MINUTE)
    bench.accept("day-1", "pump-1")
    bench.pass_by("10 s")
    assert "nurse-1" not in {told.person for told in bench.notices(why="taken")}
    mended(bench)
    bench.pass_by("2 min")
    assert bench.assert_told("nurse-1", "stand-down").carrier == "mail"


@pytest.mark.parametrize("name", NIGHTS)
def test_held_over_the_change(name: str) -> None:
    """The alarm goes to the day; what is held stays until its time, and then goes to the day too."""
    site, _, morning = night(NIGHTS[name], "unattended", "idle-past-limit")
    bench = before_seven(site, morning, 30)
    bench.until(morning - 20 * MINUTE)
    reply = bench.answer("hold", "nurse-1", "pump-1", "bath", lasting="1 h")
    assert "until 07:40:" in reply.text
    bench.accept("nurse-1", "pump-1", "unattended")
    bench.until(morning - 1000)
    bench.until(morning + 10_000)
    bench.assert_told("day-1", "duty")
    bench.assert_open("pump-1", "unattended")
    bench.assert_accepted("pump-1", "nurse-1", "idle-past-limit")
    bench.restart()
    bench.until(morning + 40 * MINUTE + 10_000)
    bench.assert_open("pump-1", "idle-past-limit")
    assert ("day-1", "hold-over") in {(told.person, why) for told in bench.notices() for _, why in told.items}
    bench.assert_not_told("nurse-1")


def test_a_change_while_nothing_ran() -> None:
    """Killed at 06:55 and begun at 07:05: the duty that ended meanwhile has ended."""
    site, _, morning = night(NIGHTS["long"])
    bench = before_seven(site, morning, 10)
    bench.accept("nurse-1", "pump-1")
    bench.pass_by("10 s")
    bench.now = morning + 5 * MINUTE
    bench.restart(link=False)
    bench.link_up()
    bench.marker_back()
    bench.pass_by("10 s")
    bench.assert_open("pump-1")
    bench.assert_told("day-1", "duty")
