"""A bridge: numbers what it sends, and may lose the broker for a while, with or without a store."""

from __future__ import annotations

from simulators import wire
from simulators.reading import Reading
from simulators.truth import Ledger
from simulators.wire import Published


class Bridge:
    """One bridge of a site."""

    def __init__(self, name: str, *, prefix: str, site: str) -> None:
        self.name = name
        self._prefix, self._site = prefix, site
        self._number = 0
        self._online = True
        self._stores = False
        self._stored: list[Published] = []
        self.ledger = Ledger(name)

    def appear(self) -> list[Published]:
        """Say that it is there."""
        return [self._presence(online=True)]

    def lose(self, at: int, *, stores: bool) -> list[Published]:
        """Lose the broker; what the broker then publishes is the bridge's last will."""
        self.ledger.begin("bridge-lost", at, needed_from=at)
        self._online, self._stores = False, stores
        return [self._presence(online=False)]

    def come_back(self, at: int) -> list[Published]:
        """Come back, sending first what was stored."""
        self.ledger.end("bridge-lost", at, "came-back")
        self._online = True
        stored, self._stored = self._stored, []
        if not stored:
            return [self._presence(online=True)]
        return [self._presence(online=True, backlog=True), *stored, self._presence(online=True)]

    def send(self, reading: Reading, *, device: str, unit: str, at: int, sequence: int) -> list[Published]:
        """Send one device's state, or keep it, or lose it."""
        self._number += 1
        message = Published(
            topic=wire.state_topic(self._prefix, self._site, unit, device),
            payload=wire.device_state(
                reading, bridge=self.name, number=self._number, device=device, at=at, sequence=sequence
            ),
            retain=True,
            bridge=self.name,
        )
        if self._online:
            return [message]
        if self._stores:
            self._stored.append(message)
        return []

    def _presence(self, *, online: bool, backlog: bool = False) -> Published:
        return Published(
            topic=wire.presence_topic(self._prefix, self._site, self.name),
            payload=wire.presence(online=online, backlog=backlog),
            retain=True,
            bridge=self.name,
        )
