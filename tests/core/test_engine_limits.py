"""Whoever may publish must not be able to fill our memory or the trail with names."""

from __future__ import annotations

import json
from typing import Any

import pytest

from monitor.core import journal, lookout, room, sight
from monitor.core.effects import LinkDown, LinkUp
from monitor.core.engine import Engine
from monitor.core.instants import HOUR, MINUTE
from monitor.core.messages import PresenceMessage
from monitor.core.site import DeviceEntry
from monitor.testing import START, Bench, ward
from tests.core.snapshots import snapshot
from tests.core.stories import FAULT, only, unattended


def test_ever_new_devices_are_refused_by_name_and_listed_ones_are_heard(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One more than the limit goes to quarantine, all of them under one topic; those known already go on."""
    monkeypatch.setattr(room, "MOST_UNLISTED", 3)
    engine = Engine(ward(), now=START, link=True)
    most = 3 + len(engine.site.devices)
    for number in range(most + 5):
        engine.receive_message(snapshot(START, device=f"made-up-{number}"), b"{}", START)
    for listed in engine.site.devices:
        engine.receive_message(snapshot(START, device=listed), b"{}", START)
    engine.receive_message(snapshot(START + 1, device="made-up-0"), b"{}", START + 1)
    assert engine.counters["rejected too-many"] == 5
    assert engine.counters["snapshots"] == most + len(engine.site.devices) + 1
    changes = engine.take_changes()
    assert {kept.topic for kept in changes.quarantined} == {"trace/ward-a (any device)"}
    assert [entry.event for entry in changes.entries].count("quarantined") == 1


def test_ever_new_bridges_are_refused_by_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same for those who say that they are bridges."""
    monkeypatch.setattr(sight, "MOST_BRIDGES", 2)
    engine = Engine(ward(), now=START, link=True)
    for number in range(4):
        engine.receive_message(PresenceMessage("trace", f"bridge-{number}", True, False), b"{}", START)
    assert engine.counters["rejected too-many"] == 2
    assert len(engine.sight.bridges) == 2


def heard(engine: Engine, at: int, *names: str, **said: Any) -> None:
    """Each of these pumps says how it is."""
    for name in names:
        assert engine.receive_message(snapshot(at, device=name, **said), b"{}", at) is None


def test_the_unlisted_device_that_is_silent_for_longest_makes_room(monkeypatch: pytest.MonkeyPatch) -> None:
    """After a day; never one that is listed, that speaks, or about which there is a concern; and it is said."""
    monkeypatch.setattr(room, "MOST_UNLISTED", 4)
    engine = Engine(ward(devices={"pump-1": DeviceEntry(id="pump-1", unit="elm")}), now=START, link=True)
    heard(engine, START, "pump-1", "ghost-troubled", activity="feeding")
    heard(engine, START + MINUTE, "ghost-1", "ghost-2", activity="off")
    heard(engine, START + 2 * MINUTE, "genuine", activity="off")
    engine.take_changes()
    engine.advance(START + 23 * HOUR)
    heard(engine, START + 23 * HOUR, "new-1", "new-2", activity="off")
    assert engine.counters["rejected too-many"] == 2, "nobody has been silent for a day yet"
    engine.advance(START + 25 * HOUR)
    heard(engine, START + 25 * HOUR, "genuine", activity="off")
    heard(engine, START + 25 * HOUR + 1, "new-1", "new-2", "new-3", activity="off")
    assert set(engine.devices) == {"pump-1", "ghost-troubled", "genuine", "new-1", "new-2"}
    assert engine.counters["rejected too-many"] == 3
    changes = engine.take_changes()
    assert {key for key, text in changes.rows.items() if text is None} == {
        ("device", "ghost-1"),
        ("device", "ghost-2"),
    }
    assert [entry.event for entry in changes.entries].count("device-forgotten") == 2
    engine.advance(START + 60 * HOUR)  # no deadline of one that was forgotten is left


def test_nobody_is_forgotten_who_could_not_be_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    """The broker was gone for two days: whoever comes first must not push out those who have not spoken yet."""
    monkeypatch.setattr(room, "MOST_UNLISTED", 1)
    engine = Engine(ward(devices={}), now=START, link=True)
    heard(engine, START, "genuine", activity="off")
    engine.receive(LinkDown(reason="gone"), START + HOUR)
    back = START + 49 * HOUR
    engine.receive(LinkUp(session_present=True), back)
    engine.advance(back + 5 * MINUTE)
    heard(engine, back + 5 * MINUTE, "new", activity="off")
    assert set(engine.devices) == {"genuine"}
    engine.advance(back + 25 * HOUR)
    heard(engine, back + 25 * HOUR, "new", activity="off")
    assert set(engine.devices) == {"new"}


def test_a_storm_of_forgotten_devices_is_said_so_often(monkeypatch: pytest.MonkeyPatch) -> None:
    """However many make room for others within an hour, the trail names sixty, and counts the rest."""
    monkeypatch.setattr(room, "MOST_UNLISTED", 200)
    engine = Engine(ward(devices={}), now=START, link=True)
    heard(engine, START, *(f"ghost-{n}" for n in range(200)), activity="off")
    engine.advance(START + 25 * HOUR)
    heard(engine, START + 25 * HOUR, *(f"new-{n}" for n in range(150)), activity="off")
    assert engine.counters["devices forgotten"] == 150
    assert [h.event for h in engine.take_happenings()].count("device-forgotten") == 60


def test_a_bridge_nobody_comes_by_makes_room(monkeypatch: pytest.MonkeyPatch) -> None:
    """Made-up bridges do not shut out a genuine one for ever; one that pumps come by stays."""
    monkeypatch.setattr(sight, "MOST_BRIDGES", 3)
    engine = Engine(ward(), now=START, link=True)

    def present(name: str, at: int) -> None:
        engine.receive_message(PresenceMessage("trace", name, True, False), b"{}", at)

    present("north-7", START)
    heard(engine, START + 1, "pump-1", activity="off")
    present("ghost-1", START + 2)
    present("ghost-2", START + 3)
    present("genuine", START + 23 * HOUR)
    assert engine.counters["rejected too-many"] == 1
    present("genuine", START + 25 * HOUR)
    assert set(engine.sight.bridges) == {"north-7", "ghost-2", "genuine"}
    assert [h.detail["bridge"] for h in engine.take_happenings() if h.event == "bridge-forgotten"] == [
        "ghost-1"
    ]
    text = engine.take_changes().rows["engine", "engine"]
    assert text is not None
    again = sight.SightState(link=True)
    again.restore(json.loads(text)["sight"])
    assert again.bridges["genuine"].heard_at == START + 25 * HOUR


def test_units_beyond_the_bound_are_told_as_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every pump is watched, whatever its topic; what is lost of the many is one concern; it is said once an hour."""
    monkeypatch.setattr(lookout, "MOST_UNLISTED", 2)
    bench = Bench(only("unattended", "sight-lost"), reporting=0)
    for number in range(6):
        bench.snapshot(f"stray-{number}", unit=f"made-up-{number}", activity="stopped", alarms=[FAULT])
    assert set(bench.engine.lookout.units) == {"elm", "oak", "made-up-0", "made-up-1", "(other units)"}
    assert [h.event for h in bench.happened].count("units-full") == 1
    bench.pass_by("5 min")
    for number in range(6):
        bench.assert_open(f"stray-{number}")
        assert bench.concern(f"stray-{number}").unit == f"made-up-{number}", "its topic is told as it is"
    bench.link_down()
    bench.pass_by("2 min")
    bench.assert_open("unit:(other units)", "sight-lost")
    places = bench.engine.lookout.places(bench.concern("unit:(other units)"), bench.now)
    assert len(places) == 4
    bench.restart(link=False)
    assert set(bench.engine.lookout.units) == {"elm", "oak", "made-up-0", "made-up-1", "(other units)"}
    bench.link_up()
    bench.marker_back()
    bench.pass_by("2 min")
    bench.assert_settled("unit:(other units)")
    bench.assert_trail_whole()


def test_one_stuck_button_does_not_hide_another() -> None:
    """Refused answers are limited for each person and pump: what another's button sent is still noted."""
    bench = unattended()
    for _ in range(100):
        bench.button("pump-1", "nurse-9", "accept")
    bench.button("pump-2", "nurse-1", "accept")
    bench.button("pump-1", "nurse-2", "accept", concern="zzzz")
    bench.snapshot("pump-2")
    bench.button("pump-2", "nurse-1", "accept")
    noted = [(h.device, h.person) for h in bench.happened if h.event == "answer-refused"]
    assert noted.count(("pump-1", None)) == 60
    assert set(noted) == {("pump-1", None), (None, "nurse-1"), ("pump-1", "nurse-2"), ("pump-2", "nurse-1")}


def test_limits_do_not_fill_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """Who was limited hours ago is forgotten."""
    monkeypatch.setattr(journal, "MOST_REMEMBERED", 100)
    book = journal.Journal(ward())
    for number in range(1000):
        book.note("device-moved", now=START + number * MINUTE, device=f"pump-{number}")
    assert len(book._said) < 200


def test_a_flood_of_one_kind_is_noted_so_often_and_then_counted() -> None:
    """200 presences within an hour make 60 entries; the first of the next hour says how many were not noted."""
    engine = Engine(ward(), now=START, link=True)
    for number in range(200):
        engine.receive(PresenceMessage("trace", "north-7", number % 2 == 0, False), START + number)
    engine.receive(PresenceMessage("trace", "north-7", True, False), START + 3_600_001)
    noted = [happening for happening in engine.take_happenings() if happening.event == "bridge-presence"]
    assert len(noted) == 61
    assert noted[-1].detail["unsaid"] == 200 - 60
