"""A study that is stopped in the middle, in whatever way, goes on: each night once, and the sums of a whole one."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from monitor.study.results import NAME
from tests.commands import Run
from tests.study.small import few_strategies, small_world

SEEDS = 6
PATIENCE = 60.0  # seconds, before a test gives up


def _begun_by(pid: int) -> set[int]:
    try:
        return {int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()}
    except OSError:
        return set()


class Study:
    """A real process of a study."""

    def __init__(self, folder: Path, given: tuple[str, ...]) -> None:
        self.results = folder / NAME
        self.begun: set[int] = set()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor", "study", *given, "--out", str(folder), "--cores", "2"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONWARNINGS": "error"},
        )

    def lines(self) -> int:
        """How many whole lines there are, the header among them."""
        return self.results.read_bytes().count(b"\n") if self.results.exists() else 0

    def until(self, lines: int) -> None:
        """Wait until there are so many."""
        end = time.monotonic() + PATIENCE
        while self.lines() < lines:
            assert self.process.poll() is None, self.process.communicate()
            assert time.monotonic() < end
            time.sleep(0.005)

    def until_alone(self) -> None:
        """Wait until no process of it is left."""
        end = time.monotonic() + PATIENCE
        while left := self.processes():
            assert time.monotonic() < end, left
            time.sleep(0.02)

    def processes(self) -> set[int]:
        """Those that it has started and that are still there, whoever is their parent by now."""
        self.begun |= _begun_by(self.process.pid)
        return {pid for pid in self.begun if Path(f"/proc/{pid}").exists()}

    def stop(self, how: signal.Signals) -> tuple[int, str]:
        """Send a signal; status and what was said."""
        self.process.send_signal(how)
        _, err = self.process.communicate(timeout=PATIENCE)
        return self.process.returncode, err


@pytest.fixture
def given(tmp_path: Path) -> tuple[str, ...]:
    """A small world, few strategies, some nights."""
    return (
        "--world", str(small_world(tmp_path)), "--strategies", str(few_strategies(tmp_path)), "--seeds", str(SEEDS),
    )  # fmt: skip


def figures(folder: Path) -> Any:
    """All that was found, without how long it took."""
    found = json.loads((folder / "study.json").read_text())
    del found["speed"]
    return found


def test_killed_and_killed_again_and_then_to_its_end(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, given: tuple[str, ...]
) -> None:
    """SIGKILL after two nights and after six: at the end each night is there once, with the sums of a whole run."""
    folder = tmp_path / "killed"
    for lines in (3, 7):
        study = Study(folder, given)
        study.until(lines)
        assert len(study.processes()) >= 2, "it plays on two cores"
        assert study.stop(signal.SIGKILL)[0] == -signal.SIGKILL
        study.until_alone()
        assert study.lines() < 1 + 3 * SEEDS, "it was killed in the middle"
    whole = tmp_path / "whole"
    with Run(capsys) as run:
        assert run("study", *given, "--out", str(folder))[0] == 0
        assert run("study", *given, "--out", str(whole))[0] == 0
    keys = [
        (night["world"], night["strategy"], night["seed"])
        for night in map(json.loads, (folder / NAME).read_text().splitlines()[1:])
    ]
    assert len(keys) == len(set(keys)) == 3 * SEEDS
    assert figures(folder) == figures(whole)


def test_interrupted_it_says_how_to_go_on(tmp_path: Path, given: tuple[str, ...]) -> None:
    """Ctrl-C: exit 130, how many nights are there, and the command to type; no trace, no process left."""
    study = Study(tmp_path / "study", given)
    study.until(3)
    study.processes()
    status, err = study.stop(signal.SIGINT)
    assert status == 130
    study.until_alone()
    assert "Traceback" not in err
    there = study.lines() - 1
    assert (
        f"interrupted: {there} of {3 * SEEDS} nights are in {study.results}; to go on: secondbell study --world"
        in err
    )


def test_two_studies_do_not_write_one_folder(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, given: tuple[str, ...]
) -> None:
    """The second is told so at once, and changes nothing."""
    study = Study(tmp_path / "study", given)
    study.until(1)
    with Run(capsys) as run:
        status, _, err = run("study", *given, "--out", str(tmp_path / "study"))
    assert (status, "another study is writing it" in err) == (2, True)
    assert study.stop(signal.SIGKILL)[0] == -signal.SIGKILL
