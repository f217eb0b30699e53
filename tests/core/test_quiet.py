"""Quiet hours of a person's ways: not used below high, by the wall clock of the site, and never silence for it."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from monitor.adapters.zones import zone_table
from monitor.core.instants import DAY, HOUR, MINUTE, SECOND, parse
from monitor.core.ladders import Ladder, Rung
from monitor.core.plans import UTC as NO_ZONE
from monitor.core.quiet import Quiet, quiet_until
from monitor.core.site import Person, Reach, Site
from monitor.testing import START, Bench, alarm, ward
from tests.core.explosions import full_ward, lose_mains
from tests.core.stories import FAULT, mended, only, ringing, unattended

NIGHT = Quiet(22 * 60, 7 * 60)
LONDON = zone_table("Europe/London")


def quiet_site(
    *, who: tuple[str, ...], ways: tuple[int, ...] = (0,), hours: Quiet = NIGHT, **changed: object
) -> Site:
    """The ward, with quiet hours on these ways (0: pager, 1: mail) of these persons."""
    people: dict[str, Person] = {}
    for name, person in ward().people.items():
        reach = tuple(
            way._replace(quiet=hours) if name in who and index in ways else way
            for index, way in enumerate(person.reach)
        )
        people[name] = dataclasses.replace(person, reach=reach)
    return only("unattended", people=people, **changed)


# ---- when ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("clock", "until"),
    [
        ("21:59", None),
        ("22:00", "07:00"),
        ("23:30", "07:00"),
        ("00:00", "07:00"),
        ("06:59", "07:00"),
        ("07:00", None),
    ],
)
def test_over_midnight_the_start_counts_and_the_end_does_not(clock: str, until: str | None) -> None:
    """22:00 to 07:00: from 22:00 sharp until before 07:00."""
    day = "2026-03-14" if clock > "12:00" else "2026-03-15"
    found = quiet_until(NIGHT, NO_ZONE, parse(f"{day}T{clock}:00Z"))
    assert found == (None if until is None else parse(f"2026-03-15T{until}:00Z"))


@pytest.mark.parametrize(
    ("day", "hours"), [("2026-03-28", 8), ("2026-10-24", 10), ("2026-06-01", 9)]
)  # the last Sundays of March and October 2026 are the 29th and the 25th (tz database)
def test_the_night_of_a_clock_change_is_an_hour_shorter_or_longer(day: str, hours: int) -> None:
    """22:00 to 07:00 by the clock on the wall: 8 h in spring, 10 h in autumn; beside the tz database (zoneinfo)."""
    zone = ZoneInfo("Europe/London")
    start = datetime.fromisoformat(f"{day}T22:00").replace(tzinfo=zone)
    end = (start + timedelta(days=1)).replace(hour=7)
    assert end.astimezone(UTC) - start.astimezone(UTC) == timedelta(hours=hours)
    began = int(start.timestamp() * 1000)
    for at in range(began, began + hours * HOUR, 7 * MINUTE):
        assert quiet_until(NIGHT, LONDON, at) == int(end.timestamp() * 1000)
    assert quiet_until(NIGHT, LONDON, began - 1) is None
    assert quiet_until(NIGHT, LONDON, began + hours * HOUR) is None


@pytest.mark.parametrize(
    ("start", "end"), [(22 * 60, 7 * 60), (60, 150), (0, 24 * 60), (90, 90), (13 * 60, 14 * 60)]
)
def test_beside_the_wall_clock_on_every_day_without_a_change(start: int, end: int) -> None:
    """Each ten minutes of a week: quiet just when the local minute, by zoneinfo, lies within."""
    zone = ZoneInfo("Europe/London")
    for at in range(parse("2026-06-01T00:00:00Z"), parse("2026-06-08T00:00:00Z"), 10 * MINUTE):
        local = datetime.fromtimestamp(at / 1000, zone)
        minute = local.hour * 60 + local.minute
        inside = start <= minute < end if start < end else minute >= start or minute < end
        assert (quiet_until(Quiet(start, end), LONDON, at) is not None) == inside


def test_in_the_repeated_hour_they_end_once() -> None:
    """An end of 01:30 in the night when 01:00 to 02:00 comes twice: over at the first, not quiet again."""
    hours = Quiet(22 * 60, 90)
    first = parse("2026-10-25T00:30:00Z")  # 01:30 in British Summer Time
    assert quiet_until(hours, LONDON, first - 1) == first
    assert quiet_until(hours, LONDON, first) is None
    assert quiet_until(hours, LONDON, first + 45 * MINUTE) is None


# ---- who is told how -------------------------------------------------------------------------------------------------


def test_below_high_the_next_way_is_used() -> None:
    """Her pager is quiet at night: the mail comes in its place, at the same instant."""
    bench = unattended(quiet_site(who=("nurse-1",)))
    assert {(told.person, told.carrier) for told in bench.notices()} == {
        ("nurse-1", "mail"),
        ("nurse-2", "pager"),
    }
    assert len({told.at for told in bench.notices()}) == 1


def test_for_high_quiet_hours_do_not_apply() -> None:
    """The same pager is used for high, at once; and what is said later of that concern comes by it too."""
    bench = Bench(quiet_site(who=("nurse-1", "nurse-2"), ways=(0, 1)), reporting=0)
    bench.snapshot("pump-1", activity="stopped", alarms=[FAULT])
    bench.at("00:02:10")
    assert {told.carrier for told in bench.notices()} == {"pager"}
    bench.accept("nurse-2", "pump-1")
    mended(bench)
    bench.pass_by("2 min")
    whys = [(told.carrier, why) for told in bench.notices("nurse-1") for _, why in told.items]
    assert whys == [("pager", "taken"), ("pager", "stand-down")]


def test_who_has_no_way_left_is_not_there_for_this_call() -> None:
    """All ways of one nurse are quiet: the other is told, and the rung is declined when she alone says no."""
    bench = unattended(quiet_site(who=("nurse-1",), ways=(0, 1)))
    assert {told.person for told in bench.notices()} == {"nurse-2"}
    assert bench.concern("pump-1").called == ["nurse-2"]
    bench.decline("nurse-2", "pump-1")
    bench.pass_by("6 s")
    assert {told.person for told in bench.notices()} == {"charge"}


def test_a_rung_that_is_all_quiet_is_passed_over_at_once() -> None:
    """Both nurses quiet: the charge nurse hears when they would have; all quiet: the last resort. Never silence."""
    for quiet, told_is in ((("nurse-1", "nurse-2"), "charge"), (("nurse-1", "nurse-2", "charge"), "manager")):
        bench = unattended(quiet_site(who=quiet, ways=(0, 1)))
        assert {told.person for told in bench.notices()} == {told_is}
        assert bench.notices()[0].at == START + 5 * MINUTE + 8 * SECOND


def test_the_last_resort_has_no_quiet_hours() -> None:
    """Whatever the site file says of the manager's ways: she is told, again and again."""
    everybody = tuple(ward().people)
    bench = unattended(quiet_site(who=everybody, ways=(0, 1)))
    bench.at("00:36:00")
    assert [told.person for told in bench.told] == ["manager"] * 4
    assert {told.carrier for told in bench.told} == {"pager"}
    assert bench.concern("pump-1").called == ["manager"]


