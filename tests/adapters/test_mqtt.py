"""The link to the broker, against a real mosquitto."""

from __future__ import annotations

import asyncio
import random
import ssl
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.adapters.broker import broker_process
from monitor.adapters.mqtt import BrokerAddress, Connected, LinkTimes, Lost, MarkerBack, MqttLink, Received
from monitor.adapters.mqtt_receipts import Receipts
from monitor.adapters.mqtt_rounds import Rounds
from tests.adapters.station import MARKER_TOPIC, QUICK, Station, station
from tests.brokers import (
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
    tls_settings,
)

PUBLISH, SUBSCRIBE, UNSUBSCRIBE = 3, 8, 10  # MQTT 3.1.1 §2.2.1
CONNACK_NEW_SESSION = bytes([0x20, 2, 0, 0])  # §3.2
PROTOCOLS = [MQTTProtocolVersion.MQTTv311, MQTTProtocolVersion.MQTTv5]


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    """A mosquitto open to all."""
    async with mosquitto(tmp_path) as running:
        yield running


def numbered(first: int, last: int, topic: str = "ward/a") -> list[tuple[str, bytes]]:
    """Messages that say their number."""
    return [(topic, b"%d" % number) for number in range(first, last)]


async def saved(broker: Mosquitto) -> None:
    """Wait until mosquitto has written its queue to disk, as it does each second after a change."""
    database = broker.folder / "mosquitto.db"
    before = database.stat().st_mtime_ns if database.exists() else 0
    async with asyncio.timeout(10):
        while not database.exists() or database.stat().st_mtime_ns == before:  # noqa: ASYNC110 - a file
            await asyncio.sleep(0.02)


# --- receiving and acknowledging ----------------------------------------------------------------------


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
        await saved(broker)
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


@pytest.mark.parametrize("guarded", [True, False])
async def test_an_old_acknowledgement_would_lose_a_new_message(broker: Mosquitto, guarded: bool) -> None:
    """Sent on a new connection, an old id acknowledges a new message; the link does not send it."""
    async with Relay(broker.address) as relay, station(relay.address) as here:
        await here.connected()
        await publish_all(broker.address, [("ward/a", b"old")])
        await here.payloads(1)
        old = here.messages[0]
        await broker.kill()  # the session goes with it, and ids start anew
        (broker.folder / "mosquitto.db").unlink(missing_ok=True)
        await here.lost()
        await broker.start()
        await here.connected(2)
        await publish_all(broker.address, [("ward/a", b"new")])
        await here.payloads(2)
        assert here.messages[1].mid == old.mid
        if guarded:
            here.link.ack([old])
        else:
            assert here.link._connection is not None
            here.link._connection.client.ack(old.mid, 1)
        await here.marked("the acknowledgement has arrived")
        relay.drop()
        await here.connected(3)
        await here.marked("all again")
        again = [message.payload for message in here.messages if message.generation == 3]
        assert again == ([b"new"] if guarded else [])  # [] is the loss


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


# --- markers ------------------------------------------------------------------------------------------


async def test_a_marker_keeps_its_place_among_the_messages(broker: Mosquitto) -> None:
    """A marker stands behind what came before it, and neither kind of taking passes it."""
    async with station(broker.address) as here:
        await here.connected()
        await publish_all(broker.address, numbered(0, 20))
        here.link.send_marker("m")
        await here.until(lambda: here.link.waiting == 21, taking=False)
        await publish_all(broker.address, numbered(20, 25))
        await here.until(lambda: here.link.waiting == 26, taking=False)
        assert here.link.take_events() == []
        assert [m.payload for m in here.link.take(3)] == [b"0", b"1", b"2"]
        assert [m.payload for m in here.link.take(1000)] == [payload for _, payload in numbered(3, 20)]
        assert here.link.take(1000) == []
        assert here.link.take_events() == [MarkerBack(generation=1, token="m")]
        assert [m.payload for m in here.link.take(1000)] == [payload for _, payload in numbered(20, 25)]


