"""When a snapshot acts: late, duplicate, overtaken, equal times, doubtful clocks, sequence gaps, lost sight, moves."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.core.device import Device
from monitor.core.engine import Engine
from monitor.core.journal import Happening
from monitor.core.lookout import RETURN
from monitor.core.messages import PresenceMessage
from monitor.core.rulebook import Rule, parse
from monitor.core.site import DeviceEntry, Site, Times
from tests.core.rule_text import LASTING, SILENT, changed
from tests.core.snapshots import alarm, snapshot

SECOND = 1_000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
NOW = 20_000 * 24 * HOUR
MADE_UP = parse(changed(LASTING, 'value = "100 ms"', 'value = "10 s"'), "made-up.toml")
QUIET = parse(
    changed(SILENT, 'value = "100 ms"', 'value = "3 min"').replace('"made-up"', '"quiet"'), "quiet.toml"
)


def engine(*rules: Rule, lateness: int = 0, link: bool = True) -> Engine:
    """An engine that tells rules only, of a site that knows pump-1."""
    site = Site(
        name="trace",
        key=b"trace",
        last_resort="nobody",
        units=("ward-a", "ward-b"),
        devices={"pump-1": DeviceEntry(id="pump-1", unit="ward-a")},
        rules=rules,
        unit_thresholds={"ward-b": {"made-up": {"patience": "20 s"}}},
        times=Times(lateness=lateness),
    )
    return Engine(site, now=NOW, link=link, only_rules=True, trail=False)


def pump(running: Engine) -> Device:
    """The one device."""
    return running.devices["pump-1"]


def told(running: Engine) -> list[tuple[int, str]]:
    """What the rules told since the last call: seconds after NOW, and what."""
    kinds = ("holds", "ends", "priority-raised")
    return [(h.at - NOW, h.event) for h in running.take_happenings() if h.event in kinds]


def events(running: Engine) -> list[Happening]:
    """Everything that was noted since the last call."""
    return running.take_happenings()


def take(running: Engine, time: int, received: int | None = None, **said: Any) -> None:
    """A snapshot of pump-1, at offsets from NOW; received at its own time unless another is said."""
    running.receive(snapshot(NOW + time, **said), NOW + (time if received is None else received))


def test_the_same_source_and_id_is_a_duplicate() -> None:
    """It changes nothing and is counted, whatever else it says; the same id of another bridge is none."""
    running = engine()
    take(running, 0, id="a", sequence=1)
    take(running, 50, id="a", sequence=2, activity="held")
    assert (pump(running).picture.activity, running.counters["duplicate"]) == ("feeding", 1)
    take(running, 60, id="a", sequence=1, source="urn:bridge:south", bridge="south", activity="held")
    assert (pump(running).picture.activity, running.counters["duplicate"]) == ("held", 1)


def test_a_retained_duplicate_does_not_put_off_a_silence() -> None:
    """The picture is unchanged, and so is what counts from it."""
    running = engine(QUIET)
    take(running, 0, id="a")
    take(running, 0, 2 * MINUTE, id="a")
    running.advance(NOW + 4 * MINUTE)
    assert told(running) == [(3 * MINUTE, "holds")]


def test_older_than_the_picture_is_late() -> None:
    """Counted, picture unchanged."""
    running = engine()
    take(running, 10, sequence=5)
    take(running, 9, 20, sequence=6, activity="held")
    assert (pump(running).picture.activity, running.counters["late"]) == ("feeding", 1)


def test_late_by_more_than_the_tolerance() -> None:
    """An old one of a run that was seen beyond is late, not a doubtful clock."""
    running = engine()
    take(running, 0, sequence=5)
    take(running, -HOUR, 10, sequence=4, activity="held")
    assert (pump(running).picture.activity, running.counters["late"]) == ("feeding", 1)
    assert not pump(running).picture.clock_doubtful


def test_equal_time_and_a_higher_sequence_acts_a_millisecond_later() -> None:
    """And the next one yet a millisecond later; an equal or lower one is late."""
    running = engine()
    take(running, 0, sequence=1)
    for sequence, acted in ((2, 1), (3, 2)):
        take(running, 0, sequence=sequence, activity="held")
        assert pump(running).picture.acted == NOW + acted
        assert pump(running).picture.time == NOW
    take(running, 0, sequence=3, id="other")
    take(running, 0, sequence=2, id="another")
    assert running.counters["late"] == 2
    assert running.counters["overtaken"] == 0


def test_equal_times_put_off_a_silence_by_their_millisecond() -> None:
    """The last message is the one that acted at 1 ms: silent 3 min after that."""
    running = engine(QUIET)
    take(running, 0, sequence=1)
    take(running, 0, sequence=2)
    running.advance(NOW + 3 * MINUTE)
    assert told(running) == []
    running.advance(NOW + 3 * MINUTE + 1)
    assert told(running) == [(3 * MINUTE + 1, "holds")]


def test_a_snapshot_older_than_a_fired_deadline_acts_a_millisecond_after_it() -> None:
    """Counted as overtaken: what was told stays told."""
    running = engine(MADE_UP)
    take(running, 0, alarms=(alarm(1),))
    running.advance(NOW + 10 * SECOND)
    take(running, 9 * SECOND, 11 * SECOND)
    assert told(running) == [(10 * SECOND, "holds")]
    assert (pump(running).picture.acted, running.counters["overtaken"]) == (NOW + 10 * SECOND + 1, 1)
    running.advance(NOW + MINUTE)
    assert told(running) == [(10 * SECOND + 1 + 30, "ends")]


def test_a_deadline_waits_for_the_lateness_and_is_stamped_with_its_own_instant() -> None:
    """A snapshot that comes within 2 s of the deadline acts before it."""
    running = engine(MADE_UP, lateness=2 * SECOND)
    take(running, 0, alarms=(alarm(1),))
    running.advance(NOW + 12 * SECOND - 1)
    assert told(running) == []
    running.advance(NOW + 12 * SECOND)
    assert told(running) == [(10 * SECOND, "holds")]
    other = engine(MADE_UP, lateness=2 * SECOND)
    take(other, 0, alarms=(alarm(1),))
    other.advance(NOW + 11 * SECOND)
    take(other, 9 * SECOND, 11 * SECOND)
    other.advance(NOW + HOUR)
    assert told(other) == []


@pytest.mark.parametrize(
    ("time", "acted", "doubtful"),
    [
        (90 * SECOND, 90 * SECOND, False),
        (90 * SECOND + 1, 0, True),
        (-90 * SECOND, -90 * SECOND, False),
        (-90 * SECOND - 1, 0, True),
        (3 * HOUR, 0, True),
        (-3 * HOUR, 0, True),
    ],
)
def test_a_clock_off_by_more_than_the_tolerance_is_doubtful(time: int, acted: int, doubtful: bool) -> None:
    """Within 90 s either way a snapshot acts at its own time, beyond at its receipt."""
    running = engine()
    take(running, time, 0)
    assert pump(running).picture.acted == NOW + acted
    assert pump(running).picture.clock_doubtful is doubtful
    assert [h.event for h in events(running) if h.event == "clock-doubtful"] == ["clock-doubtful"] * doubtful


@pytest.mark.parametrize("off", [3 * HOUR, -3 * HOUR])
def test_a_clock_three_hours_off_and_then_corrected(off: int) -> None:
    """All that comes acts on receipt, then on its own time again; nothing is lost, the doubt is told once."""
    running = engine(MADE_UP)
    take(running, off, 0, sequence=1, alarms=(alarm(NOW + off),))
    take(running, off + MINUTE, MINUTE, sequence=2)
    take(running, 2 * MINUTE - 300, 2 * MINUTE, sequence=3, alarms=(alarm(NOW + 2 * MINUTE - 300),))
    assert pump(running).picture.acted == NOW + 2 * MINUTE - 300
    assert not pump(running).picture.clock_doubtful
    running.advance(NOW + HOUR)
    found = events(running)
    assert [h.event for h in found].count("clock-doubtful") == 1
    begins = [h.at - NOW for h in found if h.event == "holds"]
    assert begins == [10 * SECOND, 2 * MINUTE - 300 + 10 * SECOND]
    assert running.counters["late"] == 0


def test_an_old_one_of_a_clock_that_is_ahead_is_late() -> None:
    """Three hours ahead, and out of order."""
    running = engine()
    take(running, 3 * HOUR, 0, sequence=5)
    take(running, 3 * HOUR - SECOND, 10, sequence=4, activity="held")
    assert (pump(running).picture.activity, running.counters["late"]) == ("feeding", 1)


def test_a_clock_that_was_set_back_is_doubtful_and_not_unseen() -> None:
    """The sequence goes on, so that it is no old message."""
    running = engine()
    take(running, 0, sequence=5)
    take(running, MINUTE - 3 * HOUR, MINUTE, sequence=6, activity="held")
    assert (pump(running).picture.activity, pump(running).picture.acted) == ("held", NOW + MINUTE)
    assert pump(running).picture.clock_doubtful


def test_a_gap_in_the_sequence_is_counted() -> None:
    """Two missing; another bridge counts for itself, and a restarted one is no gap."""
    running = engine()
    for time, sequence, bridge in ((0, 5, "a"), (1, 8, "a"), (2, 30, "b"), (3, 31, "b"), (4, 1, "b")):
        take(running, time, sequence=sequence, source=f"urn:bridge:{bridge}", bridge=bridge)
    assert running.counters["sequence-gaps"] == 2


def test_silence_counts_from_receipt() -> None:
    """A message that took 80 s: silent 3 min after it came, not after it was written."""
    running = engine(QUIET)
    take(running, -80 * SECOND, 0)
    running.advance(NOW + 3 * MINUTE - 1)
    assert told(running) == []
    running.advance(NOW + 3 * MINUTE)
    assert told(running) == [(3 * MINUTE, "holds")]


def presence(running: Engine, online: bool, at: int) -> None:
    """What the device's bridge says of itself."""
    running.receive(PresenceMessage("trace", "north-7", online, False), NOW + at)


