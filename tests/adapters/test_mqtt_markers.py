"""Markers on a link, against a real mosquitto."""

from __future__ import annotations

import asyncio

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.mqtt import LinkTimes, MarkerBack
from tests.adapters.station import MARKER_TOPIC, numbered, station
from tests.brokers import Mosquitto, Relay, publish_all


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