@pytest.mark.parametrize(("begins", "by"), [("22:05", "mail"), ("22:06", "pager")])
def test_it_is_decided_when_the_notice_is_sent(begins: str, by: str) -> None:
    """Gathered at 22:05:03 and sent at 22:05:08: the hour that has begun by then counts."""
    hours = Quiet(int(begins[:2]) * 60 + int(begins[3:]), 7 * 60)
    bench = unattended(quiet_site(who=("nurse-1",), hours=hours))
    bench.assert_told("nurse-1", by=by)


def test_quiet_hours_that_begin_while_it_is_gathered_are_a_failure_not_silence() -> None:
    """All ways become quiet between the call and the sending: both nurses' notices fail, the next rung is told then."""
    hours = Quiet(22 * 60 + 6, 7 * 60)
    bench = Bench(quiet_site(who=("nurse-1", "nurse-2"), ways=(0, 1), hours=hours), reporting=0)
    bench.at("00:00:55")
    ringing(bench)
    bench.at("00:06:10")
    assert {told.person for told in bench.told} == {"charge"}
    failed = [h for h in bench.happened if h.event == "notice-failed"]
    assert {(h.person, h.detail["cause"]) for h in failed} == {
        ("nurse-1", "quiet hours"),
        ("nurse-2", "quiet hours"),
    }


def test_a_retry_that_runs_into_quiet_hours_goes_by_the_next_way() -> None:
    """The pager does not answer, and at 22:06 it becomes quiet: the mail takes over at the next try."""
    bench = Bench(quiet_site(who=("nurse-1",), hours=Quiet(22 * 60 + 6, 7 * 60)), reporting=0)
    ringing(bench)
    bench.carriers["pager"].fails("try-later", address="4471")
    bench.at("00:06:40")
    told = bench.assert_told("nurse-1", by="mail")
    assert (
        told.at == START + 6 * MINUTE + 33 * SECOND
    )  # tried at :08, :13, :28, :58 and 22:06:28, then gathered


