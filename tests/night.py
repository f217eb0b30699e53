"""A ward around a service that runs as a process of its own: broker, mail and paging servers, a stepped clock.

Every instant of a night is entered, its messages are published, and it is completed (DEVELOPERS.md, "How data flows");
so a night takes seconds, and a process can be killed at any place of it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Mapping
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters import control
from monitor.adapters.lockfile import KEY_NAME
from monitor.adapters.mqtt import BrokerAddress
from monitor.adapters.store_reader import StoreReader
from monitor.core.instants import parse, show
from simulators.smtp_sink import SmtpSink
from simulators.snpp_sink import SnppSink
from tests.brokers import Mosquitto, publish_all
from tests.ward_site import site_text

TEN = parse("2026-03-14T22:00:00Z")
SECOND, MINUTE = 1_000, 60_000
PREFIX = "secondbell/v1/larkfield"
ELM = f"{PREFIX}/elm"
PRESENCE = f"{PREFIX}/monitor/night/presence"
BUTTON = f"{ELM}/pump-0101/responsibility"
SITE_KEY = bytes(range(32))  # the same in every ward, so that codes and keys of two runs can be compared
WITHIN = 10.0  # seconds that anything real may take


def state(
    at: int, device: str = "pump-0101", number: int | None = None, *, unit: str = "elm", **data: Any
) -> tuple[str, bytes]:
    """Topic and payload of a device-state message that keeps the contract; `data` replaces what it says."""
    event = envelope(at, device, number)
    event["data"].update(data)
    return f"{PREFIX}/{unit}/{device}/state", json.dumps(event).encode()


def envelope(at: int, device: str = "pump-0101", number: int | None = None) -> dict[str, Any]:
    """A device-state message of a pump that feeds, as a dictionary to be spoilt."""
    number = at // SECOND if number is None else number
    return {
        "specversion": "1.0",
        "id": f"north-7-{device}-{number}",
        "source": "urn:bridge:north-7",
        "type": "secondbell.device-state.v1",
        "subject": device,
        "time": show(at),
        "datacontenttype": "application/json",
        "data": {
            "sequence": number,
            "activity": "feeding",
            "alarms": [],
            "power": {"mains": True, "battery_percent": 100, "battery_low": False},
            "delivery": {"rate_ml_h": 85, "delivered_ml": 100, "target_ml": 1000},
        },
    }


def alarm(since: int, **said: str) -> dict[str, str]:
    """An alarm condition: high and sounding unless something else is said."""
    return {
        "condition": "occlusion",
        "priority": "high",
        "inactivation": "enabled",
        "since": show(since),
        **said,
    }


class Monitor:
    """`secondbell run` as a process; its log is kept in a file of its folder."""

    def __init__(
        self, site_file: Path, *, state_dir: Path, environment: Mapping[str, str] | None = None
    ) -> None:
        self.site_file = site_file
        self.state_dir = state_dir
        self.log_file = site_file.with_name("service.log")
        self.program = "monitor"  # the module that is run: a test may put one around it
        self.arguments: tuple[str, ...] = ()  # of `run`, besides those that every test needs
        self.environment = {**os.environ, "PYTHONWARNINGS": "error", **(environment or {})}
        self._process: asyncio.subprocess.Process | None = None
        self._line: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None

    @property
    def started(self) -> bool:
        """Whether there ever was a process."""
        return self._process is not None

    @property
    def process(self) -> asyncio.subprocess.Process:
        """The running process."""
        assert self._process is not None
        return self._process

    async def start(self, at: int | None = None, *, broker: bool = True) -> None:
        """Start it, at an instant of the stepped clock or by the wall clock, and wait until it serves."""
        await self.launch(at)
        await until(lambda: self._serves(broker), "the service to serve")

    async def serves_again(self) -> None:
        """Wait until it serves after it has begun again by itself."""
        self._hang_up()
        await until(lambda: self._serves(True), "the service to serve again")

    async def launch(self, at: int | None = None) -> None:
        """Start it, and wait for nothing."""
        self._hang_up()
        clock = [] if at is None else ["--stepped-clock", show(at)]
        with self.log_file.open("ab") as log:
            self._process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", self.program, "run", "--site", str(self.site_file), *clock, *self.arguments,
                stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=self.environment,
            )  # fmt: skip

    def _serves(self, broker: bool) -> bool:
        assert self.process.returncode is None, self.log_file.read_text()
        try:
            said = control.ask(self.state_dir, {"command": "state"}, patience=WITHIN)
        except control.ServiceNotRunning:
            return False
        return bool(said["link"]) or not broker

    async def ask(self, command: str, **more: Any) -> dict[str, Any]:
        """Give it one command, all on one connection; raises ConnectionError if it ends before the answer."""
        if self._line is None:
            self._line = await asyncio.open_unix_connection(self.state_dir / control.SOCKET_NAME)
        reader, writer = self._line
        writer.write(json.dumps({"command": command, **more}).encode() + b"\n")
        async with asyncio.timeout(3 * WITHIN):
            answer = await reader.readline()
        if not answer.endswith(b"\n"):
            raise ConnectionError("the service ended before it answered")
        found: dict[str, Any] = json.loads(answer)
        return found

    def _hang_up(self) -> None:
        if self._line is not None:
            self._line[1].close()
            self._line = None

    async def kill(self) -> None:
        """SIGKILL."""
        if self.process.returncode is None:
            self.process.kill()
        await self.process.wait()
        self._hang_up()

    async def stop(self, how: signal.Signals = signal.SIGTERM) -> int:
        """Ask it to stop; its exit status."""
        if self.process.returncode is None:
            self.process.send_signal(how)
        async with asyncio.timeout(WITHIN):
            status = await self.process.wait()
        self._hang_up()
        return status

    def log(self) -> list[dict[str, Any]]:
        """What it has logged so far; a line that is not JSON fails the test."""
        return [json.loads(line) for line in self.log_file.read_text().splitlines()]

    async def says(self, text: str) -> None:
        """Wait until its log says this."""
        await until(lambda: text in self.log_file.read_text(), f"the log to say {text!r}")


class Ward:
    """Everything around one service; `published` instants are entered and completed by `step`."""

    def __init__(self, folder: Path, broker: Mosquitto, login: str) -> None:
        self.arrived = asyncio.Event()  # set by every mail and page
        self.smtp = SmtpSink(on_mail=lambda _: self.arrived.set())
        self.snpp = SnppSink(on_page=lambda _: self.arrived.set())
        self.folder, self.broker, self._login = folder, broker, login
        self.site_file = folder / "site.toml"
        self.state_dir = folder / "state"
        self.monitor = Monitor(self.site_file, state_dir=self.state_dir)
        self.now = TEN

    def write_site(self, text: str | None = None) -> None:
        """Write the site file."""
        if text is None:
            text = site_text(self.broker.address, smtp=self.smtp.port, snpp=self.snpp.port, login=self._login)
        self.site_file.write_text(text, encoding="utf-8")

    async def publish(self, *messages: tuple[str, bytes], retain: bool = False) -> None:
        """Publish at QoS 1, by a client that is not ours; returns when the broker has them."""
        if messages:
            await publish_all(self.broker.address, messages, retain=retain)

    async def step(self, at: int, *messages: tuple[str, bytes], retain: bool = False) -> None:
        """Pass every deadline before `at`, each at its own instant, and then the instant with its messages."""
        due = (await self.monitor.ask("state"))["due"]
        while due is not None and due < at:
            self.now = max(self.now, due)
            await self.monitor.ask("enter", at=self.now)
            due = (await self.monitor.ask("complete"))["due"]
        self.now = at
        await self.monitor.ask("enter", at=at)
        await self.publish(*messages, retain=retain)
        await self.monitor.ask("complete")

    def trail(self) -> list[dict[str, Any]]:
        """All entries of the trail, each as it was hashed, with names for keys."""
        with StoreReader(self.state_dir) as reader:
            names = {key: name for key, (_, name) in reader.names().items()}
            told = [json.loads(entry.text) for entry in reader.entries()]
        return [
            entry | {who: names[entry[who]] for who in ("person", "device") if entry.get(who)}
            for entry in told
        ]

    def happened(self, event: str) -> list[dict[str, Any]]:
        """The trail's entries of one event."""
        return [entry for entry in self.trail() if entry["event"] == event]

    def code(self, pager: str) -> str:
        """The code in the newest page to a pager."""
        pages = [page.text for page in self.snpp.pages if page.pager == pager]
        found = re.findall(r"\b[A-Z0-9]{6}\b(?!.*\b[A-Z0-9]{6}\b)", pages[-1])
        return str(found[-1])

    def quarantined(self) -> dict[str, int]:
        """How many messages lie in quarantine, by reason."""
        with StoreReader(self.state_dir) as reader:
            found: dict[str, int] = {}
            for count in reader.quarantine():
                found[count.reason] = found.get(count.reason, 0) + count.kept
            return found

    async def command(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run `secondbell` with these arguments and this ward's site file."""
        return await asyncio.to_thread(secondbell, *arguments, "--site", str(self.site_file))


async def raised(ward: Ward, *, device: str = "pump-0101", **said: str) -> str:
    """Let a concern be raised, and the first rung be told; its id."""
    at = ward.now + SECOND
    await ward.step(at, state(at, device, activity="stopped", alarms=[alarm(at, **said)]))
    await ward.step(at + 3 * MINUTE)
    return next(str(e["concern"]) for e in ward.happened("raised") if e["device"] == device)


async def mended(ward: Ward, device: str = "pump-0101") -> None:
    """Let the pump feed again for so long that its concerns settle."""
    for _ in range(3):
        at = ward.now + MINUTE
        await ward.step(at, state(at, device))
    await ward.step(ward.now + 10 * SECOND)


def answer(ident: str, **data: Any) -> bytes:
    """An answer by message, as a bedside button publishes it."""
    event = envelope(TEN) | {"id": ident, "type": "secondbell.answer.v1", "data": data}
    return json.dumps(event).encode()


@contextlib.asynccontextmanager
async def ward(
    folder: Path, *, settings: tuple[str, ...] = ("allow_anonymous true",), login: str = ""
) -> AsyncIterator[Ward]:
    """A ward without its service; whatever service was started in it has ended when the block is left."""
    (folder / "broker").mkdir(parents=True)
    (folder / "state").mkdir(mode=0o700)
    (folder / "state" / KEY_NAME).write_bytes(SITE_KEY)
    (folder / "state" / KEY_NAME).chmod(0o600)
    broker = Mosquitto(folder / "broker", settings=settings)
    await broker.start()
    async with contextlib.AsyncExitStack() as stack:
        stack.push_async_callback(broker.stop)
        made = Ward(folder, broker, login)
        await stack.enter_async_context(made.smtp)
        await stack.enter_async_context(made.snpp)
        made.write_site()
        try:
            yield made
        finally:
            if made.monitor.started:
                await made.monitor.kill()
        assert (
            "Traceback" not in made.monitor.log_file.read_text() if made.monitor.log_file.exists() else True
        )


@contextlib.asynccontextmanager
async def night(folder: Path, at: int = TEN) -> AsyncIterator[Ward]:
    """A ward with its service under a stepped clock, caught up: the first instant is over."""
    async with ward(folder) as made:
        await made.monitor.start(at)
        await made.step(at)
        await made.step(at + 2 * SECOND)
        yield made


async def until(condition: Callable[[], bool], what: str, *, within: float = WITHIN) -> None:
    """Wait until a condition on something real holds."""
    end = time.monotonic() + within
    while not await asyncio.to_thread(condition):
        assert time.monotonic() < end, f"waited {within:g} s for {what}"
        await asyncio.sleep(0.01)


def secondbell(*arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run `secondbell` as a process of its own, warnings as errors."""
    environment = {**os.environ, "PYTHONWARNINGS": "error", **options.pop("environment", {})}
    return subprocess.run(
        [sys.executable, "-m", "monitor", *arguments],
        capture_output=True, text=True, timeout=60, env=environment, check=False, **options,
    )  # fmt: skip


class Ear:
    """A client that is not ours, and the newest payload of each topic that it hears."""

    def __init__(self, address: BrokerAddress, topic: str) -> None:
        self.heard: dict[str, bytes] = {}
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._on_message
        self._client.on_connect = lambda client, *_: client.subscribe(topic, 1)
        self._client.connect(address.host, address.port)

    def __enter__(self) -> Ear:
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        self.heard[message.topic] = bytes(message.payload)

    async def hears(self, topic: str, condition: Callable[[Any], bool]) -> Any:
        """Wait until the newest payload of a topic, as JSON, is as wanted; gives it."""
        found: list[Any] = []

        def right() -> bool:
            if topic in self.heard:
                found[:] = [json.loads(self.heard[topic] or b"null")]
            return bool(found) and condition(found[0])

        await until(right, f"{topic} to be as wanted, not {self.heard.get(topic)!r}")
        return found[0]
