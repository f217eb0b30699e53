"""Rare shapes through the whole engine, each with exact instants: what is told, when, and that nobody is told falsely.

Elsewhere: nights of a clock change against their plan, the switch-off of a feed that finished early, a flush's rate
and what a restarted counter does to the shortfall (`test_feeding_nights`); what settles and what relapses
(`test_settling`); clocks, late and overtaken messages and a unit's own memory (`test_fleet`); a rule switched off and
who is told of a move (`test_settling`, `test_ladders`); random nights with restarts (`test_engine`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from monitor.core.instants import HOUR, MINUTE, SECOND
from monitor.core.ladders import Ladder, Rung
from monitor.core.site import DeviceEntry, Site
from monitor.testing import START, Bench
from tests.core.stories import RINGING, mended, only, unattended
from tests.core.test_feeding_nights import LONDON, instant, planned, seen

NIGHT = [{"from": "20:00", "to": "06:00"}]
EVENING = instant("2026-06-01T20:00")


def run(bench: Bench, since: int, until: int, volume: float, rate: float, **said: Any) -> float:
    """A pump that feeds from one instant to another and says so every two minutes; its counter's last value."""
    for at in range(since, until, 2 * MINUTE):
        given = volume + rate * (at - since) / HOUR
        seen(bench, at, activity="feeding", rate_ml_h=rate, delivered_ml=given, **said)
    return volume + rate * (until - since) / HOUR


def raised(bench: Bench, pump: str, rule: str) -> int:
    """When the newest concern of a rule began."""
    return bench.concern(pump, rule).raised_at


def with_thresholds(rule: str, values: Mapping[str, str | int], **changed: Any) -> Site:
    """The ward with one rule, which has thresholds of the site's own."""
    return only(rule, thresholds={rule: values}, **changed)


# ---- the first snapshot -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rule", "after", "said"),
    [
        ("unattended", 5 * MINUTE, {"activity": "stopped", "alarms": [RINGING | {"since": START - HOUR}]}),
        ("low-power-unplugged", MINUTE, {"mains": False, "battery_percent": 12}),
        ("idle-past-limit", 10 * MINUTE, {"activity": "idle", "delivered_ml": 0}),
    ],
)
def test_true_in_the_first_snapshot(rule: str, after: int, said: dict[str, Any]) -> None:
    """It has lasted since we saw it, not since the pump says it began: held for its time from the first snapshot."""
    bench = Bench(only(rule), reporting=0)
    bench.plan("pump-1", windows=[{"from": "20:00", "to": "06:00"}], target_ml=1000)
    bench.pass_by("7 s")
    first = bench.now
    bench.snapshot("pump-1", **said)
    bench.until(first + after + 2 * SECOND - 1)  # a deadline waits 2 s for what may still come
    assert not bench.concerns("pump-1")
    bench.until(first + after + 2 * SECOND)
    assert raised(bench, "pump-1", rule) == first + after
    assert bench.concern("pump-1").since == first


# ---- ways of feeding ----------------------------------------------------------------------------------------------


def test_boluses_with_a_flush_after_each() -> None:
    """Three meals at 300 mL/h, begun 3 min late, flushed at 600 after, the pump left idle: nobody is told."""
    windows = [{"from": f"{hour:02}:00", "to": f"{hour:02}:20", "rate_ml_h": 300} for hour in (8, 12, 17)]
    plan: dict[str, Any] = {"windows": windows, "target_ml": 270, "highest_rate_ml_h": 400}
    bench = planned("2026-06-01T07:30", **plan)
    seen(bench, bench.now, activity="idle", delivered_ml=0, mains=True)
    volume = 0.0
    for hour, minutes in ((8, 20), (12, 20), (17, 14)):
        begin = instant(f"2026-06-01T{hour:02}:00") + 3 * MINUTE
        end = begin + minutes * MINUTE
        volume = run(bench, begin, end, volume, 300)
        seen(bench, end, activity="flushing", rate_ml_h=600, delivered_ml=volume)
        seen(bench, end + 2 * MINUTE, activity="idle", rate_ml_h=None)
    picture = seen(bench, instant("2026-06-01T22:00"))
    assert (volume, picture.given_ml) == (270, 270)
    assert not bench.concerns("pump-1")
    assert not bench.told


