"""What the buffered client relies on in paho, and that it reads what paho would."""

from __future__ import annotations

import random
import socket

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters import mqtt_buffered
from monitor.adapters.mqtt_buffered import BufferedClient, client_class


def packets(count: int) -> bytes:
    """PUBLISH packets at QoS 1 with payloads of 0 to 400 bytes (MQTT 3.1.1 §3.3)."""
    stream = b""
    for number in range(1, count + 1):
        body = b"\x00\x01t" + number.to_bytes(2, "big") + bytes([number % 256]) * (number * 37 % 400)
        length = len(body)
        stream += (
            b"\x32" + (bytes([length % 128 | 128, length // 128]) if length > 127 else bytes([length])) + body
        )
    return stream


def received(client: Client, pieces: list[bytes]) -> list[tuple[int, bytes]]:
    """What a client makes of a stream that comes in these pieces."""
    got: list[tuple[int, bytes]] = []
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.setblocking(False)
        client._sock = ours

        def on_message(_c: Client, _u: object, message: MQTTMessage) -> None:
            got.append((message.mid, bytes(message.payload)))

        client.on_message = on_message
        for piece in pieces:
            theirs.sendall(piece)
            for _ in range(len(piece) + 1):
                client.loop_read()
        client._sock = None
    return got


@pytest.mark.parametrize("seed", range(5))
def test_a_stream_cut_anywhere_is_read_as_paho_reads_it(seed: int) -> None:
    """Large reads change nothing but the number of calls."""
    stream, chance = packets(60), random.Random(seed)
    cuts = sorted(chance.sample(range(1, len(stream)), 25))
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    made = [
        kind(CallbackAPIVersion.VERSION2, client_id="reader", manual_ack=True)
        for kind in (Client, BufferedClient)
    ]
    plain, buffered = (received(client, pieces) for client in made)
    assert buffered == plain
    assert [mid for mid, _ in buffered] == list(range(1, 61))


def test_it_knows_whether_it_holds_bytes() -> None:
    """They do not make the socket readable again, so somebody has to ask."""
    client = BufferedClient(CallbackAPIVersion.VERSION2, client_id="reader", manual_ack=True)
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.setblocking(False)
        client._sock = ours
        theirs.sendall(packets(2))
        held = []
        for _ in range(2):
            client.loop_read()
            held.append(client.holds_bytes)
        client._sock = None
    assert held == [True, False]


def test_the_installed_paho_has_what_it_overrides(monkeypatch: pytest.MonkeyPatch) -> None:
    """And without it the plain client is used."""
    assert client_class() is BufferedClient
    monkeypatch.setattr(mqtt_buffered, "Client", object)
    assert client_class() is object
