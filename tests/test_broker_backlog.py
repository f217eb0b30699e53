"""What is read after a gap: broker, network, bridge or service away for an hour, and commits that fail meanwhile."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from tests.broker_ward import (
    SESSION,
    broker_says,
    feeding,
    link_changes,
    linked,
    locked,
    others_feed,
    raised,
    relayed,
    ringing,
    sight_lost,
    watched,
)
from tests.night import ELM, MINUTE, PREFIX, SECOND

HOUR = 60 * MINUTE


async def test_a_broker_gone_for_an_hour(tmp_path: Path) -> None:
    """Sight-lost once for each unit, no pump silent; then only what is still open is told, once, saying how late."""
    async with relayed(tmp_path) as (made, relay):
        gone = made.now + 10 * SECOND
        await made.step(gone, ringing(gone - SECOND, "pump-0102", at=gone))
        relay.cut()
        await linked(made, False)
        # What bridges publish meanwhile waits at the broker; the monitor cannot see it.
        began, ended = gone + 5 * MINUTE, gone + 12 * MINUTE
        await made.publish(ringing(began, "pump-0101", priority="medium"), *feeding(ended, "pump-0101"))
        await made.publish(*feeding(ended + 2 * MINUTE, "pump-0101"))
        await made.step(gone + HOUR)
        assert sight_lost(made) == ["unit:elm", "unit:oak"]
        assert {entry["rule"] for entry in made.happened("raised")} == {"sight-lost"}
        assert link_changes(made) == ["link-up", "link-down"]

        back = made.now
        await made.publish(ringing(gone - SECOND, "pump-0102", at=back - 10 * SECOND))
        await made.publish(*others_feed(back - 5 * SECOND, "pump-0102"))
        relay.mend()
        await linked(made, True)
        await made.step(back)
        assert [e for e in made.happened("told") if e["rule"] != "sight-lost"] == []  # it is still being read
        for at in range(back + 2 * SECOND, back + 4 * MINUTE, 30 * SECOND):
            still = ringing(gone - SECOND, "pump-0102", at=at)
            await made.step(at, still, *others_feed(at, "pump-0102"))

        assert made.happened("caught-up")[-1]["detail"] == {"complete": True, "took": SECOND}
        assert link_changes(made) == ["link-up", "link-down", "link-up"]
        about = [(e["event"], e["at"]) for e in made.trail() if e.get("device") == "pump-0101"]
        assert about[:2] == [("raised", began + 5 * MINUTE), ("settled", ended + MINUTE)]
        assert [event for event, _ in about] == ["raised", "settled", "missed"]
        assert raised(made, "unattended") == [
            ("pump-0101", began + 5 * MINUTE),
            ("pump-0102", gone + 2 * MINUTE),  # the run starts at its first snapshot, not at `since`
        ]
        assert raised(made, "out-of-sight") == []
        told = [e for e in made.happened("told") if e["rule"] != "sight-lost"]
        assert {e["device"] for e in told} == {"pump-0102"}
        first = Counter((e["rule"], e["person"]) for e in told if e["detail"]["why"] == "raised")
        assert {("unattended", "nurse-1"), ("unattended", "nurse-2")} <= set(first)
        assert set(first.values()) == {1}
        mails = [mail.message.get_content() for mail in made.smtp.mails]
        assert any("Told 58 min late" in text for text in mails)
        assert len([e for e in made.happened("settled") if e["rule"] == "sight-lost"]) == 2
        assert sight_lost(made) == ["unit:elm", "unit:oak"]


async def test_a_backlog_that_never_ends_is_given_up_after_a_minute(tmp_path: Path) -> None:
    """Old messages go on coming: after 60 s what is open is told, and the trail says that not all had been read."""
    async with relayed(tmp_path) as (made, relay):
        gone = made.now + SECOND
        await made.step(gone)
        relay.cut()
        await linked(made, False)
        await made.step(gone + HOUR)
        relay.mend()
        await linked(made, True)
        back = made.now
        await made.step(back, ringing(gone + MINUTE, "pump-0101"))
        for number in range(1, 121):
            assert [e for e in made.happened("told") if e["rule"] == "unattended"] == []
            await made.step(
                back + number * SECOND // 2, *feeding(gone + MINUTE + number * SECOND, "pump-0201")
            )
        assert made.happened("caught-up")[-1]["detail"] == {"complete": False, "took": MINUTE}
        assert raised(made, "unattended") == [("pump-0101", gone + 3 * MINUTE)]
        await made.step(back + MINUTE + 2 * SECOND)
        told = [e for e in made.happened("told") if e["rule"] == "unattended"]
        assert sorted(e["person"] for e in told) == ["nurse-1", "nurse-2"]


async def test_a_service_that_was_down_for_an_hour(tmp_path: Path) -> None:
    """Killed and started an hour later: one next rung and not six, and of the backlog only what is still open."""
    async with watched(tmp_path) as made:
        rang = made.now + SECOND
        await made.step(rang, ringing(rang, "pump-0101"))
        await made.step(rang + 2 * MINUTE + 5 * SECOND)
        await made.monitor.kill()
        began, ended, back = rang + 10 * MINUTE, rang + 17 * MINUTE, rang + HOUR
        await made.publish(ringing(began, "pump-0102", priority="medium"), *feeding(ended, "pump-0102"))
        await made.publish(*feeding(ended + 2 * MINUTE, "pump-0102"))
        await made.publish(ringing(began, "pump-0103"))
        for pump, since in (("pump-0101", rang), ("pump-0103", began)):
            await made.publish(ringing(since, pump, at=back - 5 * SECOND))
        before = len(made.happened("called"))
        await made.monitor.start(back)
        await made.step(back)
        assert len(made.happened("called")) == before  # the backlog is still being read
        await made.step(back + 10 * SECOND)
        assert made.happened("link-up")[-1]["detail"]["session"] is True
        called = [e for e in made.happened("called")[before:] if e["rule"] == "unattended"]
        assert sorted((e["device"], e["detail"]["why"]) for e in called) == [
            ("pump-0101", "next-rung"),
            ("pump-0103", "raised"),
        ]
        assert [(e["device"], e["rule"]) for e in made.happened("missed")] == [("pump-0102", "unattended")]
        assert "pump-0102" not in {e.get("device") for e in made.happened("told")}
        mails = [mail.message.get_content() for mail in made.smtp.mails]
        assert any("Told 48 min late" in text for text in mails)


async def test_a_bridge_that_sends_what_it_had_stored(tmp_path: Path) -> None:
    """Gone for an hour, back with a backlog: its units told once; at the backlog's end what is still open is told."""
    topic = f"{PREFIX}/bridge/north-7/presence"
    away, storing, done = (
        (topic, said)
        for said in (
            b'{"online": false}',
            b'{"online": true, "backlog": true}',
            b'{"online": true, "backlog": false}',
        )
    )
    async with watched(tmp_path) as made:
        gone = made.now + SECOND
        await made.step(gone, away, retain=True)
        await made.step(gone + HOUR)
        assert sight_lost(made) == ["unit:elm", "unit:oak"]
        back = made.now
        await made.step(back, storing, retain=True)
        began, ended = gone + 5 * MINUTE, gone + 12 * MINUTE
        old = [ringing(began, "pump-0101", priority="medium"), *feeding(ended, "pump-0101")]
        old += [*feeding(ended + 2 * MINUTE, "pump-0101"), ringing(began, "pump-0102")]
        old += [ringing(began, "pump-0102", at=back - 5 * SECOND)]
        await made.step(back + SECOND, *old)
        await made.step(back + 20 * SECOND)
        assert [e for e in made.happened("told") if e["rule"] == "unattended"] == []
        await made.step(back + 21 * SECOND, done, retain=True)
        await made.step(back + 23 * SECOND)
        assert [(e["device"], e["rule"]) for e in made.happened("missed")] == [("pump-0101", "unattended")]
        told = [e for e in made.happened("told") if e["rule"] == "unattended"]
        assert {e["device"] for e in told} == {"pump-0102"}
        assert sorted(e["person"] for e in told) == ["nurse-1", "nurse-2"]
        assert made.happened("backlog-unfinished") == []
        assert made.happened("link-down") == []


