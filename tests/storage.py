"""A ward whose disk or store is about to be in trouble, and the words of tests about that."""

from __future__ import annotations

import asyncio
import contextlib
import resource
import shutil
import sqlite3
import subprocess
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.lockfile import KEY_NAME
from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from tests.night import MINUTE, SECOND, SITE_KEY, TEN, Ward, state, ward

PATIENCE = 60.0  # seconds that a fault may take to show, on a busy machine
WAL = f"{FILE_NAME}-wal"
LONG = pytest.mark.long
Fault = Callable[[Ward], contextlib.AbstractContextManager[None]]


# ---- faults ----------------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def full(made: Ward) -> Iterator[None]:
    """The disk of the store is full, and whatever becomes free is taken at once by somebody else."""
    ended = threading.Event()
    ballast = made.state_dir / "ballast"

    def fill() -> None:
        with ballast.open("wb", buffering=0) as file:
            while not ended.is_set():
                try:
                    file.write(bytes(512))
                except OSError:
                    ended.wait(0.005)

    other = threading.Thread(target=fill)
    other.start()
    try:
        yield
    finally:
        ended.set()
        other.join()
        ballast.unlink()


@contextlib.contextmanager
def no_longer_files(made: Ward) -> Iterator[None]:
    """No file of the service may grow beyond what its write-ahead log is now: writing it fails in another way."""
    process = made.monitor.process.pid
    before = resource.prlimit(process, resource.RLIMIT_FSIZE)
    size = (made.state_dir / WAL).stat().st_size
    resource.prlimit(process, resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        if made.monitor.process.returncode is None:
            resource.prlimit(process, resource.RLIMIT_FSIZE, before)


@contextlib.contextmanager
def read_only(made: Ward) -> Iterator[None]:
    """The write-ahead log may not be written any more, as after a disk fault: not even by root."""
    log = str(made.state_dir / WAL)
    if shutil.which("chattr") is None or subprocess.run(["chattr", "+i", log], check=False).returncode:
        pytest.skip("no file can be made immutable here")
    try:
        yield
    finally:
        subprocess.run(["chattr", "-i", log], check=True)


@contextlib.contextmanager
def locked(made: Ward) -> Iterator[None]:
    """Another program holds the store's write lock, as a backup might."""
    with contextlib.closing(sqlite3.connect(made.state_dir / FILE_NAME, isolation_level=None)) as db:
        db.execute("BEGIN IMMEDIATE")
        yield
        db.execute("ROLLBACK")


FAULTS: dict[str, tuple[Fault, str]] = {
    "full": (full, "no space is left on its disk"),
    "too-large": (no_longer_files, "reading or writing it fails"),
    "read-only": (read_only, "it may not be written"),
    "locked": (locked, "another program holds it locked"),
}


@contextlib.asynccontextmanager
async def small_disk(made: Ward) -> AsyncIterator[None]:
    """The state directory is a disk of 1 MiB of its own."""
    mounted = ["mount", "-t", "tmpfs", "-o", "size=1m,mode=0700", "tmpfs", str(made.state_dir)]
    if await asyncio.to_thread(subprocess.call, mounted, stderr=subprocess.DEVNULL):
        pytest.skip("no disk can be mounted here")
    try:
        (made.state_dir / KEY_NAME).write_bytes(SITE_KEY)
        (made.state_dir / KEY_NAME).chmod(0o600)
        yield
    finally:
        if made.monitor.started:
            await made.monitor.kill()
        await asyncio.to_thread(subprocess.check_call, ["umount", str(made.state_dir)])


@contextlib.asynccontextmanager
async def faulty_night(folder: Path, fault: str) -> AsyncIterator[Ward]:
    """A night on a disk that can have this fault, a minute old."""
    async with ward(folder) as made, contextlib.AsyncExitStack() as stack:
        if fault == "full":
            await stack.enter_async_context(small_disk(made))
        await made.monitor.start(TEN)
        await made.step(TEN + 2 * SECOND, state(TEN + 2 * SECOND, "pump-0102", activity="idle"))
        await made.step(TEN + MINUTE, state(TEN + MINUTE, "pump-0102", activity="idle"))
        yield made


# ---- what is so ------------------------------------------------------------------------------------------------------


def technical(made: Ward) -> list[str]:
    """The subjects of the mails to the technical contact about Second Bell itself."""
    subjects = [" ".join(str(mail.message["Subject"]).split()) for mail in made.smtp.mails]
    return [subject for subject in subjects if subject.startswith("Second Bell, technical: ")]


def stored(made: Ward, device: str) -> bool:
    """Whether anything of a device is on disk."""
    with StoreReader(made.state_dir) as reader:
        return device in reader.rows("device")


def of_trouble(made: Ward, event: str) -> list[dict[str, Any]]:
    """The details of the trail's entries of one event."""
    return [entry["detail"] for entry in made.happened(event)]


def assert_trail_whole(made: Ward) -> None:
    """The trail verifies, by the command too."""
    with StoreReader(made.state_dir) as reader:
        assert reader.verify() is None


async def until_told(made: Ward, at: int) -> None:
    """Publish a pump's messages until the technical contact hears that nothing can be stored."""
    number = 0
    await made.monitor.ask("enter", at=at)
    while not technical(made):
        number += 1
        assert number < 10 * PATIENCE, "nobody was told"
        await made.publish(state(at, "pump-0103", number, activity="idle"))
        await asyncio.sleep(0.1)


async def started_again(made: Ward, *arguments: str) -> tuple[int, str]:
    """What a start comes to that does not succeed: exit status and what it says."""
    done = await made.command("run", *arguments)
    return done.returncode, done.stderr
