"""One instant of one device is one step: deadlines before it, the snapshot, deadlines at it."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.core.device import Device, Subject
from monitor.core.picture import Picture
from monitor.core.rulebook import CompiledRule
from tests.core.rule_text import LASTING, SILENT, changed, rule
from tests.core.snapshots import alarm, snapshot


def device(*rules: CompiledRule) -> Device:
    """A device that has told nothing yet."""
    return Device("pump-1", Picture("ward-a"), rules or (rule(),))


def stepped(one: Device, at: int, **said: Any) -> list[tuple[int, list[tuple[str, int]]]]:
    """Each instant that a snapshot makes the device step through, with what it tells."""
    return [
        (instant, [(edge.kind, edge.rank) for edge in edges])
        for instant, edges in one.instants(snapshot(at, **said), at, at)
    ]


def passed(one: Device, until: int) -> list[tuple[int, list[tuple[str, int]]]]:
    """Each instant that a wait makes the device step through."""
    return [
        (instant, [(edge.kind, edge.rank) for edge in edges])
        for instant, edges in one.instants(None, until, until)
    ]


def test_deadlines_before_a_snapshot_are_instants_of_their_own() -> None:
    """Two deadlines lie before the snapshot: each is stepped through at its own instant."""
    one = device()
    stepped(one, 1_000, alarms=(alarm(1),))
    assert stepped(one, 1_150) == [(1_100, [("holds", 2)]), (1_150, [])]
    assert stepped(one, 1_500) == [(1_180, [("ends", 2)]), (1_500, [])]


def test_a_snapshot_at_the_instant_of_a_deadline_comes_first() -> None:
    """Clear at exactly start + T: it never held."""
    one = device()
    stepped(one, 1_000, alarms=(alarm(1),))
    assert stepped(one, 1_100) == [(1_100, [])]


def test_what_ends_and_begins_again_at_one_instant_is_no_event() -> None:
    """One memory ends by its deadline at the instant at which another begins to hold."""
    one = device()
    first, second = alarm(1), alarm(1, "container-empty")
    stepped(one, 1_000, alarms=(first,))
    stepped(one, 1_100, alarms=(first,))
    stepped(one, 1_170, alarms=(first, second))
    stepped(one, 1_240, alarms=(second,))  # the first one's gap is over at 1,270; the second ripens then
    assert stepped(one, 1_400) == [(1_270, []), (1_400, [])]
    assert passed(one, 2_000) == [(1_430, [("ends", 2)])]


def test_a_wait_steps_up_to_and_including_its_end() -> None:
    """A deadline at exactly the end fires; one later does not."""
    one = device()
    stepped(one, 1_000, alarms=(alarm(1),))
    assert passed(one, 1_099) == []
    assert passed(one, 1_100) == [(1_100, [("holds", 2)])]
    assert one.subject.stepped == 1_100


def test_a_rank_that_rises_is_told_once_and_never_falls() -> None:
    """Medium, high, medium, high: one `priority-raised`; the end tells the highest."""
    one = device()
    stepped(one, 1_000, alarms=(alarm(1),))
    told = passed(one, 1_100)
    for at, priority in ((1_110, "high"), (1_120, "medium"), (1_130, "high")):
        told += stepped(one, at, alarms=(alarm(1, priority=priority),))
    told += [*stepped(one, 1_140), *passed(one, 1_500)]
    assert [event for _, events in told for event in events] == [
        ("holds", 2),
        ("priority-raised", 3),
        ("ends", 3),
    ]


def test_an_edge_says_since_when() -> None:
    """A run's start, not the instant at which it began to hold, nor the alarm's own `since`."""
    one = device()
    stepped(one, 1_000, alarms=(alarm(1),))
    ((_, (edge,)),) = one.instants(None, 1_100, 1_100)
    assert (edge.at, edge.kind, edge.since) == (1_100, "holds", 1_000)


def test_a_changed_rule_starts_afresh() -> None:
    """Memory is kept for the digest it was made under: another threshold, another memory."""
    one = device()
    stepped(one, 1_000, alarms=(alarm(1),))
    passed(one, 1_100)
    state = one.subject.dump(one.rules)
    same, changed_rules = Subject.load(state, one.rules)
    assert (changed_rules, same.tops) == ([], {"made-up": 2})
    fresh, changed_rules = Subject.load(state, (rule(patience="200 ms"),))
    assert (changed_rules, fresh.tops, fresh.tracks) == (["made-up"], {}, {})
    gone, changed_rules = Subject.load(state, ())
    assert (changed_rules, gone.tops) == (["made-up"], {})


@pytest.mark.parametrize("lost", [1_050, 1_099, 1_100])
def test_silence_counts_anew_when_sight_returns(lost: int) -> None:
    """What is not yet silent counts from the return; what holds already goes on."""
    one = device(rule(SILENT))
    stepped(one, 1_000)
    passed(one, lost)
    one.subject.restart_silence(lost)
    assert one.due() == (None if lost == 1_100 else lost + 100)


def test_the_calm_is_a_deadline_too() -> None:
    """Whoever waits for the device to be safe again is woken at that instant, once."""
    one = device(rule(changed(LASTING, 'value = "100 ms"', 'value = "1 h"')))
    stepped(one, 1_000)
    one.calm_due = 1_060
    assert one.due() == 1_060
    assert passed(one, 2_000) == [(1_060, [])]
    assert one.due() is None
