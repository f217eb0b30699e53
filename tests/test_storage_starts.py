"""A start on a store that is torn, emptied or gone: refused by name, or it goes on with what is whole and says so."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import sqlite3
import subprocess
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from monitor.adapters.store_mark import MARK_NAME, read_mark
from monitor.adapters.store_schema import FILE_NAME
from tests.night import MINUTE, SECOND, TEN, Ward, alarm, state, ward
from tests.storage import (
    LONG,
    WAL,
    assert_trail_whole,
    faulty_night,
    of_trouble,
    small_disk,
    started_again,
    technical,
)


def emptied(folder: Path) -> None:
    """The file is there, with nothing in it."""
    os.truncate(folder / FILE_NAME, 0)


def gone(folder: Path) -> None:
    """All files of the store are gone but the mark."""
    for file in folder.glob(f"{FILE_NAME}*"):
        file.unlink()


def cut(folder: Path) -> None:
    """The second half of the file is missing."""
    os.truncate(folder / FILE_NAME, (folder / FILE_NAME).stat().st_size // 2 // 4096 * 4096)


def overwritten(folder: Path) -> None:
    """All but the first page is somebody else's."""
    with (folder / FILE_NAME).open("r+b") as file:
        file.seek(4096)
        file.write(b"\xa5" * ((folder / FILE_NAME).stat().st_size - 4096))


def beginning_overwritten(folder: Path) -> None:
    """The first page is somebody else's."""
    with (folder / FILE_NAME).open("r+b") as file:
        file.write(b"\xa5" * 4096)


def another_program_s(folder: Path) -> None:
    """A whole database, with no table of ours."""
    gone(folder)
    with contextlib.closing(sqlite3.connect(folder / FILE_NAME)) as db:
        db.execute("PRAGMA user_version = 1")


@pytest.mark.parametrize(
    ("harm", "reason"),
    [
        (emptied, "it is empty, but had held "),
        (gone, "it is not there, but had held "),
        pytest.param(cut, "the file is damaged", marks=LONG),
        (overwritten, "the file is damaged"),
        pytest.param(
            beginning_overwritten, "it is not a SQLite file, or its beginning is damaged", marks=LONG
        ),
        pytest.param(another_program_s, "it is not a store of Second Bell", marks=LONG),
    ],
)
async def test_a_torn_store_is_refused_by_name(
    tmp_path: Path, night_over: Path, harm: Callable[[Path], None], reason: str
) -> None:
    """Status 2, the file, what is wrong and what to do; it never starts empty, and nothing is written to it."""
    shutil.copytree(night_over, tmp_path / "night", ignore=shutil.ignore_patterns("*.sock"))
    folder = tmp_path / "night" / "state"
    harm(folder)
    before = {
        file.name: file.read_bytes() for file in folder.glob(f"{FILE_NAME}*") if "-shm" not in file.name
    }
    async with ward_of(tmp_path / "night") as made:
        status, said = await started_again(made)
    assert status == 2
    assert f"secondbell: {folder / FILE_NAME}: {reason}" in said
    assert "Copy the whole folder aside" in said
    assert "Traceback" not in said
    after = {file.name: file.read_bytes() for file in folder.glob(f"{FILE_NAME}*") if "-shm" not in file.name}
    assert after == before


