"""The processes of a measurement: started by us, spoken to by lines, ended by their own id, whatever happens."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

ROOT = Path(__file__).parent.parent.parent
STOP_LIMIT = 30.0  # seconds from SIGTERM to SIGKILL: a service with 100,000 devices has something to put away


class MeasurementFailed(Exception):
    """A measurement that could not be made; the text says what went wrong."""


class Child:
    """One process, its standard output read by lines."""

    def __init__(self, *command: str, log: Path | None = None, lines: bool = False) -> None:
        """Start it; what it says on standard error goes to `log`."""
        self._log: IO[bytes] | None = None if log is None else log.open("wb")
        self.name = " ".join(command[:4])
        self._process = subprocess.Popen(
            command,
            cwd=ROOT,
            stdin=subprocess.PIPE if lines else subprocess.DEVNULL,
            stdout=subprocess.PIPE if lines else subprocess.DEVNULL,
            stderr=self._log if self._log is not None else subprocess.DEVNULL,
            env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1"},
        )

    @property
    def pid(self) -> int:
        """Its process id."""
        return self._process.pid

    @property
    def running(self) -> bool:
        """Whether it still runs."""
        return self._process.poll() is None

    def line(self) -> str:
        """The next line that it says; MeasurementFailed if it ended instead."""
        assert self._process.stdout is not None
        text = self._process.stdout.readline().decode().strip()
        if not text:
            raise MeasurementFailed(f"{self.name}: ended without a word")
        return text

    def go(self) -> None:
        """Send it the signal to begin."""
        assert self._process.stdin is not None
        self._process.stdin.write(b"go\n")
        self._process.stdin.flush()

    def wait(self, limit: float) -> int:
        """Wait for its end; gives when that was, in ns of the monotonic clock."""
        try:
            self._process.wait(limit)
        except subprocess.TimeoutExpired:
            raise MeasurementFailed(f"{self.name}: not done within {limit:g} s") from None
        return time.monotonic_ns()

    def stop(self) -> None:
        """End it: asked first, then killed."""
        if self.running:
            self._process.terminate()
            try:
                self._process.wait(STOP_LIMIT)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        for stream in (self._process.stdin, self._process.stdout, self._log):
            if stream is not None:
                stream.close()


@contextlib.contextmanager
def child(*command: str, log: Path | None = None, lines: bool = False) -> Iterator[Child]:
    """Run a process while the block lasts."""
    process = Child(*command, log=log, lines=lines)
    try:
        yield process
    finally:
        process.stop()


def python(module: str, *arguments: object) -> tuple[str, ...]:
    """The command that runs a module by this interpreter."""
    return (sys.executable, "-m", module, *(str(argument) for argument in arguments))


def until(condition: Callable[[], bool], what: str, *, limit: float, every: float = 0.01) -> None:
    """Look again and again until it holds; MeasurementFailed after `limit` seconds."""
    give_up = time.monotonic() + limit
    while not condition():
        if time.monotonic() > give_up:
            raise MeasurementFailed(f"{what}: not within {limit:g} s")
        time.sleep(every)
