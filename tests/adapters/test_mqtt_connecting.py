"""Finding a broker, losing it, and finding it again."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest
from paho.mqtt.enums import MQTTProtocolVersion

from monitor.adapters.broker import broker_process
from monitor.adapters.mqtt import BrokerAddress, Connected, LinkTimes, Lost, MqttLink, Received
from tests.adapters.station import PROTOCOLS, QUICK, numbered, station
from tests.brokers import (
    CONNACK_NEW_SESSION,
    SUBSCRIBE,
    Mosquitto,
    Relay,
    ScriptedBroker,
    black_hole,
    dead_address,
    login_settings,
    mosquitto,
    mute_server,
    packet_types,
    publish_all,
)


async def test_amqtt_serves_for_a_demo(tmp_path: Path) -> None:
    """The pure Python broker takes our login and subscriptions, delivers at QoS 1 and returns a marker."""
    async with broker_process(tmp_path, prefer="amqtt") as address, station(address) as here:
        await here.connected()
        await publish_all(address, numbered(0, 20))
        assert await here.payloads(20) == [payload for _, payload in numbered(0, 20)]
        here.link.ack(here.messages)
        await here.marked("m")


async def test_the_reason_a_broker_gives_is_told() -> None:
    """A DISCONNECT with a reason (MQTT 5 §3.14), as to a second monitor of one name, is told in words."""
    connack, taken_over = bytes([0x20, 3, 0, 0, 0]), bytes([0xE0, 2, 0x8E, 0])
    async with (
        ScriptedBroker(connack + taken_over) as address,
        station(address, protocol=MQTTProtocolVersion.MQTTv5) as here,
    ):
        assert (await here.lost()).reason == f"{address}: closed by the broker: Session taken over"


async def test_a_refused_subscription_is_named_and_tried_again() -> None:
    """A filter that the broker does not grant is named; the next connection subscribes again."""
    suback = bytes([0x90, 4, 0, 1, 0x80, 1])  # §3.9: the first filter fails
    session_kept = bytes([0x20, 2, 1, 0])
    broker = ScriptedBroker(CONNACK_NEW_SESSION + suback, session_kept + suback)
    async with broker as address, station(address) as here:
        lost = await here.lost()
        assert lost.generation is None
        assert "subscription refused by the broker: ward/+" in lost.reason
        assert await broker.visited(3)
        assert here.all(Connected) == []
        assert len(here.all(Lost)) == 1  # the same reason is not told again
        assert SUBSCRIBE in packet_types(bytes(broker.heard[1]))  # though that session was kept


@pytest.mark.parametrize(
    ("junk", "reason"),
    [
        (b"\x20\x02\x00\x03", "Server unavailable"),
        (CONNACK_NEW_SESSION + b"\x30\xff\xff\xff\xff\xff", "protocol error"),
        (CONNACK_NEW_SESSION + b"\x32\x02\x00\x09", ""),
        (CONNACK_NEW_SESSION + b"\xf0\x00", "protocol error"),
        (b"HTTP/1.1 400 Bad Request\r\n\r\n", ""),
    ],
)
async def test_what_is_no_broker_is_told_and_tried_again(junk: bytes, reason: str) -> None:
    """Whatever answers, the link says so in words and goes on trying; nothing is raised."""
    broker = ScriptedBroker(junk)
    async with broker as address, station(address) as here:
        lost = await here.lost()
        assert str(address) in lost.reason
        assert reason in lost.reason
        assert await broker.visited(3)
        assert here.all(Connected) == []


async def test_a_topic_that_is_no_text_does_not_break_the_link() -> None:
    """A topic that is not UTF-8 is handed on as one that no contract knows."""
    suback = bytes([0x90, 4, 0, 1, 1, 1])
    strange = bytes([0x32, 7, 0, 2, 0xFF, 0xFE, 0, 9]) + b"x"
    async with ScriptedBroker(CONNACK_NEW_SESSION + suback + strange) as address, station(address) as here:
        assert await here.payloads(1) == [b"x"]
        assert here.messages == [Received(1, 9, "\N{REPLACEMENT CHARACTER}", b"x", False, 1)]


async def test_a_dead_first_address_leads_to_the_next(broker: Mosquitto) -> None:
    """With the first broker dead the second is found, and the dead one named once."""
    dead = dead_address()
    async with station([dead, broker.address]) as here:
        await here.connected()
        assert [str(dead) in lost.reason for lost in here.all(Lost)] == [True]
        assert here.all(Lost)[0].generation is None


@pytest.mark.parametrize(
    ("trap", "said"), [(black_hole, "no connection within 0.5 s"), (mute_server, "no answer to our login")]
)
async def test_the_loop_goes_on_while_an_address_does_not_answer(
    broker: Mosquitto, trap: Callable[[], AbstractContextManager[BrokerAddress]], said: str
) -> None:
    """An address that swallows our connection, or our login, costs its time limit, never the loop's."""
    longest = 0.0

    async def watch() -> None:
        nonlocal longest
        loop = asyncio.get_running_loop()
        while True:
            before = loop.time()
            await asyncio.sleep(0.005)
            longest = max(longest, loop.time() - before)

    with trap() as silent:
        times = LinkTimes(connect=0.5, answer=0.5, first_wait=0.02)
        async with station([silent, broker.address], times=times) as here:
            watching = asyncio.create_task(watch())
            await here.connected()
            watching.cancel()
            assert said in here.all(Lost)[0].reason
    assert 0 < longest < 0.25


