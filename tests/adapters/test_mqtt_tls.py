"""The link through TLS."""

from __future__ import annotations

import ssl
from pathlib import Path

from tests.adapters.station import station
from tests.brokers import CONNACK_NEW_SESSION, ScriptedBroker, mosquitto, publish_all, tls_settings


async def test_messages_pass_through_tls(tmp_path: Path) -> None:
    """Through TLS a burst comes whole and in order, though many messages lie in one TLS record."""
    settings, trusted = tls_settings(tmp_path)
    async with mosquitto(tmp_path, settings=settings) as broker, station(broker.address, tls=trusted) as here:
        await here.connected()
        sent = [("ward/a", b"%d " % number + b"x" * (number % 700)) for number in range(800)]
        await publish_all(broker.address, sent, tls={"ca_certs": str(tmp_path / "server.pem")})
        assert await here.payloads(800) == [payload for _, payload in sent]
        here.link.ack(here.messages)
        await here.marked("m")


async def test_messages_in_one_tls_record_are_all_read(tmp_path: Path) -> None:
    """What is decrypted together comes at once, though the socket has nothing more to say."""
    _, trusted = tls_settings(tmp_path)
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(tmp_path / "server.pem", tmp_path / "server.key")
    messages = b"".join(bytes([0x32, 11, 0, 6, *b"ward/a", 0, mid, 48 + mid]) for mid in range(1, 6))
    script = CONNACK_NEW_SESSION + bytes([0x90, 4, 0, 1, 1, 1]) + messages
    async with ScriptedBroker(script, tls=serving) as address, station(address, tls=trusted) as here:
        assert await here.payloads(5) == [b"1", b"2", b"3", b"4", b"5"]


async def test_an_untrusted_certificate_is_named(tmp_path: Path) -> None:
    """A broker whose certificate nobody vouches for is not spoken to, and the reason told."""
    settings, _ = tls_settings(tmp_path)
    untrusting = ssl.create_default_context()
    async with (
        mosquitto(tmp_path, settings=settings) as broker,
        station(broker.address, tls=untrusting) as here,
    ):
        assert "certificate verify failed" in (await here.lost()).reason