def test_the_fallback_is_no_quiet_way() -> None:
    """The pager fails and the mail is quiet: she cannot be reached, and counts as failed."""
    bench = unattended(quiet_site(who=("nurse-1",), ways=(1,)))
    bench = Bench(quiet_site(who=("nurse-1", "nurse-2"), ways=(1,)), reporting=0)
    bench.carriers["pager"].fails("refused", address="4471")
    bench.carriers["pager"].fails("refused", address="4472")
    ringing(bench)
    bench.at("00:05:30")
    assert {told.person for told in bench.told} == {"charge"}


def test_an_end_that_finds_all_ways_quiet_waits_for_the_morning() -> None:
    """Told at 22:05, over after her quiet hours began at 22:06: she hears it at 07:00, as it is then."""
    hours = Quiet(22 * 60 + 6, 7 * 60)
    charge_too = quiet_site(who=("nurse-1",), ways=(0, 1), hours=hours)
    bench = unattended(charge_too)
    mended(bench)
    bench.pass_by("2 min")
    assert {told.person for told in bench.notices()} == {"nurse-2"}
    [held] = [h for h in bench.happened if h.event == "held-back"]
    assert (held.person, held.detail["cause"]) == ("nurse-1", "quiet hours")
    bench.restart()
    bench.at("09:00:10")  # 07:00, also the end of her duty: by mail
    told = bench.assert_told("nurse-1", "stand-down", by="mail")
    assert told.at == START + 9 * HOUR


def test_an_end_of_which_the_concern_is_back_by_morning_is_not_told() -> None:
    """Over and back within the night: in the morning nobody hears an "over" that is not so."""
    hours = Quiet(22 * 60 + 6, 7 * 60)
    bench = unattended(quiet_site(who=("nurse-1",), ways=(0, 1), hours=hours))
    mended(bench)
    bench.pass_by("2 min")
    ringing(bench)
    bench.at("09:01:00")
    assert "stand-down" not in [
        why for told in bench.told if told.person == "nurse-1" for _, why in told.items
    ]


def test_a_group_goes_by_the_way_that_is_not_quiet() -> None:
    """37 pumps at night: the nurse whose pager is quiet gets the mail of the group, with its list."""
    people = quiet_site(who=("nurse-1",)).people
    bench = full_ward(37, people=people)
    lose_mains(bench, 15)
    bench.pass_by("1 min 20 s")
    told = bench.assert_told("nurse-1", by="mail")
    assert "37 pumps" in told.subject
    assert bench.assert_told("nurse-2", by="pager").text.startswith("MEDIUM elm: 37 pumps")


def test_who_is_told_next_is_who_can_be() -> None:
    """The notice names the charge nurse as next although a rung before her is all quiet then."""
    rungs = (
        Rung(("role:nurse",), 10 * MINUTE),
        Rung(("person:technical",), 10 * MINUTE),
        Rung(("person:charge",), 10 * MINUTE),
    )
    rota = ward().rota
    site = quiet_site(who=("technical",), ways=(0, 1), ladders={("*", "medium"): Ladder(rungs)}, rota=rota)
    bench = unattended(site)
    assert "charge nurse" in bench.assert_told("nurse-1").text
    bench.at("00:15:30")
    assert {told.person for told in bench.notices()} == {"charge"}


def test_reach_without_quiet_hours_is_as_ever() -> None:
    """Two fields make a way; it has no quiet hours."""
    assert Reach("pager", "4471").quiet is None
    assert quiet_until(None, NO_ZONE, START + DAY) is None


def test_a_drill_is_not_held_back_together_with_what_is_real() -> None:
    """A drill and a low concern are over in her quiet hours: told apart when those end, as no notice mixes them."""
    quiet = quiet_site(who=("nurse-1", "nurse-2"), ways=(0, 1), hours=Quiet(22 * 60 + 10, 23 * 60))
    bench = Bench(dataclasses.replace(quiet, rules=only("unattended", "chattering").rules))
    bench.snapshot("pump-1", activity="feeding")
    assert bench.drill("elm", wait="12 min").ok
    bench.at("00:06:00")
    for _ in range(3):
        bench.snapshot("pump-1", alarms=[alarm("sensor-fault", "low")])
        bench.pass_by("5 s")
        bench.snapshot("pump-1", alarms=[])
        bench.pass_by("5 s")
    bench.at("01:00:05")
    bench.assert_settled("pump-1", "chattering")
    told = [one.text for one in bench.notices("nurse-1") if one.at >= START + HOUR]
    assert sorted(text.startswith("DRILL") for text in told) == [False, True]
