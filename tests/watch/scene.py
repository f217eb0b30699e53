"""A ward with its monitor, and a watch of it as a process of its own; both on real broker, mail and paging servers."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from pathlib import Path

from monitor.adapters.mqtt import BrokerAddress
from tests.night import WITHIN, Ward, until, ward

PAGER, MAILBOX = "4900", "oncall@larkfield.invalid"
BEAT = 1.5  # seconds; half of what systemd would wait for


def config(broker: BrokerAddress, *, smtp: int, snpp: int, more: str = "") -> str:
    """The watch's file."""
    return f"""
[watch]
site = "larkfield"
monitor = "night"
name = "attic"
zone = "Europe/London"
patience = "1 s"
repeat = "1 min"
tell = [{{ carrier = "pager", address = "{PAGER}" }}, {{ carrier = "mail", address = "{MAILBOX}" }}]
[broker]
addresses = ["mqtt://{broker.host}:{broker.port}"]
[carriers.pager]
kind = "snpp"
host = "127.0.0.1"
port = {snpp}
limit = "2 s"
[carriers.mail]
kind = "email"
host = "127.0.0.1"
port = {smtp}
security = "none"
sender = "Watch <watch@larkfield.invalid>"
limit = "2 s"
{more}
"""


class Scene:
    """The ward, and the watch beside it."""

    def __init__(self, made: Ward, folder: Path) -> None:
        self.ward, self._folder = made, folder
        self.log_file = folder / "watch.log"
        self._process: asyncio.subprocess.Process | None = None
        made.monitor.environment["WATCHDOG_USEC"] = str(int(2 * BEAT * 1_000_000))
        made.monitor.environment.pop("WATCHDOG_PID", None)

    async def start_watch(self, text: str | None = None, **environment: str) -> None:
        """Start the watch."""
        made = self.ward
        file = self._folder / "watch.toml"
        file.write_text(text or config(made.broker.address, smtp=made.smtp.port, snpp=made.snpp.port))
        with self.log_file.open("ab") as log:
            self._process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "monitor", "watch", "--config", str(file),
                stdin=subprocess.DEVNULL, stdout=log, stderr=log,
                env={**os.environ, "PYTHONWARNINGS": "error", **environment},
            )  # fmt: skip

    async def both(self) -> None:
        """Start the monitor and the watch, and wait until the watch has heard of it and is content."""
        await self.ward.monitor.start()
        await self.start_watch()
        await until(lambda: "broker there" in self.log_file.read_text(), "the watch to find the broker")

    @property
    def pages(self) -> list[str]:
        """What its pager has been told."""
        return [page.text for page in self.ward.snpp.pages if page.pager == PAGER]

    async def paged(self, words: str, *, within: float = WITHIN) -> float:
        """Wait until a page says this; how many seconds that took."""
        began = time.monotonic()
        await until(
            lambda: any(words in page for page in self.pages), f"a page with {words!r}", within=within
        )
        return time.monotonic() - began

    async def stop_watch(self) -> int:
        """Ask it to stop; its exit status."""
        assert self._process is not None
        if self._process.returncode is None:
            self._process.send_signal(signal.SIGTERM)
        async with asyncio.timeout(WITHIN):
            return await self._process.wait()

    async def end(self) -> None:
        """End whatever runs."""
        if self._process is not None and self._process.returncode is None:
            self._process.kill()
            await self._process.wait()


@contextlib.asynccontextmanager
async def scene(folder: Path) -> AsyncIterator[Scene]:
    """Both, ended when the block is left; neither may have ended in a stack trace."""
    async with ward(folder / "ward") as made:
        found = Scene(made, folder)
        try:
            yield found
        finally:
            await found.end()
        assert not found.log_file.exists() or "Traceback" not in found.log_file.read_text()