def test_nothing_is_silent_while_its_bridge_is_gone() -> None:
    """Deadlines rest; the count begins anew when sight returns."""
    running = engine(QUIET)
    take(running, 0)
    presence(running, False, MINUTE)
    running.advance(NOW + HOUR)
    assert told(running) == []
    presence(running, True, HOUR)
    running.advance(NOW + HOUR + RETURN)
    running.advance(NOW + HOUR + 3 * MINUTE - 1)
    assert told(running) == []
    running.advance(NOW + HOUR + 3 * MINUTE)
    assert told(running) == [(HOUR + 3 * MINUTE, "holds")]


def test_a_message_that_comes_before_its_bridge_is_said_to_be_back() -> None:
    """It was not silent before either: nothing could be seen."""
    running = engine(QUIET)
    take(running, 0)
    presence(running, False, MINUTE)
    take(running, HOUR)
    presence(running, True, HOUR + 10)
    assert told(running) == []


def test_deadlines_that_rested_are_worked_through_on_their_own_times() -> None:
    """An alarm that lasted while sight was gone: told when sight is back, stamped when it was so."""
    running = engine(MADE_UP)
    take(running, 0, alarms=(alarm(1),))
    presence(running, False, 5 * SECOND)
    running.advance(NOW + MINUTE)
    assert told(running) == []
    presence(running, True, MINUTE)
    running.advance(NOW + MINUTE + RETURN - 1)
    assert told(running) == []
    running.advance(NOW + MINUTE + RETURN)
    assert told(running) == [(10 * SECOND, "holds")]


