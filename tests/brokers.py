"""Real brokers for tests, and a relay that cuts, stalls and records what goes to them."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
import socket
import ssl
import subprocess
from collections.abc import AsyncIterator, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from paho.mqtt import publish
from paho.mqtt.enums import MQTTProtocolVersion

from monitor.adapters.broker import MosquittoProcess
from monitor.adapters.mqtt import BrokerAddress

PUBLISH, SUBSCRIBE, UNSUBSCRIBE = 3, 8, 10  # packet types, MQTT 3.1.1 §2.2.1
CONNACK_NEW_SESSION = bytes([0x20, 2, 0, 0])  # §3.2


class Mosquitto(MosquittoProcess):
    """A mosquitto that can also be frozen; tests kill it and start it again on the same port."""

    def freeze(self) -> None:
        """Hang it: it accepts bytes, and does nothing."""
        os.kill(self.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        os.kill(self.pid, signal.SIGCONT)

    def reload(self) -> None:
        """Have it read its files again, such as the passwords."""
        os.kill(self.pid, signal.SIGHUP)

    async def saved(self) -> None:
        """Wait until it has written its queues to disk, as it does each second after a change."""
        database = self.folder / "mosquitto.db"
        before = database.stat().st_mtime_ns if database.exists() else 0
        async with asyncio.timeout(10):
            while not database.exists() or database.stat().st_mtime_ns == before:  # noqa: ASYNC110 - a file
                await asyncio.sleep(0.02)

    async def stop(self) -> None:
        """End it, also when frozen."""
        with contextlib.suppress(Exception):
            self.thaw()
        await super().stop()


@contextlib.asynccontextmanager
async def mosquitto(
    folder: Path, *, settings: tuple[str, ...] = ("allow_anonymous true",)
) -> AsyncIterator[Mosquitto]:
    """Run a mosquitto while the block lasts."""
    broker = Mosquitto(folder, settings=settings)
    await broker.start()
    try:
        yield broker
    finally:
        await broker.stop()


def login_settings(folder: Path, username: str, password: str) -> tuple[str, ...]:
    """Give the lines with which a mosquitto lets in only this user."""
    program = shutil.which("mosquitto_passwd")
    assert program is not None, "mosquitto_passwd comes with mosquitto"
    passwords = folder / "passwords"
    subprocess.run([program, "-b", "-c", str(passwords), username, password], check=True, capture_output=True)
    return ("allow_anonymous false", f"password_file {passwords}")


def tls_settings(folder: Path) -> tuple[tuple[str, ...], ssl.SSLContext]:
    """Make a certificate for 127.0.0.1; gives a mosquitto's lines for it, and a context that trusts it."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "a broker for tests")])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    pem, key_file = folder / "server.pem", folder / "server.key"
    pem.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    key_file.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    lines = ("allow_anonymous true", f"certfile {pem}", f"keyfile {key_file}")
    return lines, ssl.create_default_context(cafile=str(pem))


async def publish_all(
    address: BrokerAddress, messages: Sequence[tuple[str, bytes]], *, retain: bool = False, **options: Any
) -> None:
    """Publish messages at QoS 1, in order, each confirmed, by a client that is not ours."""
    await asyncio.to_thread(
        publish.multiple,
        [{"topic": topic, "payload": payload, "qos": 1, "retain": retain} for topic, payload in messages],
        hostname=address.host,
        port=address.port,
        protocol=MQTTProtocolVersion.MQTTv311,
        **options,
    )


