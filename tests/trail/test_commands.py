"""`secondbell trail` on a real service's store: while it runs, after it, and where somebody has changed it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
import sqlite3
from pathlib import Path

import pytest

from monitor.adapters.store_schema import FILE_NAME
from monitor.core.instants import show
from tests.commands import Run, shell
from tests.night import MINUTE, SECOND, Ward, alarm, night, secondbell, state


async def test_the_trail_while_the_service_runs_and_after_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Verified, listed, told as a story and exported while the service writes; a changed byte is found and named."""
    async with night(tmp_path / "ward") as made:
        at = made.now + SECOND
        await made.step(at, state(at, activity="stopped", alarms=[alarm(at)]))
        await made.step(at + 3 * MINUTE)
        concern = made.happened("raised")[0]["concern"]

        whole = await made.command("trail", "verify")
        assert (whole.returncode, whole.stdout.startswith("whole: 10 entries, root ")) == (0, True), whole
        listed = await made.command("trail", "show", "list")
        assert listed.stdout.split() == [concern, show(at + 2 * MINUTE), "pump-0101", "unattended"]
        story = await made.command("trail", "show", concern)
        assert "night nurse 1 (nurse-1) is told by pager, 2 s after it was raised" in story.stdout
        assert "pager took the notice to night nurse 1 (nurse-1) at once" in story.stdout
        assert "times in Europe/London" in story.stdout
        elsewhere = await asyncio.to_thread(
            secondbell, "trail", "show", concern, "--state", str(made.state_dir)
        )
        assert "times in UTC" in elsewhere.stdout
        nothing = await made.command("trail", "show", "none-of-ours")
        assert (nothing.returncode, "list" in nothing.stderr) == (1, True)
        export = await made.command("trail", "export")
        assert [json.loads(line)["n"] for line in export.stdout.splitlines()] == list(range(10))
        assert "nurse-1" not in export.stdout, "names are not part of the tree"
        out = tmp_path / "trail.jsonl"
        assert (await made.command("trail", "export", "--out", str(out))).returncode == 0
        assert out.read_text() == export.stdout
        again = await made.command("trail", "export", "--out", str(out))
        assert (again.returncode, str(out) in again.stderr) == (2, True)
        piped = await asyncio.to_thread(
            shell, f"for n in 1 2; do secondbell trail export --state {made.state_dir} | head -1; done"
        )
        assert (piped.returncode, piped.stderr, piped.stdout.count("\n")) == (0, "", 2)
        assert (await made.monitor.ask("state"))["ok"]
        assert await made.monitor.stop() == 0
        with Run(capsys) as run:
            tampered_trails_are_found(made, run)


def tampered_trails_are_found(ward: Ward, run: Run) -> None:
    """Each kind of change of a stopped service's store is found, exit 1, at its entry."""
    for change, place in (
        (
            "UPDATE trail SET text = replace(CAST(text AS TEXT), 'unattended', 'unattendEd') WHERE n = 4",
            "entry 4",
        ),
        ("DELETE FROM trail WHERE n = 6", "entry 6"),
        ("DELETE FROM trail WHERE n > 8", "entry 9"),
        ("UPDATE trail SET n = n + 1 WHERE n = 10", "entry 10"),
        ("UPDATE tree SET frontier = 'x'", "tree head"),
    ):
        copy = ward.folder / "tampered"
        shutil.copytree(ward.state_dir, copy)
        with contextlib.closing(sqlite3.connect(copy / FILE_NAME)) as db:
            assert db.execute(change).rowcount > 0, change
            db.commit()
        status, out, _ = run("trail", "verify", "--state", str(copy))
        assert status == 1, (change, out)
        assert out.startswith("NOT whole"), out
        assert place in out, (change, out)
        shutil.rmtree(copy)
