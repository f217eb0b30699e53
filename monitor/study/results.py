"""The file that a study grows in: a header, then one night of one strategy a line; what is in it is not played again.

Only the process that the study was started by writes it, a line at a time, each on disk before the next is played for.
So a study that was killed has whole lines and at most one torn one at the end, which is cut off when it goes on.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import signal
from collections.abc import Iterable, Mapping
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from types import TracebackType
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from monitor.core.problems import Problem, ProblemsFound
from monitor.study.night_record import NightRecord

NAME: Final = "results.jsonl"
FORMAT: Final = 1
SHOWN_BY: Final = frozenset(
    {
        "commands.py", "asked.py", "results.py", "running.py", "progress.py", "measures.py", "intervals.py",
        "seeds.py", "summing.py", "targets.py", "findings.py", "written.py", "tables.py", "words.py", "plots.py",
        "sweep_plots.py", "labels.py", "inline_svg.py", "page.py",
    }
)  # fmt: skip
"""Files of this folder that play no part in what comes of a night."""

Key = tuple[str, str, int]
"""World, strategy, seed."""


class InUse(Exception):
    """Another study writes there; the text is one line and names the file."""


class Header(BaseModel):
    """What the nights of a file have in common: digests of worlds and strategies by name, settings, and the program."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")

    study: Literal[1] = 1
    version: str
    program: str
    worlds: dict[str, str]
    strategies: dict[str, str]
    settings: dict[str, str]

    def line(self) -> str:
        """The first line of the file."""
        return self.model_dump_json()


class Results:
    """The nights that are there, and the file that the next ones go to; holds it until closed."""

    def __init__(self, folder: Path, header: Header) -> None:
        """Begin a study in `folder`, or go on with the one there.

        InUse if another process has it; ProblemsFound if the file is of another study, or damaged; OSError.
        """
        folder.mkdir(parents=True, exist_ok=True)
        self.path = folder / NAME
        self.nights: dict[Key, NightRecord] = {}
        self.said: list[str] = []  # what a person should know of the file
        self._file = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            self._begin(header)
        except BaseException:
            self.close()
            raise

    def add(self, night: NightRecord) -> bool:
        """Write a night, and have it on disk; False if it was there already."""
        key = (night.world, night.strategy, night.seed)
        if key in self.nights:
            return False
        # An interrupt waits until what is on disk is known here too: else one night too few would be told.
        masked = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            self._write(night.line())
            self.nights[key] = night
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, masked)
        return True

    def close(self) -> None:
        """Let the next one in; closing twice is nothing."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    def __enter__(self) -> Results:
        """The results themselves."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let the next one in."""
        self.close()

    def _begin(self, header: Header) -> None:
        try:
            # The kernel lets go of it with the process, however that ends.
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InUse(
                f"{self.path}: another study is writing it; wait for it, or name another folder"
            ) from None
        with open(self.path, "rb") as file:
            *lines, torn = file.read().split(b"\n")
        end = sum(len(line) + 1 for line in lines)
        if torn:
            self._cut(end, "its last line was torn")
        if not lines:
            self._write(header.line())
            return
        self._hold_against(header, lines[0])
        for number, line in enumerate(lines[1:], start=2):
            try:
                night = NightRecord.read(line.decode())
            except ValueError:
                if number == len(lines):  # blocks that a power cut left empty
                    self._cut(end - len(line) - 1, "its last line could not be read")
                    return
                raise ProblemsFound(
                    [self._problem(f"line {number}", "", "a night; the file is damaged")]
                ) from None
            self.nights.setdefault((night.world, night.strategy, night.seed), night)

    def _hold_against(self, header: Header, line: bytes) -> None:
        try:
            begun = Header.model_validate_json(line)
        except ValidationError:
            found = _format_of(line)
            expected = f"a study's header of format {FORMAT}"
            raise ProblemsFound([self._problem("line 1", found, expected)]) from None
        if problems := [self._problem(*found) for found in differences(begun, header)]:
            raise ProblemsFound(problems)

    def _problem(self, key: str, value: str, expected: str) -> Problem:
        return Problem(
            str(self.path), key, value,
            f"{expected}. To begin anew name another folder with --out, or remove this file",
        )  # fmt: skip

    def _cut(self, end: int, why: str) -> None:
        os.ftruncate(self._file, end)
        os.fsync(self._file)
        self.said.append(f"{self.path}: {why}, and is cut off: that night is played again")

    def _write(self, line: str) -> None:
        end = os.lseek(self._file, 0, os.SEEK_END)
        rest = memoryview(line.encode() + b"\n")
        try:
            while rest:
                rest = rest[os.write(self._file, rest) :]
            os.fsync(self._file)
        except OSError as error:  # a full disk: what is half there must not stand before a later line
            os.ftruncate(self._file, end)
            raise OSError(error.errno, error.strerror, str(self.path)) from error


def differences(begun: Header, now: Header) -> list[tuple[str, str, str]]:
    """Key, value and what the file was begun with, of all that is not the same."""
    found: list[tuple[str, str, str]] = []
    if begun.version != now.version:
        found.append(("version", now.version, f"begun with Second Bell {begun.version}"))
    elif begun.program != now.program:
        found.append(("program", now.program, f"begun with other source files ({begun.program})"))
    for table in ("worlds", "strategies", "settings"):
        before, after = getattr(begun, table), getattr(now, table)
        for name in dict.fromkeys((*before, *after)):
            if name not in after:
                found.append((f"{table}.{name}", "not there", f"begun with it ({before[name]})"))
            elif name not in before:
                found.append((f"{table}.{name}", after[name], "begun without it"))
            elif before[name] != after[name]:
                found.append((f"{table}.{name}", after[name], f"begun with another ({before[name]})"))
    return found


def digest(text: str) -> str:
    """A short digest of what a text says."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def program() -> str:
    """A digest of the source that nights are played by: of one version, a changed engine is another study."""
    parts: list[tuple[str, str]] = []
    for package in ("monitor.core", "simulators", "monitor.study"):
        parts += _sources(package, resources.files(package))
    return digest(json.dumps(sorted(parts)))


def _sources(path: str, folder: Traversable) -> Iterable[tuple[str, str]]:
    for entry in folder.iterdir():
        if entry.is_dir():
            yield from _sources(f"{path}/{entry.name}", entry)
        elif entry.name.endswith(".py") and not (path == "monitor.study" and entry.name in SHOWN_BY):
            yield f"{path}/{entry.name}", hashlib.sha256(entry.read_bytes()).hexdigest()


def _format_of(line: bytes) -> str:
    try:
        found = json.loads(line)
    except ValueError:
        return ""
    return f"format {found['study']!r}" if isinstance(found, Mapping) and "study" in found else ""
