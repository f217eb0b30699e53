"""Drills go on after a restart, or are reported as broken off."""

from __future__ import annotations

import pytest

from monitor.core.concerns import State
from monitor.testing import Bench, ward
from tests.core.drill_stories import MISSED, PUMP, begun, legs, missed, outcome


@pytest.mark.parametrize("after", ["0 s", "1 s", "4 s", "9 s", "1 min"])
def test_it_goes_on_after_a_restart(after: str) -> None:
    """Killed at any leg, the drill goes on from there, to the same person, and its acceptance counts."""
    bench = Bench(ward())
    drill = bench.drill(to="charge", priority="medium").text
    bench.pass_by(after)
    bench.restart()
    bench.pass_by("30 s")
    assert "restarted" in legs(bench, drill)
    bench.accept("charge", PUMP)
    bench.pass_by("1 min")
    assert outcome(bench, drill) == "accepted"
    assert {told.person for told in bench.told} == {"charge"}
    assert PUMP not in bench.engine.devices
    bench.assert_trail_whole()


def test_one_whose_time_was_over_meanwhile_is_broken_off() -> None:
    """Not running when its wait ended: nobody could have accepted it, so it is no missed drill."""
    bench, drill = begun()
    bench.now += 3_600_000
    bench.restart()
    report = bench.engine.drills.report(drill)
    assert report is not None
    assert report["outcome"] == "broken-off"
    bench.pass_by("1 min")
    assert not bench.concerns("unit:elm")
    assert PUMP not in bench.engine.devices


def test_one_whose_unit_is_gone_is_broken_off() -> None:
    """The site file no longer has the unit, or the person: the drill is over and says so."""
    bench, drill = begun()
    bench.restart(ward(units=("oak",)))
    assert outcome(bench, drill) == "broken-off"
    assert bench.concern(PUMP).state is State.SETTLED


@pytest.mark.parametrize("restarted", [True, False])
def test_a_second_drill_is_no_relapse(restarted: bool) -> None:
    """The second drill within half an hour is a new one, not the first one come back to its acceptor."""
    bench, _ = begun()
    bench.accept("nurse-2", PUMP)
    bench.pass_by("1 min")
    if restarted:
        bench.restart()
    bench, _ = begun(bench)
    bench.assert_told("nurse-1", "raised")
    assert len(bench.concerns(PUMP)) == 2


def test_a_missed_drill_is_known_after_a_restart() -> None:
    """Its concern stands, and the next accepted drill ends it."""
    bench = missed()
    bench.restart()
    bench.accept("nurse-1", "unit:elm")
    begun(bench)
    bench.accept("nurse-1", PUMP)
    bench.pass_by("1 min")
    bench.assert_settled("unit:elm", MISSED)
