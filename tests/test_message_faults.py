"""What bridges, pumps and clocks do wrong, through a real broker to a real process: counted, said, and harmless."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.store_schema import FILE_NAME
from monitor.core.engine import Engine
from monitor.core.instants import HOUR
from monitor.core.quarantine import KEEP_FIRST, KEEP_LAST, MOST_PLACES
from monitor.testing import START, Bench
from tests.commands import Run
from tests.core.stories import only, ringing
from tests.night import ELM, MINUTE, PREFIX, SECOND, Ward, alarm, envelope, night, state

WAIT = pytest.mark.timeout(300)  # the machine may be busy; nothing here depends on how long anything takes


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Iterator[Run]:
    """Commands in this process."""
    with Run(capsys) as made:
        yield made


def by(bridge: str, at: int, device: str, number: int, **data: Any) -> tuple[str, bytes]:
    """A device-state message by another bridge than the ward's."""
    event = envelope(at, device, number)
    event |= {"id": f"{bridge}-{device}-{number}", "source": f"urn:bridge:{bridge}"}
    event["data"].update(data)
    return f"{ELM}/{device}/state", json.dumps(event).encode()


async def counters(made: Ward) -> dict[str, int]:
    """What the service counts."""
    found: dict[str, int] = (await made.monitor.ask("state"))["counters"]
    return found


async def assert_agrees(made: Ward) -> dict[str, Any]:
    """`secondbell reconcile` finds nothing; its comparisons by name."""
    done = await made.command("reconcile", "--format", "json")
    assert done.returncode == 0, done.stdout + done.stderr
    told = json.loads(done.stdout)
    assert told["agrees"] is True
    return {line["of"]: line for line in told["lines"]}


@WAIT
async def test_a_night_of_faulty_bridges(tmp_path: Path) -> None:
    """Duplicates, late ones, disorder, gaps, a restarted sequence, clocks three hours off or set, two bridges."""
    async with night(tmp_path / "ward") as made:
        before = await counters(made)
        start = made.now + SECOND

        # Sent twice; out of order; older than what is known; two messages missing; a sequence begun anew.
        first, second = state(start, "pump-0101", 10), state(start + SECOND, "pump-0101", 11)
        await made.step(start + 2 * SECOND, first, first, second, first)
        third, fourth = (state(start + n * SECOND, "pump-0101", 10 + n) for n in (2, 3))
        await made.step(start + 4 * SECOND, fourth, third, fourth)
        await made.step(start + 6 * SECOND, state(start + 6 * SECOND, "pump-0101", 16))
        await made.step(start + 7 * SECOND, state(start + 7 * SECOND, "pump-0101", 1, activity="held"))
        await made.step(start + 8 * SECOND, state(start + 8 * SECOND, "pump-0101", 2))
        now = await counters(made)
        counted = {name: now.get(name, 0) - before.get(name, 0) for name in now}
        assert counted["messages"] == 10
        assert (counted["snapshots"], counted["duplicate"], counted["late"]) == (6, 2, 2)
        assert counted["sequence-gaps"] == 3, "two that never came, and one that had not when the next did"

        # Clocks three hours ahead and behind; one set forward and back in the middle of an alarm; two bridges.
        ringing_since = made.now + SECOND
        for minute in range(5):
            at = ringing_since + minute * MINUTE
            stepped = at + {1: 2 * HOUR, 2: 2 * HOUR}.get(minute, 0)
            troubled: dict[str, Any] = {"activity": "stopped"}
            await made.step(
                at,
                state(at + 3 * HOUR, "pump-0105", alarms=[alarm(ringing_since + 3 * HOUR)], **troubled),
                state(at - 3 * HOUR, "pump-0106", alarms=[alarm(ringing_since - 3 * HOUR)], **troubled),
                state(stepped, "pump-0107", 100 + minute, alarms=[alarm(ringing_since)], **troubled),
                by("north-7", at, "pump-0108", 200 + minute, alarms=[alarm(ringing_since)], **troubled),
                by("south-2", at + 10, "pump-0108", 900 + minute),
            )
        await made.step(made.now + 3 * SECOND)
        raised = {
            entry["device"]: entry["at"] for entry in made.happened("raised") if entry["rule"] == "unattended"
        }
        assert raised == {
            "pump-0105": ringing_since + 2 * MINUTE,
            "pump-0106": ringing_since + 2 * MINUTE,
            "pump-0107": ringing_since + 2 * MINUTE,
            "pump-0108": ringing_since + 3 * MINUTE,  # its alarm was hidden until both were known to claim it
        }
        doubtful = [entry["device"] for entry in made.happened("clock-doubtful")]
        assert sorted(doubtful) == ["pump-0105", "pump-0106", "pump-0107"]
        [claimed] = made.happened("claimed-by-two")
        assert (claimed["device"], claimed["detail"]["bridges"]) == ("pump-0108", ["north-7", "south-2"])
        assert (await counters(made))["contested"] == 4
        assert made.happened("settled") == []
        told = [mail.message.get_content() for mail in made.smtp.mails] + [
            page.text for page in made.snpp.pages
        ]
        assert len(told) >= 4
        lines = await assert_agrees(made)
        assert lines["messages"]["left"]["count"] == (await counters(made))["messages"]


