"""The demo's night contains each trouble that it promises, and no other."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from typing import Any

import pytest

from simulators import World, load
from simulators.instants import from_datetime
from tests.simulators.conftest import run_to, states

MINUTE = 60_000
TROUBLED = {
    "pump-0104",
    "pump-0107",
    "pump-0109",
    "pump-0102",
    "pump-0111",
    "pump-0105",
    "pump-0108",
    "pump-0112",
}

Events = list[dict[str, Any]]


def at(text: str) -> int:
    """Return an RFC 3339 time as an instant."""
    return from_datetime(datetime.fromisoformat(text))


@pytest.fixture(scope="module")
def night() -> Events:
    """Return the states of the night if no nurse is sent."""
    return states(run_to(World(load("demo-night"))))


def of(night: Events, device: str) -> Events:
    """Return one pump's states."""
    return [event for event in night if event["subject"] == device]


def onsets(events: Events, suffix: str = "") -> dict[tuple[str, str], int]:
    """Return each onset of a condition and when it was over."""
    seen: dict[tuple[str, str], int] = {}
    for event in events:
        for alarm in event["data"]["alarms"]:
            if alarm["condition"].endswith(suffix):
                seen[(alarm["condition"], alarm["since"])] = at(event["time"])
    return seen


def test_twelve_pumps_and_a_bounded_number_of_messages(night: Events) -> None:
    """All twelve are heard, with fewer than 9,000 messages."""
    assert len({event["subject"] for event in night}) == 12
    assert len(night) < 9_000


def test_muted_again_and_again(night: Events) -> None:
    """One occlusion is paused for over six minutes, sounding for under 30 s between pauses."""
    changes: list[tuple[int, str]] = []
    for event in of(night, "pump-0104"):
        if event["time"] < "2026-03-14T23:00" and event["data"]["alarms"]:
            (alarm,) = event["data"]["alarms"]
            if not changes or changes[-1][1] != alarm["inactivation"]:
                changes.append((at(event["time"]), alarm["inactivation"]))
    assert [word for _, word in changes] == ["enabled", "audio-paused"] * 6 + ["enabled"]
    pauses = changes[1:]
    for (start, word), (end, _) in pairwise(pauses):
        assert end - start == 2 * MINUTE if word == "audio-paused" else end - start < 30_000
    assert pauses[-1][0] - pauses[0][0] > 6 * MINUTE


def test_a_line_that_blocks_three_times(night: Events) -> None:
    """Three onsets within 50 minutes, each cleared at the bedside within two."""
    found = sorted(
        (at(since), over) for (_, since), over in onsets(of(night, "pump-0109"), "occlusion").items()
    )
    first, _, third = found[:3]
    assert third[0] - first[0] < 50 * MINUTE
    assert all(over - since < 2 * MINUTE for since, over in found)


def test_a_bed_off_its_socket(night: Events) -> None:
    """Unplugged at full charge, under 20 % within two hours, under 5 % later, off in the end."""
    unplugged = [event for event in of(night, "pump-0107") if not event["data"]["power"]["mains"]]
    percents = [event["data"]["power"]["battery_percent"] for event in unplugged]
    under_20 = next(event for event in unplugged if event["data"]["power"]["battery_percent"] < 20)
    under_5 = next(event for event in unplugged if event["data"]["power"]["battery_percent"] < 5)
    assert percents[0] == 100
    assert 10 * MINUTE < at(under_5["time"]) - at(under_20["time"]) < 30 * MINUTE
    assert unplugged[-1]["data"]["activity"] == "off"


def test_a_pump_forgotten_after_a_bag_change(night: Events) -> None:
    """Idle for over two hours with half of its feed to go."""
    idle = [event for event in of(night, "pump-0102") if event["data"]["activity"] == "idle"]
    delivery = idle[0]["data"]["delivery"]
    assert delivery["delivered_ml"] / delivery["target_ml"] == pytest.approx(0.5, abs=0.05)
    assert at(idle[-1]["time"]) - at(idle[0]["time"]) > 120 * MINUTE


