"""A store that cannot be written, or is damaged: nothing unstored is acknowledged, and somebody hears of it."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from pathlib import Path

import pytest

from monitor.adapters import control
from monitor.adapters.store_schema import FILE_NAME
from tests.night import MINUTE, SECOND, TEN, alarm, state, until, ward
from tests.storage import (
    FAULTS,
    LONG,
    PATIENCE,
    WAL,
    assert_trail_whole,
    faulty_night,
    full,
    locked,
    of_trouble,
    started_again,
    stored,
    technical,
    until_told,
)
from tests.test_recording import again, live, recorded


@pytest.mark.parametrize(
    "fault", ["full", "read-only", pytest.param("too-large", marks=LONG), pytest.param("locked", marks=LONG)]
)
async def test_a_store_that_cannot_be_written_loses_nothing(tmp_path: Path, fault: str) -> None:
    """Told by mail without the store, answering meanwhile, nothing acknowledged; it goes on by itself, all is told."""
    async with faulty_night(tmp_path / "night", fault) as made:
        at = made.now + SECOND
        pages = len(made.snpp.pages)
        faulty, words = FAULTS[fault]
        with faulty(made):
            await until_told(made, at)
            [subject] = technical(made)
            assert subject == f"Second Bell, technical: cannot store since 22:01: {words}"
            await made.publish(state(at, activity="stopped", alarms=[alarm(at)]))
            said = await made.monitor.ask("state")
            assert said["ok"]
            assert not stored(made, "pump-0101")
            made.now = at + 2 * MINUTE + 30 * SECOND
            await made.monitor.ask("enter", at=made.now)
            assert len(made.snpp.pages) == pages, "nothing but a technical notice is sent"
        await until(lambda: stored(made, "pump-0101"), "the store to be written again", within=PATIENCE)
        await made.step(made.now + 4 * MINUTE)
        assert {(entry["rule"], entry["device"]) for entry in made.happened("raised")} >= {
            ("unattended", "pump-0101")
        }
        assert [page.pager for page in made.snpp.pages[pages:]][:1] == ["4101"], "what was due is told"
        assert any("storing again since " in subject for subject in technical(made))
        assert [detail["trouble"] for detail in of_trouble(made, "trouble-began")] == ["cannot-store"]
        assert [detail["lasted"] for detail in of_trouble(made, "trouble-over")] == [2 * MINUTE + 30 * SECOND]
        assert "begun" in [detail["what"] for detail in of_trouble(made, "trouble-sent")]
        assert await made.monitor.stop() == 0
        assert_trail_whole(made)


@LONG
async def test_a_recording_of_an_outage_is_replayed_as_it_was(tmp_path: Path) -> None:
    """Troubles are inputs like any other: what was told without the store is in the replay, to the millisecond."""
    async with recorded(tmp_path / "night") as made:
        at = made.now + SECOND
        with locked(made):
            await until_told(made, at)
            await made.publish(state(at, activity="stopped", alarms=[alarm(at)]))
        await until(lambda: stored(made, "pump-0101"), "the store to be written again", within=PATIENCE)
        await made.step(at + 4 * MINUTE)
        assert await made.monitor.stop() == 0
        told = live(made)
        assert {"trouble-began", "trouble-sent", "trouble-over", "raised", "notice-sent"} <= {
            e["event"] for e in told
        }
        assert again(made) == (told, [])


async def test_what_a_full_disk_has_not_taken_comes_again(tmp_path: Path) -> None:
    """Killed while its disk is full, it has acknowledged nothing: the broker sends it again when there is room."""
    async with faulty_night(tmp_path / "night", "full") as made:
        at = made.now + SECOND
        with full(made):
            await until_told(made, at)
            await made.publish(state(at, activity="stopped", alarms=[alarm(at)]))
            await made.monitor.ask("state")
            await made.monitor.kill()
            assert not stored(made, "pump-0101")
            before = len(technical(made))
            await made.monitor.launch(at)  # nor does it start in vain while the disk is full
            await until(lambda: len(technical(made)) > before, "the new process to say so", within=PATIENCE)
            assert (await made.monitor.ask("state"))["ok"]
        await until(
            lambda: control.ask(made.state_dir, {"command": "state"}, patience=PATIENCE)["link"],
            "it to serve",
        )
        await made.step(at + SECOND)
        assert stored(made, "pump-0101")
        await made.step(at + 3 * MINUTE - SECOND)
        assert [entry["device"] for entry in made.happened("raised")] == ["pump-0101"]
        assert_trail_whole(made)


async def test_a_log_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    """The log may lie on the disk that is full: it is lost, and all else goes on."""
    async with ward(tmp_path / "night") as made:
        made.monitor.log_file = Path("/dev/full")
        await made.monitor.start(TEN)
        at = TEN + SECOND
        await made.step(at, state(at, activity="stopped", alarms=[alarm(at)]))
        await made.step(at + 3 * MINUTE)
        assert [entry["device"] for entry in made.happened("raised")] == ["pump-0101"]
        await made.monitor.kill()
        made.monitor.log_file = tmp_path / "service.log"


async def test_a_store_damaged_while_it_runs_ends_the_service(tmp_path: Path) -> None:
    """It says so by mail, ends with a named reason, and does not start on what is left."""
    async with faulty_night(tmp_path / "night", "damaged") as made:
        path = made.state_dir / FILE_NAME
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
            db.execute("PRAGMA user_version = 1")  # so that the service reads it anew
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        with path.open("r+b") as file:
            file.seek(4096)
            file.write(b"\xa5" * (path.stat().st_size - 4096))
        at = made.now + SECOND
        await made.monitor.ask("enter", at=at)
        await made.publish(state(at, activity="stopped", alarms=[alarm(at)]))
        async with asyncio.timeout(PATIENCE):
            assert await made.monitor.process.wait() == 1
        assert "the file is damaged" in made.monitor.log()[-1]["why"]
        [subject] = technical(made)
        assert subject == "Second Bell, technical: ended at 22:01, its store: its file is damaged"
        status, said = await started_again(made)
        assert status == 2
        assert f"{path}: the file is damaged" in said
        assert "Copy the whole folder aside" in said


@pytest.mark.parametrize("name", [FILE_NAME, pytest.param(WAL, marks=LONG)])
async def test_a_store_taken_away_while_it_runs_ends_the_service(tmp_path: Path, name: str) -> None:
    """It would write on into a file that nobody finds again: told, ended, and what was not stored comes again."""
    async with faulty_night(tmp_path / "night", "damaged") as made:
        made.state_dir.joinpath(name).rename(made.state_dir / "aside")
        at = made.now + SECOND
        await made.monitor.ask("enter", at=at)
        await made.publish(state(at, activity="stopped", alarms=[alarm(at)]))
        async with asyncio.timeout(PATIENCE):
            assert await made.monitor.process.wait() == 1
        assert "taken away or replaced" in made.monitor.log()[-1]["why"]
        assert [subject for subject in technical(made) if "ended at 22:01" in subject]
        (made.state_dir / "aside").rename(made.state_dir / name)
        await made.monitor.start(at)
        await made.step(at + SECOND)
        assert stored(made, "pump-0101")
        assert_trail_whole(made)
