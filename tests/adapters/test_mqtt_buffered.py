"""What the buffered client relies on in paho, and that it reads what paho would."""

from __future__ import annotations

import random
import socket
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.adapters.mqtt_buffered import PRIVATE, BufferedClient, client_class, missing


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


def test_the_installed_paho_has_what_it_relies_on() -> None:
    """And where something is missing the plain client is used."""
    assert missing(Client(CallbackAPIVersion.VERSION2)) == []
    assert client_class() is BufferedClient
    assert missing(object()) == list(PRIVATE)


def publish(draw: random.Random, mid: int, *, v5: bool) -> bytes:
    """A PUBLISH packet of any kind (MQTT 3.1.1 §3.3, 5 §3.3): some topics are not UTF-8, some have properties."""
    qos, retain = draw.choice((0, 1, 1, 1)), draw.choice((0, 1))
    topic = draw.choice((b"a/b/state", "é/state".encode(), b"a/\xff/state"))
    body = len(topic).to_bytes(2, "big") + topic
    if qos:
        body += mid.to_bytes(2, "big")
    if v5:
        body += draw.choice(
            (b"\x00", b"\x02\x01\x01", b"\x05\x02\x00\x00\x00\x09")
        )  # format, expiry (§3.3.2.3)
    body += bytes([mid % 256]) * draw.choice((0, 1, 90, 127, 128, 400, 20_000, 70_000))
    length, header = len(body), bytes([0x30 | qos << 1 | retain])
    while True:
        header += bytes([length % 128 | (128 if length > 127 else 0)])
        length //= 128
        if not length:
            return header + body


def heard(client: Client, pieces: list[bytes]) -> list[tuple[Any, ...]]:
    """What a client tells of a stream that comes in these pieces: messages, and answers between them."""
    got: list[tuple[Any, ...]] = []

    def on_message(_c: Client, _u: object, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "not UTF-8"
        got.append((message.mid, topic, bytes(message.payload), bool(message.retain), message.qos))

    client.on_message = on_message
    client.on_unsubscribe = lambda *said: got.append(("unsubscribed", said[2]))
    if isinstance(client, BufferedClient):
        client.on_publications = lambda found: got.extend(tuple(each)[1:] for each in found)
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.setblocking(False)
        client._sock = ours
        for piece in pieces:
            for start in range(0, len(piece), 50_000):
                theirs.sendall(piece[start : start + 50_000])
                for _ in range(400):
                    client.loop_read()
        client._sock = None
    return got


@pytest.mark.parametrize("protocol", [MQTTProtocolVersion.MQTTv311, MQTTProtocolVersion.MQTTv5])
@pytest.mark.parametrize("seed", range(5))
def test_whole_packets_are_taken_as_paho_takes_them(seed: int, protocol: MQTTProtocolVersion) -> None:
    """Any kind of PUBLISH, cut anywhere, with other packets between: the same messages in the same order."""
    draw = random.Random(seed)
    v5 = protocol == MQTTProtocolVersion.MQTTv5
    stream = b""
    for mid in range(1, 120):
        stream += publish(draw, mid, v5=v5)
        if draw.random() < 0.1:  # UNSUBACK (§3.11), with properties and a reason in version 5
            stream += (
                b"\xb0" + (b"\x04" if v5 else b"\x02") + mid.to_bytes(2, "big") + (b"\x00\x00" if v5 else b"")
            )
    cuts = sorted(draw.sample(range(1, len(stream)), 40))
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    plain, buffered = (
        heard(
            kind(CallbackAPIVersion.VERSION2, client_id="reader", manual_ack=True, protocol=protocol), pieces
        )
        for kind in (Client, BufferedClient)
    )
    assert buffered == plain
    assert sum(isinstance(each[0], int) for each in plain) == 119


def test_an_absurd_length_is_left_to_paho() -> None:
    """A topic longer than its packet, or a remaining length without end, is paho's protocol error, not ours."""
    for stream in (b"\x32\x05\x00\xffabc", b"\x32\xff\xff\xff\xff\x01aaaa", b"\x32\x04\x00\x01t\x00"):
        for kind in (Client, BufferedClient):
            assert (
                heard(kind(CallbackAPIVersion.VERSION2, client_id="reader", manual_ack=True), [stream]) == []
            )


def test_acknowledgements_leave_in_one_write() -> None:
    """The same bytes as paho sends one at a time (MQTT 3.1.1 §3.4)."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        client = BufferedClient(CallbackAPIVersion.VERSION2, client_id="reader", manual_ack=True)
        client._sock = ours
        client.ack_all([1, 258, 65_535])
        client.loop_write()
        client._sock = None
        assert theirs.recv(100) == b"\x40\x02\x00\x01\x40\x02\x01\x02\x40\x02\xff\xff"
