"""A consumer of a link, for its tests: it takes all that waits and waits for what should come."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from typing import Any, TypeVar

from paho.mqtt.enums import MQTTProtocolVersion

from monitor.adapters.mqtt import (
    BrokerAddress,
    Connected,
    LinkEvent,
    LinkTimes,
    Lost,
    MarkerBack,
    MqttLink,
    Received,
)

T = TypeVar("T")

PROTOCOLS = [MQTTProtocolVersion.MQTTv311, MQTTProtocolVersion.MQTTv5]
MARKER_TOPIC = "site/monitor/night/marker"
QUICK = LinkTimes(connect=1.0, answer=2.0, first_wait=0.02, longest_wait=0.2, marker=5.0, farewell=2.0)


def numbered(first: int, last: int, topic: str = "ward/a") -> list[tuple[str, bytes]]:
    """Messages that say their number."""
    return [(topic, b"%d" % number) for number in range(first, last)]


class Station:
    """A link, and in `log` all that it gave, in order."""

    def __init__(
        self,
        addresses: BrokerAddress | Sequence[BrokerAddress],
        *,
        kind: type[MqttLink] = MqttLink,
        **options: Any,
    ) -> None:
        """Prepare a link, of our own kind or another, with quick times."""
        if isinstance(addresses, BrokerAddress):
            addresses = [addresses]
        settings: dict[str, Any] = {
            "addresses": addresses,
            "client_id": "night-monitor",
            "filters": ["ward/+"],
            "marker_topic": MARKER_TOPIC,
            "rng": random.Random(7),
            "times": QUICK,
            "on_wake": self.wake,
        }
        self.link = kind(**(settings | options))
        self.log: list[Received | LinkEvent] = []
        self._woken = asyncio.Event()

    def wake(self) -> None:
        """Note that something waits."""
        self._woken.set()

    def take_all(self) -> None:
        """Take everything that waits."""
        while self.link.waiting:
            self.log.extend(self.link.take(500))
            self.log.extend(self.link.take_events())

    async def until(self, condition: Callable[[], bool], *, taking: bool = True, limit: float = 8.0) -> None:
        """Take what comes until the condition holds."""
        try:
            async with asyncio.timeout(limit):
                while True:
                    self._woken.clear()
                    if taking:
                        self.take_all()
                    if condition():
                        return
                    await self._woken.wait()
        except TimeoutError:
            raise AssertionError(f"it never came; the log ends with {self.log[-5:]}") from None

    async def connected(self, generation: int = 1) -> Connected:
        """Wait for a connection."""
        await self.until(lambda: any(event.generation == generation for event in self.all(Connected)))
        return next(event for event in self.all(Connected) if event.generation == generation)

    async def marked(self, token: str) -> None:
        """Send a marker and wait until it is back: all before it has come, and all acks have arrived."""
        self.link.send_marker(token)
        await self.until(lambda: any(event.token == token for event in self.all(MarkerBack)))

    async def payloads(self, count: int) -> list[bytes]:
        """Wait for so many messages; gives their payloads."""
        await self.until(lambda: len(self.messages) >= count)
        return [message.payload for message in self.messages]

    async def lost(self, count: int = 1) -> Lost:
        """Wait for so many losses; gives the last."""
        await self.until(lambda: len(self.all(Lost)) >= count)
        return self.all(Lost)[count - 1]

    @property
    def messages(self) -> list[Received]:
        """Messages taken so far."""
        return self.all(Received)

    def all(self, kind: type[T]) -> list[T]:
        """Give what was taken of one kind."""
        return [item for item in self.log if isinstance(item, kind)]


@asynccontextmanager
async def station(
    addresses: BrokerAddress | Sequence[BrokerAddress], **options: Any
) -> AsyncIterator[Station]:
    """Run a link while the block lasts."""
    one = Station(addresses, **options)
    await one.link.start()
    try:
        yield one
    finally:
        await one.link.stop()
