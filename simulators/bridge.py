"""A bridge: numbers what it sends, and may lose the broker for a while, with or without a store."""

from __future__ import annotations

from collections.abc import Callable

from simulators import wire
from simulators.reading import Reading
from simulators.truth import Ledger
from simulators.wire import Published, Report

Write = Callable[[Report], object]


class Bridge:
    """One bridge of a site; *write* makes of a report what is sent."""

    def __init__(self, name: str, *, prefix: str, site: str, write: Write = wire.published) -> None:
        self.name = name
        self._prefix, self._site = prefix, site
        self._number = 0
        self._online = True
        self._stores = False
        self._stored: list[object] = []
        self._write = write
        self.ledger = Ledger(name)

    def appear(self) -> list[Published]:
        """Say that it is there."""
        return [self._presence(online=True)]

    def lose(self, at: int, *, stores: bool) -> list[Published]:
        """Lose the broker; what the broker then publishes is the bridge's last will."""
        self.ledger.begin("bridge-lost", at, needed_from=at)
        self._online, self._stores = False, stores
        return [self._presence(online=False)]

    def come_back(self, at: int) -> list[object]:
        """Come back, sending first what was stored."""
        self.ledger.end("bridge-lost", at, "came-back")
        self._online = True
        stored, self._stored = self._stored, []
        if not stored:
            return [self._presence(online=True)]
        return [self._presence(online=True, backlog=True), *stored, self._presence(online=True)]

    def send(
        self, reading: Reading, *, device: str, unit: str, at: int, sequence: int, number: int | None = None
    ) -> object | None:
        """Send one device's state, or keep it, or lose it; without *number* it counts what it sends itself."""
        if number is None:
            self._number += 1
            number = self._number
        if not self._online and not self._stores:
            return None
        message = self._write(
            Report(self._prefix, self._site, unit, device, self.name, number, at, sequence, reading)
        )
        if self._online:
            return message
        self._stored.append(message)
        return None

    def _presence(self, *, online: bool, backlog: bool = False) -> Published:
        return Published(
            topic=wire.presence_topic(self._prefix, self._site, self.name),
            payload=wire.presence(online=online, backlog=backlog),
            retain=True,
            bridge=self.name,
        )
