"""Listed pumps that were never heard of: missed only when their plan says that feed is due."""

from __future__ import annotations

from typing import Any

from monitor.core.messages import Plan, Window
from monitor.core.site import DeviceEntry, Site
from monitor.testing import Bench
from tests.core.stories import only


def plan(start: int, end: int, *, risk: bool = False) -> Plan:
    """Feed is due between two hours of the day."""
    return Plan((Window(start * 60, end * 60, None),), 500.0, None, None, None, risk, None, None, None)


def site(found: Plan | None, **changed: Any) -> Site:
    """One listed pump, with or without a plan; a test begins at 22:00."""
    entry = DeviceEntry(id="pump-1", unit="elm", place="bay 3 bed 1", pager_place="B3/1", plan=found)
    rules = ("out-of-sight", "idle-past-limit", "stopped-at-glucose-risk", "behind-plan", "sight-lost")
    return only(*rules, devices={"pump-1": entry}, **changed)


def test_a_pump_that_should_feed_and_was_never_heard_of() -> None:
    """Counted from the service's start it is out of sight, and only that; the notice says that it was never seen."""
    bench = Bench(site(plan(20, 6)))
    bench.at("00:03:01")
    assert bench.concerns("pump-1") == []
    bench.at("00:03:10")
    concern = bench.assert_open("pump-1", "out-of-sight")
    assert (concern.raised_at - bench.start, concern.priority) == (180_000, "medium")
    told = bench.assert_told("nurse-1", "raised")
    assert "B3/1: out of sight 3 min, never seen" in told.text
    bench.at("01:00:00")
    assert [found.rule for found in bench.concerns("pump-1")] == ["out-of-sight"]
    bench.snapshot("pump-1", activity="feeding")
    bench.assert_settled("pump-1", "out-of-sight")
    bench.assert_trail_whole()


def test_with_a_glucose_risk_it_is_high() -> None:
    """The plan is all that is known of it, and the plan says that a stop is dangerous."""
    bench = Bench(site(plan(20, 6, risk=True)))
    bench.at("00:03:10")
    assert bench.assert_open("pump-1").priority == "high"


def test_without_a_plan_nothing_is_missed() -> None:
    """A pump in the cupboard is listed too; so it is outside the windows of a plan."""
    bench = Bench(site(None))
    bench.at("12:00:00")
    assert bench.concerns("pump-1") == []
    bench = Bench(site(plan(8, 12)))
    bench.at("10:02:59")
    assert bench.concerns("pump-1") == []


def test_at_a_window_that_begins_later_it_counts_from_there() -> None:
    """A pump is switched on for its feed: it has until the limit after the window's start."""
    bench = Bench(site(plan(23, 6)))
    bench.at("01:03:01")
    assert bench.concerns("pump-1") == []
    bench.at("01:03:10")
    assert bench.assert_open("pump-1").raised_at - bench.start == 63 * 60_000


def test_a_window_that_ends_before_the_limit_is_let_go_until_the_next() -> None:
    """Started two minutes before its end, the service waits for the next night."""
    bench = Bench(site(plan(20, 6)), start=Bench(site(None)).start + (8 * 60 - 2) * 60_000)
    bench.at("14:04:59")
    assert bench.concerns("pump-1") == []
    bench.at("14:05:10")
    assert bench.assert_open("pump-1").raised_at - bench.start == (14 * 60 + 5) * 60_000


def test_heard_of_in_time_it_is_a_pump_like_any_other() -> None:
    """One message before the limit, and its silence counts from that."""
    bench = Bench(site(plan(20, 6)))
    bench.silent.add("pump-1")
    bench.at("00:02:30")
    bench.snapshot("pump-1", activity="feeding")
    bench.at("00:05:29")
    assert bench.concerns("pump-1") == []
    bench.at("00:05:40")
    assert bench.assert_open("pump-1").raised_at - bench.start == 330_000


def test_while_nothing_can_be_seen_it_is_not_missed() -> None:
    """The broker comes late: silence counts from then."""
    bench = Bench(site(plan(20, 6)), link=False)
    bench.at("00:10:00")
    assert bench.concerns("pump-1") == []
    bench.link_up()
    bench.marker_back()
    bench.at("00:12:59")
    assert bench.concerns("pump-1") == []
    bench.at("00:13:10")
    assert bench.assert_open("pump-1").raised_at - bench.start == 13 * 60_000


def test_a_plan_from_a_bridge_counts_like_one_of_the_site() -> None:
    """A pump of which only the plan has come is missed too."""
    bench = Bench(site(None))
    bench.at("00:10:00")
    bench.plan("pump-1", windows=[{"from": "20:00", "to": "06:00"}])
    bench.at("00:13:10")
    assert bench.assert_open("pump-1").raised_at - bench.start == 13 * 60_000


def test_after_a_restart_it_is_still_missed() -> None:
    """An open concern stays one, and is no second one; one that waits goes on waiting."""
    bench = Bench(site(plan(20, 6)))
    bench.at("00:01:00")
    bench.restart()
    bench.at("00:03:59")
    assert bench.concerns("pump-1") == []
    bench.at("00:04:10")
    opened = bench.assert_open("pump-1").opened
    bench.restart()
    bench.at("01:00:00")
    assert [found.opened for found in bench.concerns("pump-1")] == [opened]
    bench.snapshot("pump-1", activity="feeding")
    bench.assert_settled("pump-1")
