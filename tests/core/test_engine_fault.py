"""A fault of ours on one message: the others are heard, and what it did half is undone."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.core.decode import decode
from monitor.core.engine import Engine
from monitor.core.instants import SECOND
from monitor.core.messages import Snapshot
from monitor.core.responsibility import Responsibility
from monitor.core.tracks import stirred_by
from monitor.reconcile import compare
from monitor.testing import START, Bench, ward
from tests.core.snapshots import snapshot
from tests.core.stories import FAULT, RINGING, only, ringing, unattended
from tests.kept import held_by


def test_a_message_that_breaks_the_engine_is_quarantined_and_the_next_acts() -> None:
    """It is named, kept with its bytes, counted, and raises nothing; nothing is left of the device it made up."""
    engine = Engine(ward(), now=START, link=True)
    broken = snapshot(START, device="pump-9")._replace(time="never")  # type: ignore[arg-type]  # decode lets none through
    error = engine.receive_message(broken, b"{broken}", START)
    assert isinstance(error, TypeError)
    assert engine.receive_message(snapshot(START + 1), b"", START + 1) is None
    assert engine.counters["rejected engine-fault"] == 1
    assert engine.counters["snapshots"] == 1
    assert engine.counters["messages"] == 2
    assert list(engine.devices) == ["pump-1"]
    changes = engine.take_changes()
    (kept,) = changes.quarantined
    assert (kept.reason, kept.payload) == ("engine-fault", b"{broken}")
    assert [entry.event for entry in changes.entries].count("quarantined") == 1


class Faulty:
    """A bench whose messages go the way of the live service, and a fault that can be switched on."""

    def __init__(self, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
        self.bench, self._patch = bench, monkeypatch
        monkeypatch.setattr(bench, "message", self._message)
        self.errors: list[Exception] = []

    def _message(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        site = self.bench.site
        found = decode(topic, payload, retain=retain, prefix=site.prefix, site=site.name)
        error = self.bench.engine.receive_message(found, payload, self.bench.now)
        if error is not None:
            self.errors.append(error)
        self.bench.work()

    def breaks(self, where: object, name: str, *, after: bool = False) -> None:
        """Let the next call raise, before or after its work is done; it works again from then on."""
        real = getattr(where, name)

        def fails(*args: Any, **more: Any) -> Any:
            self._patch.setattr(where, name, real)
            if after:
                real(*args, **more)
            raise RuntimeError("a fault of ours")

        self._patch.setattr(where, name, fails)

    def row(self) -> str:
        """The pump as it is stored."""
        return self.bench.kept.rows["device"]["pump-1"]

    def assert_all_agrees(self) -> None:
        """The books agree with what is kept, fault or not."""
        lines = compare(held_by(self.bench.kept), now=self.bench.now)
        assert [line for line in lines if line.differs] == []


def test_a_fault_between_two_rules_leaves_the_device_as_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    """The picture was taken and half of the rules had seen it: all of that is undone, and the next message acts."""
    site = only("low-power-unplugged", "repeated-occlusion", "standing-alarm", "unattended", "out-of-sight")
    faulty = Faulty(Bench(site, reporting=0), monkeypatch)
    ringing(faulty.bench, mains=False, battery_percent=60)
    faulty.bench.pass_by("30 s")
    before, counters = faulty.row(), faulty.bench.engine.counters.copy()

    def fails_at_the_third(rule: Any, picture: Any) -> Any:
        if rule.id == "standing-alarm":
            raise RuntimeError("a fault of ours")
        return stirred_by(rule, picture)

    monkeypatch.setattr("monitor.core.device.stirred_by", fails_at_the_third)
    faulty.bench.snapshot("pump-1", activity="held", alarms=[RINGING, FAULT], battery_percent=4)
    assert [str(error) for error in faulty.errors] == ["a fault of ours"]
    device = faulty.bench.engine.devices["pump-1"]
    assert device.picture.unreadable == 1, "its messages come and cannot be taken: not silent, unreadable"
    device.picture.unreadable = 0
    faulty.bench.engine.fleet.dirty.add("pump-1")
    faulty.bench.work()
    assert faulty.row() == before
    assert faulty.bench.engine.counters["snapshots"] == counters["snapshots"]
    monkeypatch.setattr("monitor.core.device.stirred_by", stirred_by)
    faulty.bench.snapshot("pump-1", activity="stopped", alarms=[RINGING, FAULT], battery_percent=4)
    faulty.bench.pass_by("5 min")
    assert faulty.bench.concern("pump-1", "unattended").raised_at == START + 31 * SECOND + 120 * SECOND
    assert faulty.bench.concern("pump-1", "low-power-unplugged").priority == "high"
    faulty.assert_all_agrees()


@pytest.mark.parametrize("late", [False, True], ids=["before", "after"])
def test_a_fault_while_a_concern_is_raised_does_not_swallow_it(
    monkeypatch: pytest.MonkeyPatch, late: bool
) -> None:
    """The rule holds, and raising it failed, `before` or after it was noted: the next message raises it."""
    faulty = Faulty(Bench(only("unattended"), reporting=0), monkeypatch)
    ringing(faulty.bench)
    faulty.breaks(Responsibility, "happens", after=late)
    faulty.bench.now += 301 * SECOND  # the deadline is passed by the message itself
    faulty.bench.engine.now = faulty.bench.now
    faulty.bench.snapshot("pump-1")
    assert len(faulty.errors) == 1
    assert faulty.bench.concerns("pump-1") == []
    faulty.bench.pass_by("10 s")
    faulty.bench.snapshot("pump-1")
    faulty.bench.pass_by("10 s")
    faulty.bench.assert_open("pump-1")
    assert faulty.bench.told, "somebody is told"
    undone = [h for h in faulty.bench.happened if h.event == "undone"]
    assert [h.detail for h in undone] == [{"live": False}]
    faulty.assert_all_agrees()


def test_a_fault_while_a_concern_settles_leaves_it_open(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half settled is open: what comes next settles it, with one stand-down to each who was told."""
    faulty = Faulty(unattended(reporting=0), monkeypatch)
    faulty.bench.snapshot("pump-1", activity="feeding", alarms=[])
    faulty.breaks(Responsibility, "happens", after=True)
    faulty.bench.now += 90 * SECOND
    faulty.bench.engine.now = faulty.bench.now
    faulty.bench.snapshot("pump-1")
    assert len(faulty.errors) == 1
    assert [h.detail for h in faulty.bench.happened if h.event == "undone"] == [{"live": True}]
    assert [h.event for h in faulty.bench.happened].count("settled") == 2, "the first was undone"
    faulty.bench.pass_by("1 min")
    faulty.bench.assert_settled("pump-1")
    stood_down = [told.person for told in faulty.bench.told if ("stand-down" in {w for _, w in told.items})]
    assert sorted(stood_down) == ["nurse-1", "nurse-2"]
    faulty.assert_all_agrees()


