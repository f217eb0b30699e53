"""Two bridges that claim one device: it is said, no alarm of either goes unheard, and the picture does not flap."""

from __future__ import annotations

from typing import Any

from monitor.core.instants import MINUTE, SECOND
from monitor.core.picture import Picture
from monitor.testing import START, Bench, alarm
from tests.core.stories import only

FAULT = alarm("drive-fault", "high", since=START)
EMPTY = alarm("container-empty", "medium", since=START)


class Both:
    """Two bridges that report the same pump in turn, each what its own says."""

    def __init__(self, *rules: str) -> None:
        self.bench = Bench(only(*rules) if rules else only("unattended"), reporting=0)
        self.said: dict[str, dict[str, object]] = {"north": {}, "south": {}}  # besides that it feeds

    def report(self, bridge: str) -> None:
        """One report."""
        said: dict[str, Any] = {"activity": "feeding", "alarms": []} | self.said[bridge]
        self.bench.snapshot("pump-1", bridge=bridge, **said)

    def turns(self, count: int) -> None:
        """Each reports in turn, ten seconds apart."""
        for _ in range(count):
            for bridge in self.said:
                self.report(bridge)
                self.bench.pass_by("10 s")

    @property
    def picture(self) -> Picture:
        """What is believed of the pump."""
        return self.bench.engine.devices["pump-1"].picture

    def noted(self, event: str = "claimed-by-two") -> int:
        """How often it was said."""
        return [happening.event for happening in self.bench.happened].count(event)


def test_it_is_said_once_an_hour_and_counted() -> None:
    """Two hours of two bridges: three entries with both names, each contested message counted."""
    both = Both()
    both.turns(2 * 180 + 3)
    assert both.noted() == 3
    [first, *_] = [h for h in both.bench.happened if h.event == "claimed-by-two"]
    assert (first.device, first.detail["bridges"]) == ("pump-1", ["north", "south"])
    counters = both.bench.engine.counters
    assert counters["contested"] == 362
    assert counters["snapshots"] == 364
    assert counters["sequence-gaps"] > 0


def test_the_picture_stays_with_one() -> None:
    """What the pump does is what the bridge says that has it; no other is believed in turn."""
    both = Both()
    both.turns(1)
    both.said["south"] = {"activity": "held"}
    both.said["north"] = {"activity": "feeding"}
    seen = set()
    for _ in range(20):
        for bridge in both.said:
            both.report(bridge)
            both.bench.pass_by("10 s")
            seen.add((both.picture.bridge, both.picture.activity))
    assert seen == {("south", "feeding"), ("south", "held")}
    assert both.picture.activity == "held"


def test_an_alarm_of_either_is_heard_and_over_when_neither_shows_it() -> None:
    """High, only by the one that has not got the pump: raised in time, by one concern, settled when it is gone."""
    both = Both()
    both.turns(3)
    both.said["north"] = {"alarms": [FAULT], "activity": "stopped"}
    both.turns(8)
    concern = both.bench.concern("pump-1")
    assert (concern.rule, concern.priority, concern.times) == ("unattended", "high", 1)
    assert concern.raised_at == START + 60 * SECOND + 2 * MINUTE, "it counts from the report that showed it"
    both.said["north"] = {"alarms": [], "activity": "feeding"}
    both.turns(6)
    both.bench.assert_settled("pump-1")
    assert [h.event for h in both.bench.happened if h.event in ("raised", "relapsed")] == ["raised"]


def test_the_same_alarm_by_both_is_one() -> None:
    """The higher priority, sounding if either sounds."""
    both = Both()
    both.turns(2)
    both.said["south"] = {"alarms": [EMPTY | {"inactivation": "audio-paused"}]}
    both.said["north"] = {"alarms": [EMPTY | {"priority": "high"}]}
    both.turns(2)
    [shown] = both.picture.alarms
    assert (shown.priority, shown.inactivation) == ("high", "enabled")


def test_a_pump_that_was_moved_is_no_dispute() -> None:
    """One bridge goes quiet, the other takes over at once: nothing is said, nothing is ignored."""
    both = Both()
    for _ in range(3):
        both.report("north")
        both.bench.pass_by("30 s")
    both.said["south"] = {"alarms": [FAULT], "activity": "stopped"}
    for _ in range(3):
        both.report("south")
        both.bench.pass_by("30 s")
    assert both.noted() == 0
    assert both.bench.engine.counters["snapshots"] == 6


def test_when_the_one_falls_silent_the_other_gets_it() -> None:
    """After two and a half minutes; what the silent one had alarmed of stands for ten minutes."""
    both = Both()
    both.turns(2)
    both.said["south"] = {"alarms": [FAULT], "activity": "stopped"}
    both.turns(1)
    both.bench.pass_by("141 s")
    both.report("north")
    assert (both.picture.bridge, both.picture.activity) == ("north", "feeding")
    assert [alarm.condition for alarm in both.picture.alarms] == ["drive-fault"]
    both.bench.pass_by("30 s")
    both.report("north")
    assert [alarm.condition for alarm in both.picture.alarms] == ["drive-fault"]
    both.bench.pass_by("10 min")
    both.report("north")
    assert both.picture.alarms == ()


def test_a_bridge_that_is_gone_gives_the_pump_away() -> None:
    """Its last will says so: the other's next message acts."""
    both = Both()
    both.turns(2)
    both.bench.bridge("south", online=False)
    both.report("north")
    assert both.picture.bridge == "north"


def test_a_third_claim_changes_nothing() -> None:
    """Three bridges in turn: two take-overs at first, then it stays."""
    both = Both()
    both.said["west"] = {"activity": "feeding"}
    both.turns(30)
    assert both.picture.bridge == "west"
    assert both.bench.engine.counters["contested"] == 2 * 29


def test_a_repeated_or_older_message_of_the_other_is_no_claim() -> None:
    """Sent again it is a duplicate, out of order it is late; the picture stays."""
    both = Both()
    both.turns(2)
    counters = both.bench.engine.counters
    both.bench.snapshot("pump-1", bridge="north", time=both.bench.now - 25 * SECOND)
    assert counters["late"] == 1
    contested = counters["contested"]
    both.report("north")
    last = both.bench.kept.rows["device"]["pump-1"]
    assert counters["contested"] == contested + 1
    assert last == both.bench.kept.rows["device"]["pump-1"]


def test_a_restart_does_not_lose_the_alarm_of_the_other() -> None:
    """The claim begins anew; the alarm is heard again with the next report of the one that shows it."""
    both = Both()
    both.turns(2)
    both.said["north"] = {"alarms": [FAULT], "activity": "stopped"}
    both.turns(1)
    both.bench.restart()
    both.turns(8)
    assert both.bench.concern("pump-1").priority == "high"