async def test_a_marker_of_another_process_is_not_taken_for_ours(broker: Mosquitto) -> None:
    """A strange payload on the marker topic is acknowledged and gives neither an event nor a message."""
    async with Relay(broker.address) as relay, station(relay.address) as here:
        await here.connected()
        here.link.send_marker("ours")
        await publish_all(broker.address, [(MARKER_TOPIC, b"0123 1 ours"), (MARKER_TOPIC, b"\xff")])
        await here.until(lambda: len(here.all(MarkerBack)) == 1)
        await here.marked("strange ones are acknowledged")
        relay.drop()
        await here.connected(2)
        await here.marked("nothing again")
        assert [event.token for event in here.all(MarkerBack)] == [
            "ours",
            "strange ones are acknowledged",
            "nothing again",
        ]
        assert here.messages == []


async def test_a_session_without_subscriptions_is_healed(broker: Mosquitto) -> None:
    """A kept session in which no marker comes back is subscribed anew, as after a death before SUBACK."""

    def leave_an_empty_session() -> None:
        client = Client(CallbackAPIVersion.VERSION2, client_id="night-monitor", clean_session=False)
        client.connect(broker.address.host, broker.address.port)
        while not client.is_connected():
            client.loop(0.1)
        client.disconnect()
        client.loop(0.1)

    await asyncio.to_thread(leave_an_empty_session)
    times = LinkTimes(marker=0.1)
    async with station(broker.address, times=times) as here:
        assert (await here.connected()).session_present
        await here.marked("m")
        await publish_all(broker.address, numbered(0, 1))
        assert await here.payloads(1) == [b"0"]


# --- connecting ---------------------------------------------------------------------------------------


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


# --- back pressure ------------------------------------------------------------------------------------


async def test_reading_stops_when_nobody_takes(broker: Mosquitto) -> None:
    """With `max_waiting` messages untaken the rest stays in the network, until they are taken."""
    async with station(broker.address, max_waiting=100) as here:
        await here.connected()
        await publish_all(broker.address, numbered(0, 900))
        await here.until(lambda: here.link.waiting >= 100, taking=False)
        await asyncio.sleep(0.2)  # what would come, would have come
        assert here.link.waiting == 100
        assert await here.payloads(900) == [payload for _, payload in numbered(0, 900)]


async def test_a_long_pause_does_not_cost_the_connection(broker: Mosquitto) -> None:
    """While reading stops for several keepalives, the broker hears from us, and paho does not give up."""
    async with Relay(broker.address) as relay, station(relay.address, max_waiting=10, keepalive=1) as here:
        await here.connected()
        await publish_all(broker.address, numbered(0, 300))
        await here.until(lambda: here.link.waiting >= 10, taking=False)
        await asyncio.sleep(3.5)  # paho gives up after 2 keepalives, a broker after 1.5 without a packet
        assert here.link.waiting == 10
        assert relay.packets(0).count(UNSUBSCRIBE) >= 4
        assert await here.payloads(300) == [payload for _, payload in numbered(0, 300)]
        here.link.ack(here.messages)
        await here.marked("m")
        assert here.all(Lost) == []


# --- publishing ---------------------------------------------------------------------------------------


async def test_without_a_connection_the_newest_of_each_retained_topic_is_kept(broker: Mosquitto) -> None:
    """What was published while disconnected goes out once connected: for each topic the newest, and only it."""
    async with Relay(broker.address) as relay:
        here = Station(relay.address)
        here.link.publish("ward/a", b"older", retain=True)
        here.link.publish("ward/b", b"other", retain=True)
        here.link.publish("ward/a", b"newer", retain=True)
        here.link.publish("ward/c", b"not retained")
        assert here.link.dropped == 1
        await here.link.start()
        got = sorted(await here.payloads(2))
        assert got == [b"newer", b"other"]
        await here.marked("m")
        await here.link.stop()
        assert relay.packets(0).count(PUBLISH) == 3  # two, and the marker