def test_a_fault_on_a_plan_or_an_answer_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """They too are quarantined by name; the concern is as before, and the same answer may be given again."""
    faulty = Faulty(unattended(), monkeypatch)
    faulty.breaks(Responsibility, "happens", after=True)
    faulty.bench.button("pump-1", "nurse-1", "accept", id="b-1")
    faulty.assert_all_agrees()
    faulty.breaks(faulty.bench.engine.fleet, "count")
    faulty.bench.plan("pump-1", windows=[{"from": "21:00", "to": "06:00"}], target_ml=900)
    assert len(faulty.errors) == 2
    faulty.bench.assert_open("pump-1")
    assert faulty.bench.engine.devices["pump-1"].picture.plan is None
    assert faulty.bench.engine.counters["rejected engine-fault"] == 2
    faulty.bench.button("pump-1", "nurse-1", "accept", id="b-1")
    faulty.bench.assert_accepted("pump-1", "nurse-1")
    faulty.assert_all_agrees()


def test_the_short_way_needs_no_undo() -> None:
    """A quiet pump that says the same again is taken whole or not at all."""
    engine = Engine(ward(), now=START, link=True)
    for n in range(3):
        assert isinstance(message := snapshot(START + n), Snapshot)
        assert engine.receive_message(message, b"", START + n) is None
    assert engine.counters["messages"] == engine.counters["snapshots"] == 3
