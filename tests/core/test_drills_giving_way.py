"""Drills wait for real trouble, give way to it, and are never told with it."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.core.concerns import State
from monitor.testing import Bench, ward
from tests.core.drill_stories import PUMP, begun, legs, outcome
from tests.core.stories import FAULT, RINGING


def ring(bench: Bench, pump: str = "pump-1", unit: str = "elm", what: dict[str, Any] | None = None) -> None:
    """A real trouble, told by page."""
    bench.snapshot(pump, unit=unit, activity="feeding", alarms=[])
    bench.pass_by("1 s")
    bench.snapshot(pump, activity="stopped", alarms=[what or RINGING])
    bench.pass_by("6 min")


def test_it_waits_while_a_real_trouble_of_the_unit_is_open() -> None:
    """It is put off, says so, and begins once the trouble is over."""
    bench = Bench(ward())
    ring(bench)
    drill = bench.drill(wait="20 min").text
    bench.pass_by("5 min")
    assert legs(bench, drill) == ["asked", "put-off"]
    assert not bench.concerns(PUMP)
    bench.snapshot("pump-1", activity="feeding", alarms=[])
    bench.pass_by("2 min")
    assert legs(bench, drill)[2:5] == ["published", "back", "raised"]


def test_it_is_given_up_when_it_has_been_put_off_for_too_long() -> None:
    """Put off for all of its wait it is over, which is not a missed drill; a real one accepted puts it off too."""
    bench = Bench(ward())
    ring(bench)
    bench.accept("nurse-1", "pump-1")
    drill = bench.drill().text
    bench.pass_by("11 min")
    report = bench.engine.drills.report(drill)
    assert report is not None
    assert (report["outcome"], report["why"], report["state"]) == ("put-off", "real trouble is open", "ended")
    assert not bench.concerns("unit:elm")
    assert not bench.concerns(PUMP)


def test_somebody_who_is_called_elsewhere_puts_it_off() -> None:
    """The nurses are called about oak: a drill of elm waits; one to the manager, who is not, does not."""
    bench = Bench(ward())
    ring(bench, "pump-9", "oak")
    drill = bench.drill().text
    assert legs(bench, drill) == ["asked", "put-off"]
    assert bench.drill("oak", to="manager").ok  # put off too: it is of the unit itself
    assert not [1 for event in bench.happened if event.event == "drill-begun"]


def test_a_low_concern_puts_nothing_off() -> None:
    """What is for awareness may stay open for hours; a drill does not wait for it."""
    bench = Bench(ward())
    behind(bench)
    bench.pass_by("3 h")
    assert [c.priority for c in bench.concerns("pump-1") if c.live] == ["low"]
    bench, drill = begun(bench)
    assert legs(bench, drill)[1] == "published"


@pytest.mark.parametrize(("pump", "unit"), [("pump-1", "elm"), ("pump-9", "oak")])
def test_a_real_trouble_ends_it_at_once(pump: str, unit: str) -> None:
    """A real trouble of the unit, or about which the drill's people are called: the drill is over, and so they hear."""
    bench = Bench(ward())
    bench.snapshot(pump, unit=unit, activity="feeding", alarms=[])
    bench, drill = begun(bench)
    bench.snapshot(pump, activity="stopped", alarms=[FAULT])
    bench.pass_by("2 min 3 s")
    assert bench.assert_told("nurse-1", "raised").text.startswith("HIGH ")
    report = bench.engine.drills.report(drill)
    assert report is not None
    assert (report["outcome"], report["why"]) == ("cut-short", "a real trouble has come up, which goes first")
    assert bench.concern(PUMP).state is State.SETTLED
    bench.pass_by("10 s")
    assert not bench.concerns("unit:elm")
    assert outcome(bench, drill) == "cut-short"


def test_notices_of_a_drill_that_had_not_gone_are_dropped() -> None:
    """A real trouble within the gather time: nobody ever hears of the drill."""
    bench = Bench(ward())
    bench.snapshot("pump-1", activity="feeding", alarms=[])
    bench.snapshot("pump-1", activity="stopped", alarms=[FAULT])
    bench.pass_by("1 min 56 s")
    bench.drill()
    bench.pass_by("1 min")
    assert {item for told in bench.told for item in told.items} == {(bench.concern("pump-1").id, "raised")}


def behind(bench: Bench) -> None:
    """A pump that gives a tenth of its plan: behind it at once, a low concern."""
    bench.plan("pump-1", windows=[{"from": "20:00", "to": "06:00"}], target_ml=1000, rate_ml_h=100)
    bench.snapshot("pump-1", delivered_ml=0.0, rate_ml_h=10.0)


def test_a_drill_is_never_told_with_a_real_trouble() -> None:
    """Something low comes up within its gather time: the same nurse gets two pages, the real one first."""
    bench = Bench(ward())
    bench.drill()
    bench.pass_by("5 s")
    behind(bench)
    bench.pass_by("20 s")
    told = [told.text.split()[0] for told in bench.told if told.person == "nurse-1"]
    assert told == ["LOW", "DRILL"]