def test_a_bolus_that_is_forgotten() -> None:
    """The second meal does not begin: told 10 min into its window, not before, and over with the window."""
    windows = [{"from": f"{hour:02}:00", "to": f"{hour:02}:20", "rate_ml_h": 300} for hour in (8, 12)]
    bench = planned("2026-06-01T07:59", rules=("idle-past-limit",), windows=windows, target_ml=200)
    begin = instant("2026-06-01T08:00")
    volume = run(bench, begin, begin + 20 * MINUTE, 0, 300)
    seen(bench, begin + 20 * MINUTE, activity="idle", delivered_ml=volume)
    noon = instant("2026-06-01T12:00")
    for minute in range(-30, 12):
        seen(bench, noon + minute * MINUTE)
    assert raised(bench, "pump-1", "idle-past-limit") == noon + 10 * MINUTE
    seen(bench, noon + 20 * MINUTE)
    bench.pass_by("62 s")
    assert bench.assert_settled("pump-1").settled_at == noon + 21 * MINUTE  # a gap of 60 s is bridged


def test_three_nights_of_feed_and_days_without() -> None:
    """Fed by night, off and unheard by day, the counter cleared each evening: nobody is told in three days."""
    bench = planned("2026-06-01T19:58", windows=NIGHT, target_ml=1000, rate_ml_h=100, highest_rate_ml_h=120)
    for night in range(3):
        begin = EVENING + night * 24 * HOUR
        seen(bench, begin - MINUTE, activity="idle", delivered_ml=0, mains=True)
        volume = run(bench, begin, begin + 10 * HOUR, 0, 100)
        seen(bench, begin + 10 * HOUR, activity="off", delivered_ml=volume)
        bench.pass_by("13 h 50 min")  # not a word from it
    assert not bench.concerns("pump-1")
    assert not bench.told


