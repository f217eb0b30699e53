"""A world publishes by the contract, when it should, and the same bytes each time."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from typing import Any

import pytest
from cloudevents.core.formats.json import JSONFormat
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators import Published, World, load
from simulators.instants import from_datetime
from simulators.scenario import parse
from tests.simulators.conftest import run_to, states

MINUTE = 60_000
HEAD = """
name = "small"
seed = 5
site = "larkfield"
units = ["elm"]
start = 2026-03-14T22:00:00Z
hours = 4
bridges = ["north-7"]
[[pumps]]
id = "pump-0001"
place = "bay 1 bed 1"
rate_ml_h = 90
target_ml = 900
"""


def small(*happenings: str, head: str = HEAD) -> World:
    """Return a world of one pump to which *happenings* happen."""
    return World(parse(head + "".join(f"[[happenings]]\n{one}\n" for one in happenings)))


def at(event: dict[str, Any]) -> int:
    """Return an event's time as an instant."""
    return from_datetime(datetime.fromisoformat(event["time"]))


@pytest.fixture(scope="module")
def night() -> list[Published]:
    """Return all that the demo's night publishes if no nurse is sent."""
    return run_to(World(load("demo-night")))


def test_every_state_is_a_cloudevent(night: list[Published]) -> None:
    """The public `cloudevents` library (CNCF Python SDK) reads each one, and topic and subject agree."""
    reader = JSONFormat()
    count = 0
    for message in night:
        if not message.topic.endswith("/state"):
            continue
        count += 1
        event = reader.read(None, message.payload)
        assert event.get_specversion() == "1.0"
        assert event.get_source() == "urn:bridge:north-7"
        assert event.get_type() == "secondbell.device-state.v1"
        assert event.get_datacontenttype() == "application/json"
        assert event.get_id() == f"north-7-{count:06d}"
        assert message.topic == f"secondbell/v1/larkfield/elm/{event.get_subject()}/state"
        assert message.retain
        assert isinstance(event.get_data(), dict)
    assert 6_000 < count < 9_000


def test_states_use_the_words_and_ranges_of_the_contract(night: list[Published]) -> None:
    """Activities, priorities, inactivations and ranges are those that the contract names."""
    for event in states(night):
        data = event["data"]
        assert data["activity"] in {
            "feeding",
            "flushing",
            "priming",
            "held",
            "stopped",
            "idle",
            "finished",
            "off",
        }
        assert 0 <= data["power"]["battery_percent"] <= 100
        assert 0 <= data["delivery"]["delivered_ml"] <= data["delivery"]["target_ml"]
        for alarm in data["alarms"]:
            assert alarm["priority"] in {"high", "medium", "low"}
            assert alarm["inactivation"] in {"enabled", "audio-paused"}
            assert alarm["since"] <= event["time"]


def test_sequence_and_time_rise_for_each_device(night: list[Published]) -> None:
    """No gap and no step back, whatever the pump goes through."""
    seen: dict[str, tuple[int, str]] = {}
    for event in states(night):
        sequence, time = seen.get(event["subject"], (0, ""))
        assert event["data"]["sequence"] == sequence + 1
        assert event["time"] > time
        seen[event["subject"]] = (event["data"]["sequence"], event["time"])


def test_reports_come_each_minute_at_a_phase_of_their_own() -> None:
    """A quiet pump reports each 60 s exactly; two pumps do not report together."""
    other = HEAD + '[[pumps]]\nid = "pump-0002"\nplace = "bay 1 bed 2"\n'
    world = small(head=other)
    messages = run_to(world, world.start_ms + 30 * MINUTE)
    first, second = ([at(event) for event in states(messages, f"pump-000{n}")] for n in (1, 2))
    assert {later - earlier for earlier, later in pairwise(first)} == {MINUTE}
    assert len(first) == len(second) == 30
    assert not set(first) & set(second)


def test_a_change_is_told_at_once_and_its_onset_is_true() -> None:
    """The occlusion alarm is published at its onset: block + 0.01 mL/kPa × 100 kPa ÷ 90 mL/h = 40 s later."""
    world = small('at = "22:10"\nwhat = "line-blocks"\npump = "pump-0001"\ncarer = "nobody"')
    events = states(run_to(world, world.start_ms + 30 * MINUTE))
    alarmed = next(event for event in events if event["data"]["alarms"])
    assert alarmed["time"] == alarmed["data"]["alarms"][0]["since"] == "2026-03-14T22:10:40.000Z"
    assert alarmed["data"]["activity"] == "stopped"


@given(steps=st.lists(st.integers(1, 40 * MINUTE), min_size=1, max_size=40))
@settings(max_examples=15, deadline=None)
def test_the_same_seed_publishes_the_same_bytes(steps: list[int]) -> None:
    """However coarsely or finely a world is advanced, it publishes the same bytes in the same order."""
    scenario = load("demo-night", pumps=5, hours=5)
    fine, coarse = World(scenario), World(scenario)
    expected = run_to(fine)
    found: list[Published] = []
    now = coarse.start_ms
    for step in steps:
        now += step
        found += coarse.advance(now)
    found += coarse.advance(coarse.end_ms)
    assert found == expected
    assert coarse.truth() == fine.truth()


def test_another_seed_publishes_something_else() -> None:
    """The seed matters."""
    assert run_to(World(load("demo-night", hours=3))) != run_to(World(load("demo-night", hours=3, seed=1)))