class Relay:
    """A TCP relay before a broker: drops its connections at will, and records what clients sent."""

    def __init__(self, target: BrokerAddress) -> None:
        """Prepare a relay to the target."""
        self._target = target
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._cut = False
        self.sent: list[bytearray] = []  # what each client connection sent, in order of connection

    @property
    def address(self) -> BrokerAddress:
        """Where clients connect."""
        assert self._server is not None
        return BrokerAddress("127.0.0.1", self._server.sockets[0].getsockname()[1])

    async def __aenter__(self) -> Relay:
        """Listen."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        return self

    async def __aexit__(self, *_: object) -> None:
        """Drop everything and stop."""
        assert self._server is not None
        self._server.close()
        self.drop()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def drop(self) -> None:
        """Cut every connection, as a failing network does."""
        for writer in self._writers:
            writer.transport.abort()

    def cut(self) -> None:
        """Cut every connection, and each new one at once, until `mend`."""
        self._cut = True
        self.drop()

    def mend(self) -> None:
        """Let new connections through again."""
        self._cut = False

    def packets(self, connection: int) -> list[int]:
        """Give the MQTT packet types that a client connection sent, in order (MQTT 3.1.1 §2.2)."""
        return list(packet_types(bytes(self.sent[connection])))

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        if self._cut:
            writer.transport.abort()
            return
        record = bytearray()
        self.sent.append(record)
        self._writers.add(writer)
        try:
            there, back = await asyncio.open_connection(self._target.host, self._target.port)
        except OSError:
            writer.transport.abort()
            return
        self._writers.add(back)
        await asyncio.gather(self._pump(reader, back, record), self._pump(there, writer, None))

    async def _pump(
        self, source: asyncio.StreamReader, sink: asyncio.StreamWriter, record: bytearray | None
    ) -> None:
        with contextlib.suppress(OSError):
            while data := await source.read(65536):
                if record is not None:
                    record += data
                sink.write(data)
                await sink.drain()
        with contextlib.suppress(OSError):
            sink.close()


def packet_types(data: bytes) -> Iterator[int]:
    """Read the types of the MQTT packets in a stream of bytes."""
    place = 0
    while place < len(data):
        kind, length, shift = data[place] >> 4, 0, 0
        while True:  # remaining length, MQTT 3.1.1 §2.2.3
            place += 1
            length |= (data[place] & 127) << shift
            shift += 7
            if data[place] < 128:
                break
        yield kind
        place += 1 + length


@contextlib.contextmanager
def black_hole() -> Iterator[BrokerAddress]:
    """Hold a port that answers no connection at all: its backlog is full and nobody accepts."""
    with socket.socket() as listener, contextlib.ExitStack() as fillers:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        host, port = listener.getsockname()
        for _ in range(4):
            filler = fillers.enter_context(socket.socket())
            filler.setblocking(False)
            filler.connect_ex((host, port))
        yield BrokerAddress(host, port)


@contextlib.contextmanager
def mute_server() -> Iterator[BrokerAddress]:
    """Hold a port that takes connections and bytes, and never says anything."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(16)
        host, port = listener.getsockname()
        yield BrokerAddress(host, port)


def dead_address() -> BrokerAddress:
    """Give a loopback port on which nobody listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return BrokerAddress(*probe.getsockname())


class ScriptedBroker:
    """A server that answers the first bytes of a connection with a script: what no real broker says."""

    def __init__(self, *scripts: bytes, tls: ssl.SSLContext | None = None) -> None:
        """Prepare a server with a script for each connection, the last one for all further ones."""
        self._scripts = scripts
        self.heard: list[bytearray] = []  # what each connection's client sent
        self._tls = tls
        self._visits = 0
        self._visited = asyncio.Condition()
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()

    async def __aenter__(self) -> BrokerAddress:
        """Listen; gives where."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0, ssl=self._tls)
        return BrokerAddress("127.0.0.1", self._server.sockets[0].getsockname()[1])

    async def __aexit__(self, *_: object) -> None:
        """Drop everything and stop."""
        assert self._server is not None
        self._server.close()
        for writer in self._writers:
            writer.transport.abort()

    async def visited(self, times: int) -> bool:
        """Wait until clients have connected so many times."""
        async with asyncio.timeout(10), self._visited:
            return await self._visited.wait_for(lambda: self._visits >= times)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        async with self._visited:
            self._visits += 1
            self._visited.notify_all()
        script = self._scripts[min(len(self.heard), len(self._scripts) - 1)]
        heard = bytearray()
        self.heard.append(heard)
        with contextlib.suppress(OSError):
            heard += await reader.read(65536)
            writer.write(script)
            while data := await reader.read(65536):
                heard += data
        writer.close()