def test_a_pump_that_speaks_as_its_bridge_returns_is_believed() -> None:
    """What rested does not fire on old values before the pump has had a moment to send new ones."""
    running = engine(MADE_UP)
    take(running, 0, alarms=(alarm(1),))
    presence(running, False, 5 * SECOND)
    presence(running, True, 9 * SECOND)
    take(running, 10 * SECOND)  # mended meanwhile, at the very instant of the limit
    running.advance(NOW + MINUTE)
    assert told(running) == []


def test_the_newest_snapshot_decides_the_unit() -> None:
    """Rules with the same thresholds keep their memory, those with others start afresh."""
    running = engine(MADE_UP, QUIET)
    take(running, 0, alarms=(alarm(1),))
    take(running, 5 * SECOND, unit="ward-b", alarms=(alarm(1),))
    assert [h.event for h in events(running)] == ["device-moved"]
    running.advance(NOW + 25 * SECOND - 1)
    assert told(running) == []
    running.advance(NOW + 25 * SECOND)
    assert told(running) == [(25 * SECOND, "holds")]
    assert pump(running).picture.unit == "ward-b"


def test_a_feed_that_a_person_ended() -> None:
    """No feed due from the answer on; deadlines before it are stamped with their own instants."""
    running = engine(MADE_UP, QUIET, lateness=2 * SECOND)
    take(running, 0, alarms=(alarm(1),))
    running.fleet.end_feed(pump(running), NOW + 11 * SECOND)
    assert told(running) == [(10 * SECOND, "holds")]
    running.advance(NOW + HOUR)
    assert told(running) == []
    assert not pump(running).picture.feed_due