@pytest.mark.parametrize(
    "harm", ["removed", pytest.param("cut", marks=LONG), pytest.param("torn", marks=LONG)]
)
async def test_a_torn_write_ahead_log_is_said(tmp_path: Path, harm: str) -> None:
    """It goes on with what is whole, and says what is lost: in the log, in the trail, to the technical contact."""
    async with faulty_night(tmp_path / "night", "torn") as made:
        at = made.now + SECOND
        await made.step(at, state(at, activity="stopped", alarms=[alarm(at)]))
        with contextlib.closing(sqlite3.connect(made.state_dir / FILE_NAME, isolation_level=None)) as db:
            db.execute("PRAGMA wal_checkpoint(FULL)")
        await made.step(at + 150 * SECOND)
        await made.monitor.kill()
        entries, log = len(made.trail()), made.state_dir / WAL
        size = log.stat().st_size
        if harm == "removed":
            log.unlink()
        elif harm == "cut":
            os.truncate(log, size // 3)
        else:
            with log.open("r+b") as file:
                file.seek(size // 3)
                file.write(b"\xa5" * 4096)
        assert read_mark(made.state_dir) == entries
        await made.monitor.start(made.now)
        await made.step(made.now + SECOND)
        [doubt] = of_trouble(made, "trail-doubtful")
        assert doubt["why"].startswith("entries "), doubt
        assert f" to {entries - 1} of the trail are lost" in doubt["why"]
        assert "Second Bell, technical: its audit trail is doubtful" in technical(made)
        await made.step(made.now + 5 * MINUTE)
        assert {entry["device"] for entry in made.happened("raised")} == {"pump-0101"}, (
            "what is whole goes on"
        )
        assert await made.monitor.stop() == 0
        assert_trail_whole(made)
        await made.monitor.start(made.now)
        assert len(of_trouble(made, "trail-doubtful")) == 1, "it is said once"


async def test_a_disk_that_is_read_only_at_the_start_is_named(tmp_path: Path) -> None:
    """Status 2 and what to look at."""
    async with ward(tmp_path / "night") as made, small_disk(made):
        await made.monitor.start(TEN)
        assert await made.monitor.stop() == 0
        await asyncio.to_thread(subprocess.check_call, ["mount", "-o", "remount,ro", str(made.state_dir)])
        status, said = await started_again(made)
        assert status == 2
        assert "ead-only" in said
        assert "Traceback" not in said


async def test_back_after_a_gap_is_told(tmp_path: Path) -> None:
    """Killed for 12 minutes: told with how long, honestly to the minute; stopped for 4 minutes: not told."""
    async with faulty_night(tmp_path / "night", "killed") as made:
        for _ in range(10):  # a quiet stretch: nothing but time passes
            await made.step(made.now + MINUTE)
        await made.monitor.kill()
        made.now += 12 * MINUTE
        await made.monitor.start(made.now)
        await made.step(made.now + SECOND)
        [subject] = technical(made)
        assert subject == "Second Bell, technical: back after 12 min without watching"
        assert "it was not asked to stop" in made.smtp.mails[-1].message.get_content()
        assert await made.monitor.stop() == 0
        await made.monitor.start(made.now + 4 * MINUTE)
        await made.step(made.now + 40 * MINUTE)
        assert await made.monitor.stop() == 0
        await made.monitor.start(made.now + 2 * 60 * MINUTE)
        await made.step(made.now + 2 * 60 * MINUTE + SECOND)
        assert technical(made)[1:] == ["Second Bell, technical: back after 2 h without watching"]
        assert "it had been asked to stop" in made.smtp.mails[-1].message.get_content()
        assert "gap" not in made.happened("started")[0]["detail"]


@contextlib.asynccontextmanager
async def ward_of(folder: Path) -> AsyncIterator[Ward]:
    """A ward without broker and servers around a state directory that there is already: for starts that are refused."""
    made = Ward.__new__(Ward)
    made.folder, made.site_file, made.state_dir = folder, folder / "site.toml", folder / "state"
    yield made


@pytest.fixture(scope="module")
def night_over(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a short night whose service was killed, its write-ahead log folded in."""

    async def play(folder: Path) -> None:
        async with faulty_night(folder, "none") as made:
            at = made.now + SECOND
            await made.step(at, state(at, activity="stopped", alarms=[alarm(at)]))
            await made.step(at + 4 * MINUTE)
            await made.monitor.stop()

    folder = tmp_path_factory.mktemp("over") / "night"
    asyncio.run(play(folder))
    assert (folder / "state" / MARK_NAME).exists()
    assert json.loads((folder / "service.log").read_text().splitlines()[-1])["event"] == "stopped"
    return folder