async def test_what_the_broker_did_not_confirm_is_published_again(broker: Mosquitto) -> None:
    """A retained publication that a hung broker never took is there after its restart, in its newest form."""
    async with station(broker.address) as here:
        await here.connected()
        await saved(broker)
        broker.freeze()
        here.link.publish("ward/a", b"first", retain=True)
        here.link.publish("ward/a", b"second", retain=True)
        await broker.kill()
        await here.lost()
        await broker.start()
        await here.connected(2)
        await here.marked("m")
    async with station(broker.address, client_id="a-reader") as reader:
        await reader.connected()
        await reader.marked("m")
        assert [message.payload for message in reader.messages] == [b"second"]


async def test_publishing_never_raises(broker: Mosquitto) -> None:
    """What cannot be published is counted, before and after connecting, and the rest goes out."""
    async with station(broker.address) as here:
        here.link.publish("ward/+", b"a wildcard", retain=True)
        await here.connected()
        here.link.publish("ward/#", b"a wildcard")
        here.link.publish("", b"no topic")
        here.link.publish("ward/a", b"good", qos=7)
        here.link.publish("ward/a", b"good")
        assert await here.payloads(1) == [b"good"]
        assert here.link.dropped == 4


async def test_many_publications_at_once_all_arrive(broker: Mosquitto) -> None:
    """More than may be unconfirmed at a time: those for retained topics wait their turn."""
    async with station(broker.address, client_id="a-reader") as reader, station(broker.address) as here:
        await reader.connected()
        await here.connected()
        for number in range(2500):
            here.link.publish(f"ward/{number}", b"%d" % number, retain=True)
        acked = 0
        while acked < 2500:
            await reader.payloads(acked + 1)
            reader.link.ack(reader.messages[acked:])
            acked = len(reader.messages)
        assert sorted(int(message.payload) for message in reader.messages) == list(range(2500))
        assert here.link.dropped == 0


async def test_the_will_is_published_after_a_cut_and_not_after_a_stop(broker: Mosquitto) -> None:
    """A clean stop sends what was published before it and no will; a cut connection leaves the will."""
    topic = "ward/presence"
    async with station(broker.address, client_id="a-reader") as reader, Relay(broker.address) as relay:
        await reader.connected()
        async with station(relay.address, will=(topic, b"will of the stopped")) as stopped:
            await stopped.connected()
            stopped.link.publish(topic, b"stopped", retain=True)
        async with station(relay.address, will=(topic, b"will of the cut"), times=LinkTimes()) as cut:
            await cut.connected()
            relay.drop()
            await reader.until(lambda: b"will of the cut" in [m.payload for m in reader.messages])
        assert [message.payload for message in reader.messages] == [b"stopped", b"will of the cut"]


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


@given(order=st.permutations(range(1, 9)))
def test_acknowledgements_leave_in_the_order_of_arrival(order: list[int]) -> None:
    """Whatever the order in which messages are settled, their ids leave once each, by arrival (§4.6)."""
    receipts = Receipts()
    for mid in range(1, 9):
        receipts.owe(mid)
    left: list[int] = []
    for place, mid in enumerate(order):
        receipts.settle(mid)
        receipts.settle(99)  # never owed
        left += receipts.due()
        settled = set(order[: place + 1])
        assert left == [n for n in range(1, 9) if set(range(1, n + 1)) <= settled]
    assert left == list(range(1, 9))


def test_waits_double_to_a_limit_and_start_anew_after_a_good_connection() -> None:
    """Each address in turn at once, then 0.5 s doubling to 30 s, each shortened by up to a half."""
    first, second = BrokerAddress("one"), BrokerAddress("two")
    rounds = Rounds([first, second], LinkTimes(), random.Random(3))
    waits: list[float] = []
    for _ in range(10):
        assert rounds.address == first
        assert rounds.wait_after(0.0) == 0.0
        assert rounds.address == second
        waits.append(rounds.wait_after(1.0))  # held a second: no good connection
    for wait, longest in zip(waits, [0.5, 1, 2, 4, 8, 16, 30, 30, 30, 30], strict=True):
        assert longest / 2 <= wait <= longest
    assert len(set(waits)) == 10
    assert rounds.address == first
    assert rounds.wait_after(30.0) <= 0.5
    assert rounds.address == first
