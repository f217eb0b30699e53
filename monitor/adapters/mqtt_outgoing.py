"""What we publish: handed to the broker while there is one, else the newest of each retained topic is kept.

Each new connection is given the newest of every retained topic again: its broker may be another one than before, or
may have lost in a crash what it had confirmed, and would go on telling everybody what was so long ago.

Rules for editing: `publish` never raises, and nothing here grows without bound.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

import structlog
from paho.mqtt.client import Client
from paho.mqtt.enums import MQTTErrorCode

log = structlog.get_logger(__name__)

# Most retained topics kept, for when there is a connection and for the next one; and most publications that paho
# holds unconfirmed. A site of 100,000 devices publishes one list for each device with a concern: far fewer.
MOST_KEPT = 10_000
MOST_UNCONFIRMED = 1_000


@dataclass(frozen=True, slots=True)
class Publication:
    """One message to publish."""

    topic: str
    payload: bytes
    qos: int
    retain: bool


class Outgoing:
    """Publications on their way; `dropped` counts those given up."""

    def __init__(self) -> None:
        """Start with nothing to send and nowhere to send it."""
        self.dropped = 0
        self._client: Client | None = None
        self._unconfirmed: dict[int, Publication] = {}
        self._kept: dict[str, Publication] = {}  # to be sent
        self._newest: dict[str, Publication] = {}  # of each retained topic, sent or not
        self._idle = asyncio.Event()
        self._idle.set()

    def publish(self, publication: Publication) -> None:
        """Hand over, or keep."""
        if publication.retain:
            self._newest.pop(publication.topic, None)  # the newest stands last
            self._newest[publication.topic] = publication
            if len(self._newest) > MOST_KEPT:
                del self._newest[next(iter(self._newest))]
        if self._client is not None and not self._kept and len(self._unconfirmed) < MOST_UNCONFIRMED:
            self._hand_over(self._client, publication)
        else:
            self._keep(publication)
        self._note_idle()

    def connected(self, client: Client) -> None:
        """Send all that is retained, and what was kept, by this client from now on."""
        self._client = client
        waiting, self._kept = self._kept, dict(self._newest)
        for publication in waiting.values():
            self._keep(publication)
        self._hand_over_kept()

    def confirmed(self, mid: int) -> None:
        """Strike off what the broker has."""
        self._unconfirmed.pop(mid, None)
        self._hand_over_kept()

    def lost(self) -> None:
        """Take back what was not confirmed, unless something newer is kept for its topic."""
        self._client = None
        newer, self._kept = self._kept, {}
        unsent, self._unconfirmed = self._unconfirmed, {}
        for publication in (*unsent.values(), *newer.values()):
            self._keep(publication)
        self._note_idle()

    async def settle(self, limit: float) -> None:
        """Wait until all is confirmed or the connection is gone, at most `limit` seconds."""
        try:
            async with asyncio.timeout(limit):
                await self._idle.wait()
        except TimeoutError:
            log.warning("publications unconfirmed", count=len(self._unconfirmed) + len(self._kept))

    def give_up(self, publication: Publication) -> None:
        """Count one that will not be sent."""
        self.dropped += 1
        log.warning("publication given up", topic=publication.topic)

    def _keep(self, publication: Publication) -> None:
        if not publication.retain:
            self.give_up(publication)
            return
        self._kept.pop(publication.topic, None)  # the newest stands last
        self._kept[publication.topic] = publication
        if len(self._kept) > MOST_KEPT:
            self.give_up(self._kept.pop(next(iter(self._kept))))

    def _hand_over_kept(self) -> None:
        while self._client is not None and self._kept and len(self._unconfirmed) < MOST_UNCONFIRMED:
            self._hand_over(self._client, self._kept.pop(next(iter(self._kept))))
        self._note_idle()

    def _hand_over(self, client: Client, publication: Publication) -> None:
        try:
            sent = client.publish(
                publication.topic, publication.payload, qos=publication.qos, retain=publication.retain
            )
        except ValueError as error:  # a topic with a wildcard, a payload above 256 MiB
            log.error("cannot be published", topic=publication.topic, why=str(error))
            self._newest.pop(publication.topic, None)
            self.give_up(publication)
            return
        if sent.rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._unconfirmed[sent.mid] = publication
        else:  # the connection has just gone; its loss is told in a moment
            self._client = None
            self._keep(publication)

    def _note_idle(self) -> None:
        if self._client is not None and (self._unconfirmed or self._kept):
            self._idle.clear()
        else:
            self._idle.set()
