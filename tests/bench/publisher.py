"""The publisher, a process of its own: a raw socket, frames made beforehand, acknowledgements only counted.

`python -m tests.bench.publisher PORT COUNT DEVICES RATE FIRST` says `ready`, waits for a line, publishes COUNT
snapshots in turn over DEVICES, at RATE a second (0: as fast as the broker takes them) with sequences from FIRST on,
and says when it began and ended as JSON. Instants are of the monotonic clock, which all processes share (Linux).
"""

from __future__ import annotations

import json
import select
import socket
import sys
import time
from collections.abc import Iterator

from tests.bench.messages import frame, payload

GUESSED_RATE = 30_000  # messages a second: spreads the times of what is sent at full speed
CHUNK = 1 << 18  # bytes handed to the kernel at once
TICK = 0.001  # seconds between two bursts of a paced run
LIMIT = 180.0  # seconds after which it gives up
MIDS = 60_000  # packet identifiers in use: 1 to 65,535 exist, none may be used again before its PUBACK
PUBACK_LENGTH = 4  # MQTT 3.1.1 §3.4


class Line:
    """A connection to the broker that only publishes."""

    def __init__(self, port: int) -> None:
        """Connect and log in."""
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=10)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client = b"bench-publisher"
        # Protocol MQTT level 4, clean session, no keepalive (MQTT 3.1.1 §3.1).
        body = b"\x00\x04MQTT\x04\x02\x00\x00" + len(client).to_bytes(2) + client
        self._socket.sendall(bytes((0x10, len(body))) + body)
        answer = self._socket.recv(4)
        if answer != b"\x20\x02\x00\x00":  # CONNACK, accepted (§3.2)
            raise ConnectionError(f"the broker answered {answer!r}")
        self._socket.setblocking(False)
        self._give_up = time.monotonic() + LIMIT
        self._heard = 0  # bytes

    @property
    def acknowledged(self) -> int:
        """How many messages the broker has."""
        return self._heard // PUBACK_LENGTH

    def send(self, data: bytes) -> None:
        """Send all of it, counting acknowledgements meanwhile."""
        rest = memoryview(data)
        while rest:
            readable, writable, _ = select.select([self._socket], [self._socket], [], 1.0)
            if readable:
                self.hear()
            if writable:
                rest = rest[self._socket.send(rest) :]
            self._check()

    def hear(self) -> None:
        """Count what has been acknowledged."""
        try:
            data = self._socket.recv(1 << 20)
        except BlockingIOError:
            return
        if not data:
            raise ConnectionError("the broker has closed the connection")
        self._heard += len(data)

    def wait_for(self, count: int) -> None:
        """Wait until so many are acknowledged."""
        while self.acknowledged < count:
            select.select([self._socket], [], [], 1.0)
            self.hear()
            self._check()

    def close(self) -> None:
        """Close it."""
        self._socket.close()

    def _check(self) -> None:
        if time.monotonic() > self._give_up:
            raise TimeoutError(f"not done within {LIMIT:g} s")


def mid(number: int) -> int:
    """The packet identifier of a message, by its number."""
    return number % 65_535 + 1


def chunks(count: int, devices: int, first: int) -> Iterator[tuple[int, bytes]]:
    """All frames, a chunk at a time with the number of messages up to its end."""
    began = time.time_ns() // 1_000_000
    parts: list[bytes] = []
    size = 0
    for number in range(count):
        at = began + number * 1000 // GUESSED_RATE
        device, turn = number % devices, number // devices
        one = frame(device, mid(number), payload(device, first + turn, at, time.monotonic_ns()))
        parts.append(one)
        size += len(one)
        if size >= CHUNK:
            yield number + 1, b"".join(parts)
            parts, size = [], 0
    if parts:
        yield count, b"".join(parts)


def publish_fast(line: Line, made: list[tuple[int, bytes]]) -> None:
    """Send all chunks as fast as the broker takes them."""
    for upto, data in made:
        line.wait_for(upto - MIDS)
        line.send(data)


def publish_paced(line: Line, count: int, devices: int, rate: int, first: int) -> None:
    """Send at a steady rate, each message stamped at the moment when it is made."""
    began = time.monotonic()
    number = 0
    while number < count:
        due = min(count, int((time.monotonic() - began) * rate) + 1)
        at = time.time_ns() // 1_000_000
        parts = []
        while number < due:
            device, turn = number % devices, number // devices
            body = payload(device, first + turn, at, time.monotonic_ns())
            parts.append(frame(device, mid(number), body))
            number += 1
        if parts:
            line.send(b"".join(parts))
        time.sleep(TICK)
        line.hear()


def main() -> None:
    """Publish as told."""
    port, count, devices, rate, first = (int(text) for text in sys.argv[1:6])
    line = Line(port)
    made = [] if rate else list(chunks(count, devices, first))
    print("ready", flush=True)
    sys.stdin.readline()
    began = time.monotonic_ns()
    if rate:
        publish_paced(line, count, devices, rate, first)
    else:
        publish_fast(line, made)
    sent = time.monotonic_ns()
    line.wait_for(count)
    said = {"began": began, "sent": sent, "acknowledged": time.monotonic_ns()}
    print(json.dumps(said), flush=True)


if __name__ == "__main__":
    main()