async def test_a_hung_broker_is_noticed_by_the_keepalive(broker: Mosquitto) -> None:
    """A broker that hangs, its connection open, is given up after the keepalive, and found again later."""
    async with station(broker.address, keepalive=1) as here:
        await here.connected()
        broker.freeze()
        assert "no answer within the keepalive of 1 s" in (await here.lost()).reason
        broker.thaw()
        assert (await here.connected(2)).session_present


async def test_a_wrong_password_is_named(tmp_path: Path) -> None:
    """A refused login is told as one, with the broker's address; the right password gets in."""
    settings = login_settings(tmp_path, "monitor", "right")
    async with mosquitto(tmp_path, settings=settings) as broker:
        async with station(broker.address, username="monitor", password="wrong") as here:
            lost = await here.lost()
            assert lost.generation is None
            assert lost.reason == f"{broker.address}: login refused by the broker: Not authorized"
        async with station(broker.address, username="monitor", password="right") as here:
            await here.connected()


async def test_a_link_needs_an_address() -> None:
    """No address is a mistake of the caller, told at once."""
    with pytest.raises(ValueError, match="address"):
        MqttLink(
            addresses=[],
            client_id="x",
            filters=[],
            marker_topic="m",
            on_wake=lambda: None,
            rng=random.Random(1),
        )


async def test_a_stop_while_dialling_ends_at_once() -> None:
    """A link that never found a broker stops without waiting."""
    async with station([BrokerAddress("127.0.0.1", 1)], times=QUICK) as here:
        await here.lost()
        async with asyncio.timeout(1):
            await here.link.stop()


@pytest.mark.parametrize("protocol", PROTOCOLS)
async def test_a_session_that_is_not_kept_begins_anew(
    broker: Mosquitto, protocol: MQTTProtocolVersion
) -> None:
    """After each loss it hears what the broker holds of a topic, and nothing of what was said meanwhile."""
    await publish_all(broker.address, [("ward/a", b"held")], retain=True)
    async with (
        Relay(broker.address) as relay,
        station(relay.address, protocol=protocol, kept=False, marker_topic=None) as here,
    ):
        assert await here.payloads(1) == [b"held"]
        relay.cut()
        await here.lost()
        await publish_all(broker.address, [("ward/b", b"missed")])
        relay.mend()
        await here.connected(2)
        await publish_all(broker.address, [("ward/b", b"live")])
        assert await here.payloads(3) == [b"held", b"held", b"live"]
        assert [message.retain for message in here.messages] == [True, True, False]
