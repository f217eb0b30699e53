"""The bridges of a soak: one raw connection each (MQTT 3.1.1), many messages in one write, every PUBACK awaited."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.adapters.mqtt import BrokerAddress

PUBACK = 4  # bytes, MQTT 3.1.1 §3.4
ACCEPTED = bytes([0x20, 2, 0, 0])  # CONNACK, §3.2
WITHIN = 60.0  # seconds that a broker may take which is there


class BrokerGone(Exception):
    """The connection was lost: what was not acknowledged has to be sent again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Post:
    """One message on its way through one bridge; `kind` is how the ledger counts it."""

    bridge: str
    topic: str
    payload: bytes
    kind: str
    retain: bool = True


class Line:
    """One bridge's connection."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._mids = itertools.cycle(range(1, 65_536))

    @classmethod
    async def open(cls, address: BrokerAddress, name: str) -> Line:
        """Connect and log in."""
        reader, writer = await asyncio.open_connection(address.host, address.port)
        client = f"bridge-{name}".encode()
        # Protocol MQTT level 4, clean session, no keepalive (§3.1).
        body = b"\x00\x04MQTT\x04\x02\x00\x00" + len(client).to_bytes(2) + client
        writer.write(bytes((0x10, len(body))) + body)
        assert await reader.readexactly(len(ACCEPTED)) == ACCEPTED
        return cls(reader, writer)

    def write(self, posts: Sequence[Post]) -> None:
        """Hand messages to the kernel, as far as it takes them."""
        self._writer.write(b"".join(frame(post, next(self._mids)) for post in posts))

    async def acknowledged(self, count: int) -> None:
        """Wait for so many acknowledgements; raises BrokerGone."""
        try:
            await self._writer.drain()
            await self._reader.readexactly(count * PUBACK)
        except (OSError, asyncio.IncompleteReadError) as error:
            raise BrokerGone(str(error)) from error

    def close(self) -> None:
        """Drop the connection."""
        self._writer.transport.abort()


class Bridges:
    """All bridges of a site; what one publishes keeps its order."""

    def __init__(self, address: BrokerAddress, names: Sequence[str]) -> None:
        self._address, self._names = address, names
        self._lines: dict[str, Line] = {}
        self._owed: dict[str, int] = {}

    async def connect(self) -> None:
        """Connect all of them anew."""
        self.close()
        async with asyncio.timeout(WITHIN):
            for name in self._names:
                self._lines[name] = await Line.open(self._address, name)

    def write(self, posts: Sequence[Post]) -> None:
        """Send, and leave the acknowledgements to `flush`."""
        by_bridge: dict[str, list[Post]] = {}
        for post in posts:
            by_bridge.setdefault(post.bridge, []).append(post)
        for name, own in by_bridge.items():
            self._lines[name].write(own)
            self._owed[name] = self._owed.get(name, 0) + len(own)

    async def flush(self) -> None:
        """Wait until the broker has everything; raises BrokerGone."""
        owed, self._owed = self._owed, {}
        async with asyncio.timeout(WITHIN):
            for name, count in owed.items():
                await self._lines[name].acknowledged(count)

    def close(self) -> None:
        """Drop all connections, and what they still owe."""
        for line in self._lines.values():
            line.close()
        self._lines, self._owed = {}, {}


def frame(post: Post, mid: int) -> bytes:
    """A PUBLISH packet of QoS 1 (§3.3)."""
    topic = post.topic.encode()
    length = 2 + len(topic) + 2 + len(post.payload)
    head = bytearray([0x33 if post.retain else 0x32])
    while True:  # remaining length, §2.2.3
        length, digit = divmod(length, 128)
        head.append(digit | (128 if length else 0))
        if not length:
            break
    return b"".join((head, len(topic).to_bytes(2), topic, mid.to_bytes(2), post.payload))
