"""Paho's client, reading the socket in large pieces and taking whole PUBLISH packets out of them at once.

Paho asks the system for one byte at a time while it reads a packet's header, and makes some ten objects of each
message; this takes a third of the time. It overrides two private methods of paho and uses two more; a contract test
holds paho to them, and where one is missing paho reads and acknowledges as it always did.

Editing rules: only a PUBLISH that stands whole in what was read is taken here. Everything else, and whatever is odd
about one, is left where it lies for paho to read.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from functools import cache, lru_cache
from typing import Final

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from monitor.adapters.mqtt_events import Received

AT_ONCE: Final = 65_536  # bytes

PRIVATE: Final = (  # what is relied on in paho
    "_sock_recv",
    "_packet_read",
    "_packet_queue",
    "_in_packet",
    "_protocol",
    "_msgtime_mutex",
    "_last_bytes_received",
)

_PUBLISH, _PUBACK = 0x30, 0x40  # MQTT 3.1.1 §3.3.1, §3.4.1
_PUBACK_HEADER = b"\x40\x02"  # without a reason code, in MQTT 5 too: success (§3.4.2.1)
_MORE = 0x80  # of a remaining length (§2.2.3)
_LONGEST_HEADER = 5  # bytes: the type, and a remaining length of at most four


@lru_cache(maxsize=4_096)  # the same topics over and over
def _text(topic: bytes) -> str | None:
    try:
        return topic.decode() or None
    except UnicodeDecodeError:
        return None


class BufferedClient(Client):
    """One connection's client; a new one is made for each connection, so no bytes are kept over to the next."""

    generation = 0  # of the connection, as its messages tell it
    on_publications: Callable[[list[Received]], None] | None = None  # hears of them instead of `on_message`
    _held = b""
    _at = 0

    @property
    def holds_bytes(self) -> bool:
        """Whether something was received that paho has not read yet."""
        return self._at < len(self._held)

    def ack_all(self, mids: Iterable[int]) -> None:
        """Acknowledge many messages of QoS 1 in one write, in this order."""
        packets = b"".join([_PUBACK_HEADER + mid.to_bytes(2, "big") for mid in mids])
        if packets:
            self._packet_queue(_PUBACK, packets, 0, 1)

    def _sock_recv(self, bufsize: int) -> bytes:
        if self._at >= len(self._held):
            self._held, self._at = super()._sock_recv(AT_ONCE), 0
        start, self._at = self._at, min(self._at + bufsize, len(self._held))
        return self._held[start : self._at]

    def _packet_read(self) -> MQTTErrorCode:
        hear = self.on_publications
        if hear is not None and not self._in_packet["command"]:
            if self._at >= len(self._held):
                try:
                    self._held, self._at = super()._sock_recv(AT_ONCE), 0
                except BlockingIOError:
                    return MQTTErrorCode.MQTT_ERR_AGAIN
                except OSError:
                    return MQTTErrorCode.MQTT_ERR_CONN_LOST
                if not self._held:
                    return MQTTErrorCode.MQTT_ERR_CONN_LOST
            if publications := self._whole():
                with self._msgtime_mutex:
                    self._last_bytes_received = time.monotonic()
                hear(publications)
                return MQTTErrorCode.MQTT_ERR_SUCCESS
        return super()._packet_read()

    def _whole(self) -> list[Received]:
        """The PUBLISH packets that stand whole, one after another, at the place that has been read to."""
        found: list[Received] = []
        held, at, end = self._held, self._at, len(self._held)
        generation, properties = self.generation, self._protocol == MQTTProtocolVersion.MQTTv5
        while at + 2 <= end:
            command = held[at]
            qos = command >> 1 & 3
            if command & 0xF0 != _PUBLISH or qos > 1:
                break
            start, length = at + 2, held[at + 1]
            if length & _MORE:
                length, start = _remaining(held, at + 1, end)
            stop = start + length
            if length <= 0 or stop > end:
                break
            body = start + 2 + (held[start] << 8 | held[start + 1])
            topic = _text(held[start + 2 : body])
            mid = 0
            if qos:
                if body + 2 > stop:
                    break
                mid = held[body] << 8 | held[body + 1]
                body += 2
            if properties:  # MQTT 5 §3.3.2.3: only where there are none
                if body >= stop or held[body]:
                    break
                body += 1
            if topic is None or body > stop:
                break
            found.append(Received(generation, mid, topic, held[body:stop], command & 1 == 1, qos))
            at = stop
        self._at = at
        return found


def _remaining(held: bytes, at: int, end: int) -> tuple[int, int]:
    """A remaining length that begins at `at`, and where it has ended (§2.2.3); 0 if it is not all there."""
    length = shift = 0
    for place in range(at, min(at + _LONGEST_HEADER - 1, end)):
        byte = held[place]
        length |= (byte & 0x7F) << shift
        if not byte & _MORE:
            return length, place + 1
        shift += 7
    return 0, end


def missing(client: object) -> list[str]:
    """What a client of the installed paho lacks of what is relied on."""
    return [name for name in PRIVATE if not hasattr(client, name)]


@cache
def client_class() -> type[Client]:
    """The client to use with the paho that is installed."""
    return Client if missing(Client(CallbackAPIVersion.VERSION2)) else BufferedClient
