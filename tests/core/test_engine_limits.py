"""Whoever may publish must not be able to fill our memory or the trail with names."""

from __future__ import annotations

import pytest

from monitor.core import fleet, sight
from monitor.core.engine import Engine
from monitor.core.messages import PresenceMessage
from monitor.testing import START, ward
from tests.core.snapshots import snapshot


def test_ever_new_devices_are_refused_by_name_and_listed_ones_are_heard(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One more than the limit goes to quarantine, all of them under one topic; those known already go on."""
    monkeypatch.setattr(fleet, "MOST_UNLISTED", 3)
    engine = Engine(ward(), now=START, link=True)
    room = 3 + len(engine.site.devices)
    for number in range(room + 5):
        engine.receive_message(snapshot(START, device=f"made-up-{number}"), b"{}", START)
    for listed in engine.site.devices:
        engine.receive_message(snapshot(START, device=listed), b"{}", START)
    engine.receive_message(snapshot(START + 1, device="made-up-0"), b"{}", START + 1)
    assert engine.counters["rejected too-many"] == 5
    assert engine.counters["snapshots"] == room + len(engine.site.devices) + 1
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


def test_a_flood_of_one_kind_is_noted_so_often_and_then_counted() -> None:
    """200 presences within an hour make 60 entries; the first of the next hour says how many were not noted."""
    engine = Engine(ward(), now=START, link=True)
    for number in range(200):
        engine.receive(PresenceMessage("trace", "north-7", number % 2 == 0, False), START + number)
    engine.receive(PresenceMessage("trace", "north-7", True, False), START + 3_600_001)
    noted = [happening for happening in engine.take_happenings() if happening.event == "bridge-presence"]
    assert len(noted) == 61
    assert noted[-1].detail["unsaid"] == 200 - 60