# ---- commits that fail meanwhile -------------------------------------------------------------------------------


@pytest.mark.parametrize("how", ["restarted", "emptied"])
async def test_a_batch_whose_commit_fails_while_the_broker_goes_and_returns(tmp_path: Path, how: str) -> None:
    """What came before and after the broker's restart is stored once each, in order, and all is acknowledged."""
    async with watched(tmp_path) as made:
        rang = made.now + SECOND
        with locked(made.state_dir):
            await made.monitor.ask("enter", at=rang)
            await made.publish(ringing(rang, "pump-0101"))
            await made.monitor.says("cannot store")
            await made.broker.stop()
            if how == "emptied":
                (made.broker.folder / "mosquitto.db").unlink()
            await made.broker.start()
            await broker_says(made, f"as {SESSION} (", 2)
            # With a new session ids start anew: this message has the id of the first, which is not stored yet.
            await made.publish(ringing(rang, "pump-0102"))
            await broker_says(
                made,
                f"Sending PUBLISH to {SESSION} (d0, q1, r0, m1, '{ELM}/pump-0102/state'"
                if how == "emptied"
                else f"'{ELM}/pump-0102/state'",
            )
            assert (await made.monitor.ask("state"))["ok"]
        await made.step(rang)
        await made.step(rang + 3 * SECOND)
        await made.step(rang + 2 * MINUTE + 5 * SECOND)
        at = rang + 2 * MINUTE
        assert raised(made, "unattended") == [("pump-0101", at), ("pump-0102", at)]
        assert link_changes(made) == ["link-up", "link-down", "link-up"]
        counted = (await made.monitor.ask("state"))["counters"]
        assert counted.get("duplicate", 0) == (1 if how == "restarted" else 0)
        await made.broker.stop()
        await linked(made, False)
        await made.broker.start()
        await linked(made, True)
        await made.step(made.now + SECOND)
        assert (await made.monitor.ask("state"))["counters"] == counted  # all had been acknowledged
