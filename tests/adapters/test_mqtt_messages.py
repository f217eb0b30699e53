"""What comes over the link, acknowledgements, and back pressure, against a real mosquitto."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from pathlib import Path

import pytest
from paho.mqtt.enums import MQTTProtocolVersion

from monitor.adapters.mqtt import Connected, Lost, MqttLink, Received
from monitor.adapters.mqtt_buffered import AT_ONCE
from tests.adapters.station import PROTOCOLS, Station, numbered, station
from tests.brokers import SUBSCRIBE, UNSUBSCRIBE, Mosquitto, Relay, mosquitto, publish_all

KILOBYTE = b"x" * 1000
ONE_READ = AT_ONCE // len(KILOBYTE)  # messages that come together: reading stops between reads


@pytest.mark.parametrize("protocol", PROTOCOLS)
async def test_messages_arrive_in_order_with_all_their_fields(
    broker: Mosquitto, protocol: MQTTProtocolVersion
) -> None:
    """What is published at QoS 1 comes once, in order, with topic and payload."""
    async with station(broker.address, protocol=protocol) as here:
        assert await here.connected() == Connected(generation=1, session_present=False)
        await publish_all(broker.address, numbered(0, 50))
        assert await here.payloads(50) == [payload for _, payload in numbered(0, 50)]
        first = here.messages[0]
        assert (first.generation, first.topic, first.retain, first.qos) == (1, "ward/a", False, 1)
        assert len({message.mid for message in here.messages}) == 50


@pytest.mark.parametrize("protocol", PROTOCOLS)
async def test_what_was_not_acknowledged_comes_again_after_a_cut(
    broker: Mosquitto, protocol: MQTTProtocolVersion
) -> None:
    """After a cut connection the broker sends again what was not acknowledged, and only that."""
    async with Relay(broker.address) as relay, station(relay.address, protocol=protocol) as here:
        await here.connected()
        await publish_all(broker.address, numbered(0, 10))
        await here.payloads(10)
        here.link.ack(here.messages[:5])
        await here.marked("acks have arrived")
        relay.drop()
        assert (await here.lost()).generation == 1
        assert await here.connected(2) == Connected(generation=2, session_present=True)
        await here.marked("all again")
        again = [message for message in here.messages if message.generation == 2]
        assert [message.payload for message in again] == [b"5", b"6", b"7", b"8", b"9"]
        assert len(here.all(Lost)) == 1


async def test_a_killed_broker_is_found_again_on_its_port(broker: Mosquitto) -> None:
    """After SIGKILL and a restart the link is back by itself, and gets again what it had not acknowledged."""
    async with station(broker.address) as here:
        await here.connected()
        await publish_all(broker.address, numbered(0, 4))
        await here.payloads(4)
        here.link.ack(here.messages[:2])
        await here.marked("acks have arrived")
        await broker.saved()
        await broker.kill()
        await here.lost()
        await broker.start()
        assert (await here.connected(2)).session_present
        await here.marked("all again")
        assert [m.payload for m in here.messages if m.generation == 2] == [b"2", b"3"]


async def test_what_waits_untaken_at_a_loss_comes_once(broker: Mosquitto) -> None:
    """Messages not taken before a cut are given on the next connection only."""
    async with Relay(broker.address) as relay, station(relay.address) as here:
        await here.connected()
        await publish_all(broker.address, numbered(0, 10))
        await here.until(lambda: here.link.waiting == 10, taking=False)
        relay.drop()
        await here.until(lambda: here.link.generation == 2, taking=False)
        await here.payloads(10)
        await here.marked("all again")
        assert [message.payload for message in here.messages] == [payload for _, payload in numbered(0, 10)]
        assert {message.generation for message in here.messages} == {2}


class HeedlessLink(MqttLink):
    """A link that takes any message id for one of the connection it has: the mistake that must not be made."""

    def ack(self, received: Iterable[Received]) -> None:
        """Acknowledge on this connection whatever came on another."""
        now = self.generation
        super().ack([Received(now, m.mid, m.topic, m.payload, m.retain, m.qos) for m in received])


@pytest.mark.parametrize(("kind", "kept"), [(MqttLink, [b"new"]), (HeedlessLink, [])])
async def test_an_old_id_never_acknowledges_a_new_message(
    broker: Mosquitto, kind: type[MqttLink], kept: list[bytes]
) -> None:
    """Its broker restarts and counts anew, a commit ends late: the heedless link loses a message, ours does not."""
    async with Relay(broker.address) as relay, station(relay.address, kind=kind) as here:
        await here.connected()
        await publish_all(broker.address, [("ward/a", b"old")])
        await here.payloads(1)
        old = here.messages[0]  # its commit takes long
        await broker.kill()
        (broker.folder / "mosquitto.db").unlink(missing_ok=True)
        await here.lost()
        await broker.start()
        await here.connected(2)
        await publish_all(broker.address, [("ward/a", b"new")])
        await here.payloads(2)
        assert here.messages[1].mid == old.mid
        here.link.ack([old])  # now it has been stored; the new one has not
        await here.marked("the acknowledgement has arrived")
        relay.drop()
        await here.connected(3)
        await here.marked("all again")
        assert [m.payload for m in here.messages if m.generation == 3] == kept


@pytest.mark.parametrize(("kind", "kept"), [(MqttLink, [b"new"]), (HeedlessLink, [])])
async def test_an_id_of_one_broker_never_acknowledges_a_message_of_another(
    broker: Mosquitto, tmp_path: Path, kind: type[MqttLink], kept: list[bytes]
) -> None:
    """The same where the link went on to its second address between the message and the end of its commit."""
    (tmp_path / "second").mkdir()
    async with (
        mosquitto(tmp_path / "second") as second,
        Relay(second.address) as relay,
        station([broker.address, relay.address], kind=kind) as here,
    ):
        await here.connected()
        await publish_all(broker.address, [("ward/a", b"old")])
        await here.payloads(1)
        await broker.kill()
        await here.connected(2)
        await publish_all(second.address, [("ward/a", b"new")])
        await here.payloads(2)
        assert here.messages[1].mid == here.messages[0].mid
        here.link.ack(here.messages[:1])
        await here.marked("the acknowledgement has arrived")
        relay.drop()
        await here.connected(3)
        await here.marked("all again")
        assert [m.payload for m in here.messages if m.generation == 3] == kept


async def test_no_second_subscription_where_the_session_was_kept(broker: Mosquitto) -> None:
    """With its session kept the link does not subscribe again, so retained messages do not come again."""
    await publish_all(broker.address, numbered(0, 3, topic="ward/a"), retain=True)
    async with Relay(broker.address) as relay, station(relay.address) as here:
        await here.connected()
        await here.payloads(1)
        assert here.messages[0].retain
        here.link.ack(here.messages)
        await here.marked("acks have arrived")
        relay.drop()
        await here.connected(2)
        await here.marked("all again")
        assert [message.payload for message in here.messages] == [b"2"]
        assert relay.packets(0).count(SUBSCRIBE) == 1
        assert relay.packets(1).count(SUBSCRIBE) == 0


async def test_five_thousand_messages_with_acks_in_batches(broker: Mosquitto) -> None:
    """5,000 messages pass in seconds, each once and in order, and leave nothing unacknowledged."""
    async with Relay(broker.address) as relay, station(relay.address) as here, asyncio.timeout(30):
        await here.connected()
        publishing = asyncio.create_task(publish_all(broker.address, numbered(0, 5000)))
        acked = 0
        while acked < 5000:
            await here.until(lambda done=acked: len(here.messages) > done)  # type: ignore[misc]
            here.link.ack(here.messages[acked:])
            acked = len(here.messages)
        await publishing
        assert [message.payload for message in here.messages] == [payload for _, payload in numbered(0, 5000)]
        await here.marked("acks have arrived")
        relay.drop()
        await here.connected(2)
        await here.marked("nothing again")
        assert len(here.messages) == 5000


async def test_a_consumer_that_raises_breaks_nothing(broker: Mosquitto) -> None:
    """An exception of the consumer stays its own: each message still comes once."""
    here: Station

    def fail() -> None:
        here.wake()
        raise RuntimeError("the consumer is broken")

    async with station(broker.address, on_wake=fail) as here:
        await here.connected()
        await publish_all(broker.address, numbered(0, 10))
        await here.payloads(10)
        await here.marked("m")
        assert [message.payload for message in here.messages] == [payload for _, payload in numbered(0, 10)]


async def test_nothing_arrives_after_the_stop(broker: Mosquitto) -> None:
    """A stopped link takes nothing and publishes nothing; what it had not acknowledged waits for the next."""
    async with station(broker.address) as here:
        await here.connected()
        await publish_all(broker.address, numbered(0, 2))
        await here.payloads(2)
        here.link.ack(here.messages[:1])
        await here.link.stop()
        here.link.publish("ward/late", b"late", retain=True)
        assert here.link.dropped == 1
        await publish_all(broker.address, numbered(2, 3))
    async with station(broker.address) as after:
        assert (await after.connected()).session_present
        await after.marked("m")
        assert [message.payload for message in after.messages] == [b"1", b"2"]


async def test_reading_stops_when_nobody_takes(broker: Mosquitto) -> None:
    """With `max_waiting` messages untaken the rest stays in the network, until they are taken."""
    async with station(broker.address, max_waiting=100) as here:
        await here.connected()
        sent = [("ward/a", b"%d " % number + KILOBYTE) for number in range(900)]
        await publish_all(broker.address, sent)
        await here.until(lambda: here.link.waiting >= 100, taking=False)
        await asyncio.sleep(0.2)  # what would come, would have come
        assert 100 <= here.link.waiting <= 100 + ONE_READ
        assert await here.payloads(900) == [payload for _, payload in sent]


async def test_a_long_pause_does_not_cost_the_connection(broker: Mosquitto) -> None:
    """While reading stops for several keepalives, the broker hears from us, and paho does not give up."""
    async with Relay(broker.address) as relay, station(relay.address, max_waiting=10, keepalive=1) as here:
        await here.connected()
        sent = [("ward/a", b"%d " % number + KILOBYTE) for number in range(300)]
        await publish_all(broker.address, sent)
        await here.until(lambda: here.link.waiting >= 10, taking=False)
        await asyncio.sleep(3.5)  # paho gives up after 2 keepalives, a broker after 1.5 without a packet
        assert 10 <= here.link.waiting <= 10 + ONE_READ
        assert relay.packets(0).count(UNSUBSCRIBE) >= 4
        assert await here.payloads(300) == [payload for _, payload in sent]
        here.link.ack(here.messages)
        await here.marked("m")
        assert here.all(Lost) == []
