"""What no bridge should send, through a real broker: each named, kept or ignored, and the service goes on."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.store_reader import StoreReader
from tests.night import (
    BUTTON,
    ELM,
    MINUTE,
    PREFIX,
    SECOND,
    TEN,
    alarm,
    answer,
    envelope,
    night,
    raised,
    state,
)


def spoilt(at: int, **changes: Any) -> tuple[str, bytes]:
    """A device-state message with other attributes."""
    return f"{ELM}/pump-0101/state", json.dumps(envelope(at) | changes).encode()


def unreadable(at: int) -> dict[str, list[tuple[str, bytes]]]:
    """Messages that go to quarantine, by the reason that is given."""
    topic = f"{ELM}/pump-0101/state"
    twice = [alarm(at), alarm(at)]
    return {
        "not-json": [
            (topic, b"}{"),
            (topic, b"[" * 60_000),
            (topic, b'{"data":' * 7_000 + b"1" + b"}" * 7_000),
            (topic, b"\x00"),
        ],
        "not-utf8": [(topic, b'{"id": "\xff\xfe"}')],
        "not-an-object": [(topic, b"null"), (topic, b"[1, 2]"), (topic, b"NaN"), (topic, b'"high"')],
        "wrong-envelope": [
            spoilt(at, specversion="0.3"),
            spoilt(at, source=7),
            spoilt(at, id=""),
            (topic, b"{}"),
        ],
        "no-usable-time": [
            spoilt(at, time="2026-03-14T22:00:00"),
            spoilt(at, time=1773525600),
            spoilt(at, time="2999-01-01T00:00:00Z"),
            spoilt(at, time="1970-01-01T00:00:00Z"),
            spoilt(at, time="2026-02-30T00:00:00Z"),
        ],
        "subject-differs": [spoilt(at, subject="pump-0102"), spoilt(at, subject=None)],
        "no-data": [spoilt(at, data=None), spoilt(at, data=[]), spoilt(at, data={"activity": "feeding"})],
        "duplicate-alarm": [state(at, alarms=twice)],
        "too-large": [(topic, b" " * (1 << 20)), spoilt(at, id="x" * 70_000)],
        "empty": [(topic, b"")],
        "bad-topic": [
            (f"{PREFIX}/elm/{'x' * 65}/state", b"{}"),
            (f"{PREFIX}/elm/pump 1/state", b"{}"),
            (f"{PREFIX}/bridge/north-7/state", b"{}"),
        ],
        "bad-plan": [
            (f"{ELM}/pump-0101/plan", json.dumps(envelope(at) | {"type": "secondbell.plan.v1"}).encode())
        ],
        "bad-answer": [
            (BUTTON, answer("b-1", answer="shrug", person="nurse-1")),
            (BUTTON, answer("b-2", answer="accept", person=["nurse-1"])),
        ],
        "bad-presence": [(f"{PREFIX}/bridge/north-7/presence", b'{"online": "yes"}')],
    }


async def test_what_cannot_be_read_is_quarantined_by_name(tmp_path: Path) -> None:
    """Each unreadable message lies in quarantine under its reason, and the service goes on."""
    async with night(tmp_path / "ward") as made:
        at = made.now + SECOND
        await made.step(at, state(at))
        bad = unreadable(at)
        await made.step(at + SECOND, *[message for messages in bad.values() for message in messages])
        assert made.quarantined() == {reason: len(messages) for reason, messages in bad.items()}
        with StoreReader(made.state_dir) as reader:
            sizes = {count.reason: count.size for count in reader.quarantine() if count.kept}
            assert sizes["too-large"] == 2 * 65_536, "the first 64 KiB of each are kept"
        named = {entry["detail"]["reason"] for entry in made.happened("quarantined")}
        assert named == set(bad)
        assert made.happened("raised") == []
        await raised(made)
        assert await made.monitor.stop() == 0


async def test_nothing_unreadable_is_sent_again(tmp_path: Path) -> None:
    """What was quarantined was acknowledged too: after a restart none of it comes back."""
    async with night(tmp_path / "ward") as made:
        at = made.now + SECOND
        await made.step(at, *[message for messages in unreadable(at).values() for message in messages])
        before = made.quarantined()
        assert await made.monitor.stop() == 0
        await made.monitor.start(at)
        await made.step(at + 2 * SECOND)
        assert made.quarantined() == before


async def test_retained_clears_and_answers(tmp_path: Path) -> None:
    """A cleared state is named and harmless; a retained answer is quarantined at the next start, not given again."""
    async with night(tmp_path / "ward") as made:
        concern = await raised(made)
        at = made.now
        await made.publish(
            (BUTTON, answer("old", concern=concern, answer="accept", person="nurse-1")), retain=True
        )
        await made.publish(state(at, "pump-0102"), (f"{ELM}/pump-0102/state", b""), retain=True)
        await made.step(at + SECOND)
        assert made.quarantined() == {"empty": 1}
        assert len(made.happened("accepted")) == 1, "given live, it counts"
        await made.monitor.stop()
        fresh = made.site_file.read_text().replace("[broker]", '[broker]\nclient_id = "another-session"')
        made.write_site(fresh)
        await made.monitor.start(made.now)
        await made.step(made.now + 2 * SECOND)
        assert made.quarantined() == {"empty": 1, "retained-answer": 1}
        assert len(made.happened("accepted")) == 1


@pytest.mark.parametrize(
    "absurd",
    [
        {"power": {"mains": "no", "battery_percent": 300}},
        {"power": 7, "delivery": [1]},
        {"delivery": {"rate_ml_h": -5, "delivered_ml": -1e400, "target_ml": "much"}},
        {"delivery": {"delivered_ml": float("nan"), "target_ml": float("inf")}},
        {"sequence": -1, "activity": ["feeding"]},
        {"sequence": 10**400},
        {"activity": "dancing", "delivery": {"rate_ml_h": 10**30}},
    ],
    ids=lambda absurd: json.dumps(absurd)[:40],
)
async def test_a_high_alarm_does_not_vanish_with_an_absurd_field(
    tmp_path: Path, absurd: dict[str, Any]
) -> None:
    """A high alarm beside nonsense raises its concern, and the nonsense is named."""
    async with night(tmp_path / "ward") as made:
        for minute in range(4):
            at = TEN + 10 * SECOND + minute * MINUTE
            await made.step(at, state(at, **({"activity": "stopped"} | absurd), alarms=[alarm(TEN)]))
        first = made.happened("raised")[0]
        assert (first["rule"], first["priority"]) == ("unattended", "high")
        assert sum(made.quarantined().values()) == 0
        assert (await made.monitor.ask("state"))["counters"]


async def test_a_clock_years_ahead_acts_now(tmp_path: Path) -> None:
    """A bridge whose clock is ten years ahead is watched all the same: its alarm raises a concern by our clock."""
    async with night(tmp_path / "ward") as made:
        for minute in range(4):
            at = TEN + 10 * SECOND + minute * MINUTE
            ahead = at + 10 * 365 * 24 * 60 * MINUTE
            await made.step(at, state(ahead, activity="stopped", alarms=[alarm(ahead)]))
        [first, *_] = made.happened("raised")
        assert first["rule"] == "unattended"
        assert TEN < first["at"] < TEN + 4 * MINUTE