@WAIT
async def test_ten_thousand_malformed_ones_among_good_ones(tmp_path: Path) -> None:
    """Every one is counted, few are kept, the good ones act in time, memory and rows stay bounded; all agrees."""
    async with night(tmp_path / "ward") as made:
        at = made.now + SECOND
        await made.step(at, state(at, activity="stopped", alarms=[alarm(at)]))
        size = memory(made)
        bad = [(f"{PREFIX}/elm/pump x{n}/state", b"{}") for n in range(5_000)]  # each on a topic of its own
        bad += [(f"{ELM}/pump-0102/state", f'{{"n": {n}'.encode()) for n in range(5_000)]
        for minute in range(1, 3):
            at += MINUTE
            half = bad[(minute - 1) * 5_000 : minute * 5_000]
            middle = state(at, activity="stopped", alarms=[alarm(at - minute * MINUTE)])
            other = state(at, "pump-0103")
            await made.step(at, *half[:2_500], middle, *half[2_500:], other)
        await made.step(at + 3 * SECOND)
        [raised] = [entry for entry in made.happened("raised") if entry["rule"] == "unattended"]
        assert raised["at"] == at
        counted = await counters(made)
        assert (counted["rejected bad-topic"], counted["rejected not-json"]) == (5_000, 5_000)
        assert made.quarantined() == {
            "bad-topic": MOST_PLACES + KEEP_FIRST + KEEP_LAST,
            "not-json": KEEP_FIRST + KEEP_LAST,
        }
        assert len(made.happened("quarantined")) == MOST_PLACES + 2
        db = sqlite3.connect(f"file:{made.state_dir / FILE_NAME}?mode=ro", uri=True)
        [(row,)] = db.execute("SELECT length(body) FROM state WHERE kind = 'engine' AND key = 'engine'")
        [(places,)] = db.execute("SELECT count(*) FROM state WHERE kind = 'quarantine-place'")
        db.close()
        assert row < 4_000, "nothing of the topics is stored with each transaction"
        assert places == MOST_PLACES + 2
        assert memory(made) - size < 64 * 1024, "KiB"
        lines = await assert_agrees(made)
        assert lines["unreadable messages"]["left"]["count"] == 10_000