@pytest.mark.parametrize(("early", "held"), [(11, [-1]), (10, [])])
def test_switched_off_a_little_early_in_the_morning(early: int, held: list[int]) -> None:
    """Off with some of it not given: feed is due until 06:00; the snapshot of that instant acts before the limit."""
    bench = planned("2026-06-01T19:59", rules=("idle-past-limit",), windows=NIGHT, target_ml=1000)
    end = EVENING + 10 * HOUR
    volume = run(bench, EVENING, end - early * MINUTE, 0, 95)
    for minute in range(-early, 1):
        seen(bench, end + minute * MINUTE, activity="off", delivered_ml=volume)
    bench.pass_by("1 h")
    assert [(c.raised_at - end) // MINUTE for c in bench.concerns("pump-1")] == held


@pytest.mark.parametrize(("flush", "hold", "prime"), [(15, 0, 0), (2, 5, 4), (0, 8, 2), (3, 7, 4)])
def test_a_flush_and_a_prime_in_mid_feed(flush: int, hold: int, prime: int) -> None:
    """A flush goes on with the feed, a prime with the pause: 9 min of pause are nobody's business, more than 10 are."""
    plan: dict[str, Any] = {"windows": NIGHT, "target_ml": 1000, "rate_ml_h": 100, "highest_rate_ml_h": 120}
    bench = planned("2026-06-01T19:59", **plan)
    volume = run(bench, EVENING, EVENING + HOUR, 0, 100, mains=True)
    begin = at = EVENING + HOUR
    for activity, minutes, rate in (("flushing", flush, 500), ("held", hold, None), ("priming", prime, 600)):
        for _ in range(minutes):
            seen(bench, at, activity=activity, rate_ml_h=rate, delivered_ml=volume)
            at += MINUTE
    run(bench, at, at + HOUR, volume, 100)
    bench.silent.add("pump-1")
    held = [(concern.rule, concern.raised_at) for concern in bench.concerns("pump-1")]
    limit = begin + (flush + 10) * MINUTE  # at exactly 10 min the snapshot that feeds again acts first
    assert held == ([("idle-past-limit", limit)] if hold + prime > 10 else [])


# ---- counters and pumps that are not what they were -------------------------------------------------------------


@pytest.mark.parametrize(
    ("activity", "shown", "behind"),
    [
        ("held", 0, 3 * HOUR + 2 * MINUTE),  # somebody has cleared it: it goes on counting
        ("feeding", 0, 3 * HOUR + 2 * MINUTE),  # begun again from nought
        ("feeding", 150, None),  # nothing explains it: nobody can say what is missing
    ],
)
def test_a_counter_that_restarts_in_mid_feed(activity: str, shown: float, behind: int | None) -> None:
    """Explained, what is missing is told at the exact snapshot; unexplained nobody is told a wrong volume."""
    plan: dict[str, Any] = {"windows": NIGHT, "target_ml": 1000}
    bench = planned("2026-06-01T19:59", rules=("behind-plan", "idle-past-limit", "over-plan"), **plan)
    run(bench, EVENING, EVENING + 2 * HOUR + 1, 0, 100)
    seen(bench, EVENING + 2 * HOUR + MINUTE, activity=activity, delivered_ml=shown)
    restart = EVENING + 2 * HOUR + 2 * MINUTE
    for minute in range(0, 90, 2):  # from then on nothing more is given, whatever the pump says it does
        seen(bench, restart + minute * MINUTE, activity="feeding", delivered_ml=shown)
    held = [(c.rule, c.raised_at - EVENING) for c in bench.concerns("pump-1")]
    assert held == ([] if behind is None else [("behind-plan", behind)])
    seen(bench, restart + 90 * MINUTE, activity="idle")
    bench.pass_by("10 min 2 s")
    assert raised(bench, "pump-1", "idle-past-limit") == restart + 100 * MINUTE  # a stop is still told


def replaced(**first: Any) -> tuple[Bench, int]:
    """At 23:00 pump-1 is switched off with 300 mL given, and pump-2 is there with the plan and yesterday's counter."""
    plan: dict[str, Any] = {"windows": NIGHT, "target_ml": 1000, "rate_ml_h": 100}
    bench = planned("2026-06-01T19:59", **plan)
    run(bench, EVENING, EVENING + 3 * HOUR, 0, 100)
    at = EVENING + 3 * HOUR
    seen(bench, at, activity="off", delivered_ml=300)
    bench.button("pump-1", "nurse-1", "feed-ended", reason="another pump in its place")
    bench.plan("pump-2", **plan)
    bench.pass_by("2 min")
    bench.snapshot("pump-2", **first)
    return bench, bench.now


def test_a_pump_in_anothers_place_that_goes_on() -> None:
    """Nobody is told: what the new one's counter shows is not tonight's, and what was given tonight is not known."""
    bench, at = replaced(activity="idle", delivered_ml=985, target_ml=1000)
    picture = bench.engine.fleet.devices["pump-2"].picture
    assert (picture.given_known, picture.given_ml, picture.feed_due) == (False, 0, True)
    for minute in range(2, 418, 2):
        bench.until(at + minute * MINUTE)
        bench.snapshot("pump-2", activity="feeding", delivered_ml=985 + minute * 100 / 60, target_ml=2000)
    assert picture.feed_due
    bench.until(EVENING + 10 * HOUR)
    bench.snapshot("pump-2", activity="off")
    bench.pass_by("1 h")
    assert not bench.told
    assert not bench.concerns("pump-1")
    assert not bench.concerns("pump-2")


@pytest.mark.parametrize("activity", ["idle", "finished", "off"])
def test_a_pump_in_anothers_place_that_nobody_starts(activity: str) -> None:
    """Whatever yesterday's counter says, feed is due: told 10 min after it was first seen."""
    bench, at = replaced(activity=activity, delivered_ml=1000, target_ml=1000)
    for minute in range(1, 12):
        bench.until(at + minute * MINUTE)
        bench.snapshot("pump-2")
    assert raised(bench, "pump-2", "idle-past-limit") == at + 10 * MINUTE
    assert not bench.concerns("pump-1")


def test_a_pump_switched_off_in_mid_feed_without_a_word() -> None:
    """Nobody has said that another feeds in its place: told, until somebody answers that its feed ended."""
    bench = planned("2026-06-01T19:59", rules=("idle-past-limit",), windows=NIGHT, target_ml=1000)
    run(bench, EVENING, EVENING + 3 * HOUR, 0, 100)
    seen(bench, EVENING + 3 * HOUR, activity="off", delivered_ml=300)
    bench.pass_by("10 min 2 s")
    assert raised(bench, "pump-1", "idle-past-limit") == EVENING + 3 * HOUR + 10 * MINUTE
    bench.pass_by("10 s")
    bench.answer("feed-ended", "nurse-1", bench.code("nurse-1", "pump-1"))
    answered = bench.now
    bench.pass_by("62 s")
    assert bench.assert_settled("pump-1").settled_at == answered + MINUTE  # a gap of 60 s is bridged


# ---- units, thresholds, rules that change -----------------------------------------------------------------------


def test_a_pump_with_a_concern_open_is_wheeled_to_another_unit() -> None:
    """The concern goes with it; its waits are the new unit's; its longer patience is no all-clear while it rings."""
    ladders = {
        ("elm", "medium"): Ladder((Rung(("role:nurse",), 10 * MINUTE), Rung(("role:charge",), 10 * MINUTE))),
        ("oak", "medium"): Ladder(
            (Rung(("role:nurse",), 10 * MINUTE), Rung(("person:manager",), 10 * MINUTE))
        ),
    }
    slower = {"oak": {"unattended": {"patience": "30 min"}}}
    bench = unattended(only("unattended", ladders=ladders, unit_thresholds=slower))
    concern = bench.concern("pump-1")
    assert concern.raised_at == START + 5 * MINUTE + SECOND
    bench.at("00:09:00")
    bench.snapshot("pump-1", unit="oak")
    assert (concern.unit, concern.holding) == ("oak", True)
    bench.at("00:15:20")  # 10 min from the send at 00:05:08
    assert {told.person for told in bench.notices(why="next-rung")} == {"manager"}, bench.told
    mended(bench)
    bench.at("00:16:30")
    assert bench.assert_settled("pump-1").settled_at == START + 16 * MINUTE + 20 * SECOND
    assert len(bench.concerns("pump-1")) == 1


def test_a_rule_that_changes_while_it_holds() -> None:
    """At 15 % below 20 %; from now on below 10 %: open until the next snapshot, at which that is not so."""
    bench = Bench(only("low-power-unplugged"), reporting=0)
    bench.snapshot("pump-1", mains=False, battery_percent=15)
    bench.at("00:02:00")
    concern = bench.assert_open("pump-1")
    bench.restart(with_thresholds("low-power-unplugged", {"low": "10 %"}))
    bench.at("00:02:50")
    assert bench.assert_open("pump-1").id == concern.id
    bench.at("00:02:55")
    bench.snapshot("pump-1")
    assert bench.assert_settled("pump-1").settled_at == START + 175 * SECOND


def test_a_rule_that_changes_and_would_still_hold() -> None:
    """At 8 % below 10 % too: the same concern goes on, and lets go at the first snapshot on the mains."""
    bench = Bench(only("low-power-unplugged"), reporting=0)
    bench.snapshot("pump-1", mains=False, battery_percent=8)
    bench.at("00:02:00")
    first = bench.assert_open("pump-1").id
    bench.restart(with_thresholds("low-power-unplugged", {"low": "10 %", "patience": "3 min"}))
    for second in range(150, 390, 30):
        bench.until(START + second * SECOND)
        bench.snapshot("pump-1")
        assert bench.assert_open("pump-1").id == first
    bench.at("00:06:30")
    bench.snapshot("pump-1", mains=True)
    assert bench.assert_settled("pump-1").settled_at == START + 390 * SECOND
    assert {why for told in bench.told for _, why in told.items} == {"raised"}  # nobody twice
    bench.pass_by("10 s")
    assert {told.person for told in bench.notices(why="stand-down")} == {"nurse-1", "nurse-2"}


def test_a_threshold_of_one_pumps_own() -> None:
    """Three minutes for pump-1, the site's four for pump-2 and seven in oak: each at its own instant."""
    site = with_thresholds(
        "unattended", {"patience": "4 min"}, unit_thresholds={"oak": {"unattended": {"patience": "7 min"}}}
    )
    own = replace(site.devices["pump-1"], thresholds={"unattended": {"patience": "3 min"}})
    devices: dict[str, DeviceEntry] = {**site.devices, "pump-1": own}
    bench = Bench(replace(site, devices=devices, _compiled={}))
    for pump, unit in (("pump-1", "elm"), ("pump-2", "elm"), ("pump-3", "oak")):
        bench.snapshot(pump, activity="stopped", alarms=[RINGING], unit=unit)
    bench.at("00:10:00")
    after = {pump: raised(bench, pump, "unattended") - START for pump in ("pump-1", "pump-2", "pump-3")}
    assert after == {"pump-1": 3 * MINUTE, "pump-2": 4 * MINUTE, "pump-3": 7 * MINUTE}


def test_two_conditions_of_one_rule_overlap() -> None:
    """Below 20 % and, two minutes later, below 5 %: raised once, its priority once, never lowered, settled once."""
    bench = Bench(only("low-power-unplugged"), reporting=30 * SECOND)
    bench.snapshot("pump-1", mains=False, battery_percent=15)
    bench.at("00:02:00")
    bench.snapshot("pump-1", battery_percent=4)
    bench.at("00:05:00")
    bench.snapshot("pump-1", battery_percent=15)  # the gauge again: the first condition alone still holds
    bench.at("00:06:00")
    bench.snapshot("pump-1", battery_percent=3)
    bench.at("00:08:00")
    assert bench.assert_open("pump-1").priority == "high"
    bench.snapshot("pump-1", mains=True)
    bench.at("00:20:00")
    events = ("raised", "priority-raised", "settled")
    assert [(h.event, h.at - START) for h in bench.happened if h.event in events] == [
        ("raised", MINUTE),
        ("priority-raised", 3 * MINUTE),
        ("settled", 8 * MINUTE),
    ]
    told = [(told.person, why) for told in bench.told for _, why in told.items]
    assert len(told) == len(set(told)) + sum(why == "next-rung" for _, why in told) - len(
        {one for one in told if one[1] == "next-rung"}
    )


# ---- nights when the clock changes ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("evening", "before", "shown"),
    [("2026-03-28", "2026-03-29T00:55", "02:05"), ("2026-10-24", "2026-10-25T01:55", "01:05")],
)
def test_ten_minutes_are_ten_minutes_while_the_clock_changes(evening: str, before: str, shown: str) -> None:
    """Held five minutes before the change: told ten true minutes later, when the ward's clock shows another hour."""
    bench = planned(f"{evening}T19:59", LONDON, rules=("idle-past-limit",), windows=NIGHT, target_ml=1000)
    seen(bench, instant(f"{evening}T20:00", LONDON), activity="feeding", delivered_ml=0)
    stop = instant(before, LONDON)
    seen(bench, stop, activity="held")
    bench.until(stop + 10 * MINUTE + 10 * SECOND)
    assert raised(bench, "pump-1", "idle-past-limit") == stop + 10 * MINUTE
    local = stop + 10 * MINUTE + bench.site.zone.offset(stop + 10 * MINUTE)
    assert f"{local // HOUR % 24:02}:{local // MINUTE % 60:02}" == shown