def test_an_alarm_nobody_answers(night: Events) -> None:
    """An occlusion sounds for over half an hour and is never muted."""
    alarms = [
        (at(event["time"]), alarm["inactivation"])
        for event in of(night, "pump-0105")
        for alarm in event["data"]["alarms"]
        if event["time"] > "2026-03-15T03:00"
    ]
    assert {word for _, word in alarms} == {"enabled"}
    assert alarms[-1][0] - alarms[0][0] > 30 * MINUTE


def test_one_pump_out_of_sight(night: Events) -> None:
    """One pump, and only one, is not heard for about 25 minutes while it feeds."""
    gaps = {}
    for device in {event["subject"] for event in night}:
        heard = [event for event in of(night, device) if event["data"]["activity"] != "off"]
        times = [at(event["time"]) for event in heard]
        longest = max(later - earlier for earlier, later in pairwise(times))
        # A pump that ran flat is off, not out of sight.
        if longest > 2 * MINUTE and device != "pump-0107":
            gaps[device] = longest
    assert set(gaps) == {"pump-0111"}
    assert gaps["pump-0111"] == pytest.approx(25 * MINUTE, abs=MINUTE)


def test_one_high_alarm_of_the_pump_itself(night: Events) -> None:
    """A device fault, high, that nobody answers, apart from the battery that ran out."""
    high = {
        (event["subject"], alarm["condition"])
        for event in night
        for alarm in event["data"]["alarms"]
        if alarm["priority"] == "high"
    }
    assert high == {("pump-0112", "device-fault"), ("pump-0107", "battery-depleted")}


def test_the_rest_of_the_night_is_dealt_with_at_the_bedside() -> None:
    """The truth holds the scripted troubles and nothing of what chance added."""
    world = World(load("demo-night"))
    run_to(world)
    assert {trouble.device for trouble in world.truth()} == TROUBLED
    assert len(world.truth()) == 9  # one of them twice


def test_chance_adds_alarms_that_are_cleared_quickly(night: Events) -> None:
    """The four untroubled pumps alarm now and then, never for two minutes, never three times in an hour."""
    quiet = [event for event in night if event["subject"] not in TROUBLED]
    found = onsets(quiet)
    assert 3 <= len(found) <= 20
    assert all(over - at(since) < 2 * MINUTE for (_, since), over in found.items())
    assert {event["data"]["activity"] for event in quiet} >= {"feeding", "flushing", "finished", "off"}


def test_a_relapse_after_the_nurse_has_mended_it() -> None:
    """Mended at 04:18, the same line blocks again within half an hour and is muted again."""
    world = World(load("demo-night"))
    arrives = world.start_ms + 378 * MINUTE
    run_to(world, arrives)
    world.attend("pump-0108", arrives)
    events = states(run_to(world), "pump-0108")
    feeding = [event for event in events if event["data"]["activity"] == "feeding"]
    again = next(event for event in events if at(event["time"]) > arrives and event["data"]["alarms"])
    assert at(feeding[0]["time"]) - arrives < MINUTE
    assert MINUTE < at(again["time"]) - arrives < 30 * MINUTE
    muted = next(e for e in events if any(a["inactivation"] == "audio-paused" for a in e["data"]["alarms"]))
    assert at(muted["time"]) > at(again["time"])
    assert [one.how for one in world.truth() if one.device == "pump-0108"] == [
        "mended-by-nurse",
        "mended-at-bedside",
    ]


def test_if_every_trouble_is_attended_only_the_relapse_comes_back() -> None:
    """A nurse ten minutes after each need leaves every pump feeding or complete at the end."""
    world = World(load("demo-night"))
    sent: set[tuple[str, int]] = set()
    while (due := world.next_at()) is not None:
        world.advance(due)
        for trouble in world.truth():
            key = (trouble.device, trouble.began)
            if trouble.how == "open" and key not in sent:
                sent.add(key)
                world.attend(trouble.device, due + 10 * MINUTE)
    assert {bed.pump.activity for bed in world.beds.values()} <= {"feeding", "flushing", "finished", "off"}
    assert len(sent) == 9
    assert all(one.how in ("mended-by-nurse", "came-back") for one in world.truth())