@WAIT
async def test_a_storm_of_one_device(tmp_path: Path) -> None:
    """Four thousand messages of one pump at one instant: others are served, memory is bounded, all is counted."""
    async with night(tmp_path / "ward") as made:
        size, before = memory(made), await counters(made)
        at = made.now + SECOND
        storm = [state(at, "pump-0102", number) for number in range(1_000, 5_000)]
        trouble = state(at, activity="stopped", alarms=[alarm(at)])
        await made.step(at, *storm[:2_000], trouble, *storm[2_000:])
        await made.step(at + MINUTE, state(at + MINUTE, activity="stopped", alarms=[alarm(at)]))
        await made.step(at + 2 * MINUTE + 3 * SECOND)
        [raised] = made.happened("raised")
        assert (raised["device"], raised["at"]) == ("pump-0101", at + 2 * MINUTE)
        after = await counters(made)
        assert after["snapshots"] - before.get("snapshots", 0) == 4_002
        assert memory(made) - size < 64 * 1024, "KiB"
        await assert_agrees(made)


def memory(made: Ward) -> int:
    """What the service takes in memory, KiB."""
    status = Path(f"/proc/{made.monitor.process.pid}/status").read_text()
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS"))


@WAIT
async def test_a_backlog_tells_what_is_still_so_once_and_how_late(tmp_path: Path) -> None:
    """The service was stopped: what began and ended meanwhile is recorded, what is still open is told once, as late."""
    async with night(tmp_path / "ward") as made:
        at = made.now + SECOND
        await made.step(at, state(at, "pump-0101"), state(at, "pump-0102"))
        assert await made.monitor.stop() == 0
        over = [state(at + MINUTE, "pump-0101", activity="stopped", alarms=[alarm(at + MINUTE)])]
        over += [state(at + n * MINUTE, "pump-0101") for n in (10, 11, 12)]
        still = [
            state(at + n * MINUTE, "pump-0102", activity="stopped", alarms=[alarm(at + 5 * MINUTE)])
            for n in range(5, 30)
        ]
        await made.publish(*over, *still)
        told = len(made.snpp.pages) + len(made.smtp.mails)
        back = at + 30 * MINUTE
        await made.monitor.start(back)
        await made.step(back)
        await made.step(back + 2 * SECOND)
        await made.step(back + 20 * SECOND)
        found = {
            (entry["device"], entry["event"]): entry["at"]
            for entry in made.trail()
            if entry["event"] in ("raised", "settled", "missed") and entry.get("rule") == "unattended"
        }
        assert found[("pump-0101", "raised")] == at + 3 * MINUTE
        assert found[("pump-0101", "settled")] == at + 11 * MINUTE
        assert ("pump-0101", "missed") in found
        assert found[("pump-0102", "raised")] == at + 7 * MINUTE
        ours = [e for e in made.happened("told") if e["rule"] == "unattended"]
        assert {e["device"] for e in ours} == {"pump-0102"}
        assert len({e["person"] for e in ours}) == len(ours), "each of the first rung, once"
        caught_up = made.happened("caught-up")[-1]["at"]
        assert [e["detail"]["late_by"] for e in ours] == [caught_up - (at + 7 * MINUTE)] * len(ours)
        assert back <= caught_up <= back + 2 * SECOND
        mails = [mail.message.get_content() for mail in made.smtp.mails if b"min late" in mail.raw]
        assert mails
        late = {said for mail in mails for said in re.findall(r"\w+ [0-9]+ min late", mail)}
        assert "Told 23 min late" in late, late
        assert len(made.snpp.pages) + len(made.smtp.mails) > told
        await assert_agrees(made)