@pytest.mark.parametrize(
    ("day", "window", "begins"),
    [
        # 01:15 is missing and takes the offset before: 01:15 UTC, 02:15 on the clock (RFC 5545 §3.3.5).
        ("2026-03-29", {"from": "01:15", "to": "01:45"}, "2026-03-29T01:15"),
        # 01:15 comes twice, and only the first is meant: 00:15 UTC.
        ("2026-10-25", {"from": "01:15", "to": "01:45"}, "2026-10-25T00:15"),
    ],
)
def test_a_meal_in_the_missing_or_the_repeated_hour(day: str, window: dict[str, str], begins: str) -> None:
    """It is due once that night, for half an hour, and told ten minutes into it if nothing feeds."""
    midnight = instant(f"{day}T00:00", LONDON)
    bench = planned(f"{day}T00:00", LONDON, rules=("idle-past-limit",), windows=[window], target_ml=100)
    begin, due = instant(begins), []
    for minute in range(4 * 60):
        if seen(bench, midnight + minute * MINUTE, activity="idle", delivered_ml=0).feed_due:
            due.append(midnight + minute * MINUTE)
    assert due == [begin + minute * MINUTE for minute in range(30)]
    (concern,) = bench.concerns("pump-1")
    assert (concern.raised_at, concern.settled_at) == (begin + 10 * MINUTE, begin + 31 * MINUTE)