def test_moved_to_another_start_it_is_the_same_course() -> None:
    """Begun at another instant, everything happens as long after the start as before."""
    scenario = load("demo-night", hours=3)
    own, moved = World(scenario), World(scenario, 1_800_000_000_000)
    shift = moved.start_ms - own.start_ms
    assert [at(event) + shift for event in states(run_to(own))] == [
        at(event) for event in states(run_to(moved))
    ]


def test_out_of_radio_nothing_is_heard_and_the_feed_goes_on() -> None:
    """For 25 minutes no message; the first one after shows what was fed meanwhile."""
    world = small('at = "23:00"\nwhat = "out-of-radio"\npump = "pump-0001"\nminutes = 25')
    events = states(run_to(world))
    before = [event for event in events if event["time"] < "2026-03-14T23:00"][-1]
    after = next(event for event in events if event["time"] >= "2026-03-14T23:00")
    assert after["time"] == "2026-03-14T23:25:00.000Z"
    fed = after["data"]["delivery"]["delivered_ml"] - before["data"]["delivery"]["delivered_ml"]
    assert fed == pytest.approx(90 * (at(after) - at(before)) / 3_600_000, abs=0.11)
    assert after["data"]["sequence"] == before["data"]["sequence"] + 1


def test_a_nurse_mends_what_is_really_wrong() -> None:
    """Line, plug and feed: after she came, everything that was wrong is right, and the line stays open."""
    world = small(
        'at = "22:05"\nwhat = "moved"\npump = "pump-0001"\nforgets_plug = true',
        'at = "22:10"\nwhat = "line-blocks"\npump = "pump-0001"\ncarer = "clears"\nagain_min = [5, 5, 5]',
    )
    run_to(world, world.start_ms + 21 * MINUTE)
    world.attend("pump-0001", world.start_ms + 25 * MINUTE)
    assert world.next_at() is not None
    events = states(run_to(world, world.start_ms + 200 * MINUTE))
    late = [event["data"] for event in events if event["time"] > "2026-03-14T22:26:00"]
    assert all(data["power"]["mains"] and not data["alarms"] for data in late)
    assert {data["activity"] for data in late} == {"feeding"}
    assert {(one.kind, one.how) for one in world.truth()} == {
        ("unplugged", "mended-by-nurse"),
        ("line-blocked", "mended-by-nurse"),
    }


def test_a_nurse_is_seen_at_the_instant_she_arrives() -> None:
    """Attending at the world's present instant publishes one more message of that instant."""
    world = small('at = "22:10"\nwhat = "line-blocks"\npump = "pump-0001"\ncarer = "nobody"')
    now = world.start_ms + 20 * MINUTE
    run_to(world, now)
    world.attend("pump-0001", now)
    assert world.next_at() == now
    (event,) = states(world.advance(now))
    assert (at(event), event["data"]["activity"], event["data"]["alarms"]) == (now, "held", [])


def test_a_pump_that_ran_flat_feeds_again_after_the_nurse() -> None:
    """Switched off by an empty battery, it is plugged in, switched on and fed on where it was."""
    head = HEAD + "battery_health = 0.02\n"  # 40 mAh: a quarter of an hour
    world = small('at = "22:05"\nwhat = "moved"\npump = "pump-0001"\nforgets_plug = true', head=head)
    run_to(world, world.start_ms + 60 * MINUTE)
    assert world.beds["pump-0001"].pump.activity == "off"
    world.attend("pump-0001", world.start_ms + 60 * MINUTE)
    last = states(run_to(world, world.start_ms + 70 * MINUTE))[-1]["data"]
    assert (last["activity"], last["power"]["mains"]) == ("feeding", True)


def test_a_bridge_with_a_store_sends_its_backlog_in_order() -> None:
    """Offline, then a backlog of what was measured meanwhile, then all is well; no sequence is missing."""
    world = small('at = "22:30"\nwhat = "bridge-lost"\nbridge = "north-7"\nminutes = 20\nstores = true')
    messages = run_to(world, world.start_ms + 60 * MINUTE)
    presence = [one.payload for one in messages if one.topic.endswith("bridge/north-7/presence")]
    assert presence == [
        b'{"online":true,"backlog":false}',
        b'{"online":false,"backlog":false}',
        b'{"online":true,"backlog":true}',
        b'{"online":true,"backlog":false}',
    ]
    start = next(n for n, one in enumerate(messages) if b'"backlog":true' in one.payload)
    end = max(n for n, one in enumerate(messages) if one.topic.endswith("presence"))
    assert len(states(messages[start:end])) == 20
    assert [event["data"]["sequence"] for event in states(messages)] == list(range(1, 61))


def test_a_switched_off_pump_says_so_once() -> None:
    """Complete and switched off, a pump publishes `off` and then nothing."""
    world = small(head=HEAD.replace("target_ml = 900", "target_ml = 90"))
    events = states(run_to(world))
    activities = [event["data"]["activity"] for event in events]
    assert activities.count("off") == 1
    assert activities[-1] == "off"
    assert "finished" in activities


def test_daily_feeds_begin_anew() -> None:
    """A pump that rests by day begins a fresh feed at its time: counter at zero, then rising."""
    world = small(head=HEAD + 'feeding = false\nstarts = ["23:00"]\n')
    events = states(run_to(world))
    assert events[0]["data"]["activity"] == "off"
    begun = next(event for event in events if event["data"]["activity"] == "feeding")
    assert begun["time"] == "2026-03-14T23:00:00.000Z"
    assert begun["data"]["delivery"]["delivered_ml"] == 0
    assert events[-1]["data"]["delivery"]["delivered_ml"] == pytest.approx(270, abs=1.6)
