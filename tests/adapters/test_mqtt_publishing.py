"""What the link publishes, against a real mosquitto."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.adapters.mqtt import LinkTimes
from tests.adapters.station import Station, station
from tests.brokers import PUBLISH, Mosquitto, Relay, mosquitto


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
        await broker.saved()
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


@pytest.mark.parametrize("which", ["another broker", "one that lost everything"])
async def test_a_broker_that_lacks_what_was_retained_is_given_it(
    broker: Mosquitto, tmp_path: Path, which: str
) -> None:
    """After the loss of a broker that had confirmed it, the next one has the newest of each retained topic."""
    (tmp_path / "second").mkdir()
    async with mosquitto(tmp_path / "second") as second:
        addresses = [broker.address, second.address] if which == "another broker" else [broker.address]
        async with station(addresses) as here:
            await here.connected()
            here.link.publish("ward/a", b"older", retain=True)
            here.link.publish("ward/a", b"newer", retain=True)
            here.link.publish("ward/b", b"b", retain=True)
            here.link.publish("ward/b", b"", retain=True)  # taken back
            here.link.publish("ward/c", b"not retained")
            await here.marked("the broker has it all")
            await broker.kill()
            await here.lost()
            if which != "another broker":
                (broker.folder / "mosquitto.db").unlink(missing_ok=True)
                await broker.start()
            await here.connected(2)
            await here.marked("the next broker has it")
            assert here.link.dropped == 0
        async with station(addresses[-1], client_id="a-reader") as reader:
            await reader.connected()
            await reader.marked("m")
            assert [(m.topic, m.payload) for m in reader.messages] == [("ward/a", b"newer")]


async def test_what_was_taken_back_is_taken_back_from_a_broker_that_returns(
    broker: Mosquitto, tmp_path: Path
) -> None:
    """A broker that was away while a retained topic was emptied tells the old of it no longer than that."""
    (tmp_path / "second").mkdir()
    async with mosquitto(tmp_path / "second") as second:
        async with station([broker.address, second.address]) as here:
            await here.connected()
            here.link.publish("ward/a", b"so it was", retain=True)
            await here.marked("the first broker has it")
            await broker.stop()
            await here.connected(2)
            here.link.publish("ward/a", b"", retain=True)
            await here.marked("the second broker has it")
            await broker.start()
            await second.stop()
            await here.connected(3)
            await here.marked("the first broker has it again")
        async with station(broker.address, client_id="a-reader") as reader:
            await reader.connected()
            await reader.marked("m")
            assert reader.messages == []


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