@WAIT
async def test_reconcile_finds_a_row_that_was_removed(tmp_path: Path, run: Run) -> None:
    """On the live store all agrees; in a copy from which one row was taken the table says which and by how much."""
    async with night(tmp_path / "ward") as made:
        at = made.now + SECOND
        for minute in range(5):
            now = at + minute * MINUTE
            await made.step(
                now, state(now, activity="stopped", alarms=[alarm(at)]), (f"{ELM}/pump-0102/state", b"}{")
            )
        done = await made.command("reconcile")
        assert done.returncode == 0, done.stdout + done.stderr
        assert "DIFFERS" not in done.stdout
        assert done.stdout.count("agrees") == len(done.stdout.strip().splitlines())
        await assert_agrees(made)
        assert await made.monitor.stop() == 0
        for kind, of in (("notice-over", "notices sent"), ("concern", "concerns"), ("device", "devices")):
            copy = tmp_path / f"copy-{kind}"
            copy.mkdir()
            shutil.copy(made.state_dir / FILE_NAME, copy / FILE_NAME)
            db = sqlite3.connect(copy / FILE_NAME, isolation_level=None)
            gone = db.execute(
                "DELETE FROM state WHERE kind = ? AND key IN (SELECT max(key) FROM state WHERE kind = ?)",
                (kind, kind),
            ).rowcount
            db.close()
            assert gone == 1
            status, out, _ = run("reconcile", "--state", str(copy), "--format", "json")
            assert status == 1
            wrong = {line["of"]: line for line in json.loads(out)["lines"] if not line["agrees"]}
            assert of in wrong
            assert wrong[of]["differs_by"] == 1
            status, out, _ = run("reconcile", "--state", str(copy))
            assert status == 1
            assert "DIFFERS by 1" in out


def test_reconcile_says_what_it_cannot_read(tmp_path: Path, run: Run) -> None:
    """No store, no site file, a file that is no store: bad input, in one line."""
    (tmp_path / "empty").mkdir()
    (tmp_path / "rubbish").mkdir()
    (tmp_path / "rubbish" / FILE_NAME).write_bytes(b"x" * 5000)
    for state_dir in ("none", "empty", "rubbish"):
        status, out, err = run("reconcile", "--state", str(tmp_path / state_dir))
        assert (status, out) == (2, "")
        assert len(err.strip().splitlines()) == 1
        assert state_dir in err
    assert run("reconcile", "--site", str(tmp_path / "no.toml"))[0] == 2
    assert run("reconcile", "--format", "yaml")[0] == 2


# ---- the monitor's own clock -------------------------------------------------------------------------------------


def test_now_never_runs_back() -> None:
    """Whatever the caller's clock says: nothing fires twice or early, and nothing is forgotten."""
    bench = Bench(only("unattended"), reporting=0)
    ringing(bench)
    bench.pass_by("4 min")
    engine, now = bench.engine, bench.now
    engine.advance(now - HOUR)
    bench.now -= HOUR
    bench.snapshot("pump-1", time=now + 10)
    assert engine.now == now
    assert bench.engine.devices["pump-1"].picture.receipt == now
    bench.now = now
    bench.pass_by("90 s")
    assert bench.concern("pump-1").raised_at == START + SECOND + 5 * MINUTE
    assert [h.event for h in bench.happened].count("raised") == 1
    happened = [h.now for h in bench.happened]
    assert happened == sorted(happened)


def test_a_start_by_a_clock_that_was_set_back_goes_on_from_what_is_stored() -> None:
    """The store knows a later instant: it is that one still, and what was due then is not due again."""
    bench = Bench(only("unattended"), reporting=0)
    ringing(bench)
    bench.at("00:05:20")
    again = Engine(bench.site, now=bench.now - HOUR, link=True, loaded=bench.kept.load())
    again.resume()
    assert again.now >= START + 5 * MINUTE
    again.advance(bench.now - HOUR)
    assert [h.event for h in again.take_happenings() if h.event in ("raised", "called", "told")] == []


def test_a_clock_set_forward_fires_what_is_due_once() -> None:
    """An hour at once: the rule's deadline at its own instant, the ladder one step, not one for each missed wait."""
    bench = Bench(only("unattended"), reporting=0)
    ringing(bench)
    bench.now += HOUR
    bench.work()
    bench.pass_by("6 s")
    assert bench.concern("pump-1").raised_at == START + SECOND + 5 * MINUTE
    assert len({told.person for told in bench.told}) == len(bench.told) == 2
    assert bench.concern("pump-1").opened >= START + HOUR
