"""What a rule remembers of one subject: each or together, several conditions, and what comes back from a store."""

from __future__ import annotations

import json
from typing import Any

import pytest

from monitor.core.device import Device, Edge
from monitor.core.picture import Picture
from monitor.core.rulebook import CompiledRule
from monitor.core.tracks import KINDS, LastingTrack, RecurringTrack, SilentTrack, stirred_by
from tests.core.rule_text import LASTING, RECURRING, SILENT, changed, rule
from tests.core.snapshots import alarm, snapshot


def edges(
    compiled: CompiledRule, steps: list[tuple[int, dict[str, Any]]], until: int
) -> list[tuple[int, str, int]]:
    """What one rule tells over some snapshots: instant, what, rank."""
    device = Device("pump-1", Picture("ward-a"), (compiled,))
    found: list[Edge] = []
    for at, said in steps:
        for _, some in device.instants(snapshot(at, **said), at, at):
            found += some
    for _, some in device.instants(None, until, until):
        found += some
    return [(edge.at, edge.kind, edge.rank) for edge in found]


ALTERNATING: list[tuple[int, dict[str, Any]]] = [
    (1_000, {"alarms": (alarm(1, "occlusion"),)}),
    (1_060, {"alarms": (alarm(1, "container-empty"),)}),
    (1_170, {}),
]


def test_each_keeps_one_memory_for_each_condition_and_line() -> None:
    """60 ms of one and 110 ms of another: only the second lasted 100 ms."""
    assert edges(rule(), ALTERNATING, 2_000) == [(1_160, "holds", 2), (1_200, "ends", 2)]


def test_together_keeps_one_memory_for_all() -> None:
    """The same trace as one condition: any alarm for 170 ms."""
    together = rule(changed(LASTING, 'memory = "each"\n', ""))
    assert edges(together, ALTERNATING, 2_000) == [(1_100, "holds", 2), (1_200, "ends", 2)]


def test_the_line_tells_memories_apart() -> None:
    """The same condition on feed and flush is two memories."""
    steps = [
        (1_000, {"alarms": (alarm(1, line="feed"),)}),
        (1_060, {"alarms": (alarm(1, line="flush"),)}),
        (1_120, {}),
    ]
    assert edges(rule(), steps, 2_000) == []


def test_recurring_each_and_together() -> None:
    """Two onsets of two conditions count only together; two of one count either way."""
    steps: list[tuple[int, dict[str, Any]]] = [
        (1_000, {"alarms": (alarm(1, "occlusion"),)}),
        (1_050, {"alarms": (alarm(2, "container-empty"),)}),
        (1_060, {}),
    ]
    assert edges(rule(RECURRING), steps, 2_000) == []
    together = rule(changed(RECURRING, 'memory = "each"\n', ""))
    assert edges(together, steps, 2_000) == [(1_050, "holds", 1), (1_080, "ends", 1)]
    steps[1] = (1_050, {"alarms": (alarm(2, "occlusion"),)})
    assert edges(rule(RECURRING), steps, 2_000) == [(1_050, "holds", 1), (1_080, "ends", 1)]


def test_one_onset_is_enough_where_the_rule_says_once() -> None:
    """`times` of 1 holds at every onset."""
    steps: list[tuple[int, dict[str, Any]]] = [(1_000, {"alarms": (alarm(1),)}), (1_010, {})]
    assert edges(rule(RECURRING, times=1), steps, 2_000) == [(1_000, "holds", 1), (1_030, "ends", 1)]


def test_silence_counts_from_receipt_and_a_clock_ahead_does_not_make_it_silent_at_once() -> None:
    """A snapshot that acts 150 ms after its receipt, with a limit of 100 ms: silent 100 ms after it acted."""
    compiled = rule(SILENT)
    device = Device("pump-1", Picture("ward-a"), (compiled,))
    assert [edge for _, some in device.instants(snapshot(1_050), 1_050, 1_000) for edge in some] == []
    assert device.due() == 1_100
    assert [edge for _, some in device.instants(snapshot(1_200), 1_200, 1_050) for edge in some] != []
    assert device.due() == 1_300
    assert not device.subject.tops


def test_a_silence_counted_anew_is_not_set_back_by_an_answer() -> None:
    """Sight returned after the last message: whatever steps the device counts from then."""
    compiled = rule(SILENT)
    device = Device("pump-1", Picture("ward-a"), (compiled,))
    list(device.instants(snapshot(1_000), 1_000, 1_000))
    device.subject.restart_silence(1_500)
    assert device.due() == 1_600
    device.subject.instant(device.rules, device.picture, 1_550, fresh=True)
    assert device.due() == 1_600


@pytest.mark.parametrize("text", [LASTING, RECURRING, SILENT])
def test_a_track_survives_a_trip_through_json_at_any_step(text: str) -> None:
    """Dumped and loaded between any two snapshots, a rule tells the same as one never stopped."""
    compiled = rule(text)
    steps: list[tuple[int, dict[str, Any]]] = [
        (1_000, {"alarms": (alarm(1),)}),
        (1_040, {"alarms": (alarm(2), alarm(3, "container-empty", priority="high"))}),
        (1_120, {}),
        (1_140, {"alarms": (alarm(4),)}),
        (1_160, {}),
        (1_400, {"activity": "finished"}),
    ]
    expected = edges(compiled, steps, 2_000)
    assert expected
    device = Device("pump-1", Picture("ward-a"), (compiled,))
    found: list[Edge] = []
    for at, said in steps:
        state = json.loads(json.dumps(device.subject.dump(device.rules)))
        device.subject, changed_rules = type(device.subject).load(state, device.rules)
        assert changed_rules == []
        device.picture = Picture.load(json.loads(json.dumps(device.picture.dump())))
        for _, some in device.instants(snapshot(at, **said), at, at):
            found += some
    for _, some in device.instants(None, 2_000, 2_000):
        found += some
    assert [(edge.at, edge.kind, edge.rank) for edge in found] == expected


def test_a_quiet_device_remembers_nothing() -> None:
    """A track goes when a fresh one would behave the same, and `since` tells when what holds began."""
    device = Device("pump-1", Picture("ward-a"), (rule(),))
    list(device.instants(snapshot(1_000, alarms=(alarm(1),)), 1_000, 1_000))
    track = device.subject.tracks["made-up"]
    assert isinstance(track, LastingTrack)
    assert track.since(device.rules[0]) is None
    list(device.instants(None, 1_100, 1_100))
    assert track.since(device.rules[0]) == 1_000
    list(device.instants(snapshot(1_200), 1_200, 1_200))
    list(device.instants(snapshot(1_300), 1_300, 1_300))
    assert device.subject.tracks == {}
    assert device.subject.tops == {}
    assert device.due() is None


def test_stirred_by_takes_the_highest_priority_where_one_memory_serves_all() -> None:
    """Together: two alarms, medium and high, stir one memory with the rank of the high one."""
    picture = Picture("ward-a")
    picture.apply(
        snapshot(1, alarms=(alarm(1), alarm(1, "other", priority="high"), alarm(1, "x", priority="low"))),
        1,
        1,
    )
    assert stirred_by(rule(changed(LASTING, 'memory = "each"\n', "")), picture) == {(0, "", ""): 3}
    assert stirred_by(rule(), picture) == {(0, "occlusion", ""): 2, (0, "other", ""): 3}


def test_there_is_a_track_for_each_pattern() -> None:
    """The table of kinds."""
    assert set(KINDS) == {"lasting", "recurring", "silent"}
    assert set(KINDS.values()) == {LastingTrack, RecurringTrack, SilentTrack}
