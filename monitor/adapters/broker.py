"""A broker of our own on a free loopback port, for the demo and for tests: mosquitto, else amqtt.

Never for a service: a ward's broker is looked after by somebody, starts before us and outlives us.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import shutil
import socket
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Literal

from monitor.adapters.mqtt import BrokerAddress

# Debian puts the broker where only root's PATH looks.
SBIN = ("/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin")

START_LIMIT = 10.0  # seconds; mosquitto takes some 20 ms here
STOP_LIMIT = 3.0  # seconds from SIGTERM to SIGKILL

Preference = Literal["auto", "mosquitto", "amqtt"]


class BrokerUnavailable(Exception):
    """No broker could be started; the message says what to install or what went wrong."""


def find_mosquitto() -> str | None:
    """Give the path of the mosquitto program, if it is installed."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path=os.pathsep.join(SBIN))


def free_port() -> int:
    """Give a TCP port free on the loopback a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class MosquittoProcess:
    """A mosquitto as a child process, all its files in `folder`; it can be started again."""

    def __init__(self, folder: Path, *, settings: tuple[str, ...] = ("allow_anonymous true",)) -> None:
        """Choose a port; `settings` are further lines of its configuration, such as who may connect."""
        self.folder = folder
        self.address = BrokerAddress("127.0.0.1", free_port())
        self._settings = settings
        self._process: asyncio.subprocess.Process | None = None

    @property
    def pid(self) -> int:
        """The process id of the running broker."""
        if self._process is None:
            raise BrokerUnavailable("the broker is not running")
        return self._process.pid

    @property
    def log_file(self) -> Path:
        """Where mosquitto writes what it does."""
        return self.folder / "mosquitto.log"

    def configuration(self) -> str:
        """Give the text of the configuration file."""
        lines = [
            f"listener {self.address.port} {self.address.host}",
            *self._settings,
            "persistence true",
            f"persistence_location {self.folder.resolve()}/",
            "autosave_interval 1",  # a killed broker loses a second, not its default of half an hour
            "max_inflight_messages 1000",  # the default of 20 throttles acknowledgement in batches
            "max_queued_messages 0",  # no limit: what waits for an absent monitor is not thrown away
            "set_tcp_nodelay true",
            f"log_dest file {self.log_file.resolve()}",
            "log_type all",
        ]
        if os.geteuid() == 0:
            lines.append("user root")  # else it gives up its rights, and with them its folder
        return "\n".join(lines) + "\n"

    async def start(self) -> None:
        """Start and wait until it accepts connections.

        Raises:
            BrokerUnavailable: not installed, ended at once, or not accepting within 10 s.
        """
        program = find_mosquitto()
        if program is None:
            raise BrokerUnavailable("mosquitto is not installed: install the package 'mosquitto'")
        config = self.folder / "mosquitto.conf"
        await asyncio.to_thread(config.write_text, self.configuration(), encoding="utf-8")
        self._process = await asyncio.create_subprocess_exec(
            program,
            "-c",
            str(config),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
            start_new_session=True,  # a Ctrl-C at the terminal is for us; we end the broker when we are done
        )
        try:
            async with asyncio.timeout(START_LIMIT):
                await self._await_accepting(self._process)
        except TimeoutError:
            await self.stop()
            raise BrokerUnavailable(f"mosquitto does not accept connections on {self.address}") from None
        except BaseException:
            await self.stop()
            raise

    async def _await_accepting(self, process: asyncio.subprocess.Process) -> None:
        while True:
            if process.returncode is not None:
                raise BrokerUnavailable(
                    f"mosquitto ended at once with status {process.returncode}; see {self.log_file}"
                )
            try:
                _, writer = await asyncio.open_connection(self.address.host, self.address.port)
            except OSError:
                await asyncio.sleep(0.01)
                continue
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()
            return

    async def stop(self) -> None:
        """End it, by its own process id: asked first, then killed; it never outlives a cancellation."""
        process, self._process = self._process, None
        if process is None or process.returncode is not None:
            return
        try:
            process.terminate()
            async with asyncio.timeout(STOP_LIMIT):
                await process.wait()
        except TimeoutError:
            pass
        finally:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()

    async def kill(self) -> None:
        """End it as a power cut would: SIGKILL, nothing saved."""
        process, self._process = self._process, None
        if process is not None and process.returncode is None:
            process.kill()
            await process.wait()


@contextlib.asynccontextmanager
async def broker_process(folder: Path, *, prefer: Preference = "auto") -> AsyncIterator[BrokerAddress]:
    """Run a broker, open to all on the loopback, while the block lasts; gives where it listens.

    Raises:
        BrokerUnavailable: neither broker is installed, or it does not start.
    """
    if prefer == "mosquitto" or (prefer == "auto" and find_mosquitto() is not None):
        broker = MosquittoProcess(folder)
        await broker.start()
        try:
            yield broker.address
        finally:
            await broker.stop()
    else:
        async with _amqtt_broker() as address:
            yield address


@contextlib.asynccontextmanager
async def _amqtt_broker() -> AsyncIterator[BrokerAddress]:
    """Run amqtt on our own loop.

    It is enough to show a night, not to prove one: 3.1.1 only, nothing on disk, and it drops the session of
    an anonymous client a second after it has gone.
    """
    try:
        from amqtt.broker import Broker
        from amqtt.errors import AMQTTError
    except ImportError as error:
        raise BrokerUnavailable(
            "no MQTT broker here: install mosquitto (package 'mosquitto'), or pip install 'secondbell[demo]'"
        ) from error
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(
            logging.CRITICAL
        )  # it tells of each packet, and of each client that goes
    address = BrokerAddress("127.0.0.1", free_port())
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": str(address)}},  # its default is 0.0.0.0
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
    )
    try:
        await broker.start()
    except AMQTTError as error:
        raise BrokerUnavailable(f"amqtt does not start on {address}: {error}") from error
    try:
        yield address
    finally:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(STOP_LIMIT):
                await broker.shutdown()
