"""The exact boundaries of `lasting`, `recurring` and `silent` (design: rule semantics)."""

from __future__ import annotations

import pytest

from monitor.core.patterns import Lasting, Recurring, Silent

T, G = 100, 30
W, Q = 60, 30


def lasting(steps: list[tuple[int, bool]], until: int, hold_for: int = T, bridging: int = G) -> list[tuple[int, bool]]:
    """The changes of `holds` over snapshots (at, value), each instant stepped whole: snapshot, then deadlines at it."""
    memory = Lasting()
    changes: list[tuple[int, bool]] = []

    def note(at: int) -> None:
        if memory.holds != (changes[-1][1] if changes else False):
            changes.append((at, memory.holds))

    for at, value in [*steps, (until, None)]:
        while (due := memory.due(hold_for, bridging)) is not None and (due < at or (value is None and due == at)):
            memory.advance(due, hold_for, bridging)
            note(due)
        if value is not None:
            memory.update(value, at, hold_for, bridging)
            memory.advance(at, hold_for, bridging)
            note(at)
    return changes


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        ([(0, True)], [(100, True)]),
        ([(0, True), (99, False)], []),
        ([(0, True), (100, False)], []),  # the snapshot at exactly start + T comes first
        ([(0, True), (101, False)], [(100, True), (131, False)]),  # holds until gap start + G
        ([(0, True), (50, False), (79, True)], [(100, True)]),  # a gap shorter than G is bridged
        ([(0, True), (50, False), (80, True)], [(180, True)]),  # true at exactly gap start + G: a new run
        ([(0, True), (90, False), (110, True)], [(110, True)]),  # start + T in a gap: begins when it returns
        ([(0, True), (150, False), (180, True)], [(100, True), (180, False), (280, True)]),
        ([(0, True), (150, False), (179, True)], [(100, True)]),
        ([(0, True), (50, False), (60, False), (79, True)], [(100, True)]),  # a gap counts from its first snapshot
        ([(0, False), (10, True)], [(110, True)]),
        ([(0, True), (10, False), (50, False), (60, True)], [(160, True)]),
    ],
)
def test_lasting_begins_and_ends_at_the_exact_millisecond(
    steps: list[tuple[int, bool]], expected: list[tuple[int, bool]]
) -> None:
    """Each boundary of the definition, to the millisecond."""
    assert lasting(steps, until=400) == expected


def test_lasting_without_bridging_ends_with_the_condition() -> None:
    """With G = 0 the first false snapshot ends it."""
    assert lasting([(0, True), (150, False)], until=400, bridging=0) == [(100, True), (150, False)]


def test_lasting_for_nothing_holds_at_once() -> None:
    """With T = 0 it holds while the condition is true."""
    assert lasting([(5, True), (9, False)], until=50, hold_for=0, bridging=0) == [(5, True), (9, False)]


def recurring(onsets: list[int], clears: int, until: int, times: int = 3) -> list[tuple[int, bool]]:
    """The changes of `holds` for onsets at instants, all clear from `clears` on."""
    memory = Recurring(times)
    changes: list[tuple[int, bool]] = []

    def note(at: int) -> None:
        if memory.holds != (changes[-1][1] if changes else False):
            changes.append((at, memory.holds))

    events = sorted({*onsets, clears, until})
    for at in events:
        while (due := memory.due(Q)) is not None and due < at:
            memory.advance(due, Q)
            note(due)
        memory.update(onsets.count(at), at < clears, at, W, Q)
        memory.advance(at, Q)
        note(at)
    return changes


@pytest.mark.parametrize(
    ("onsets", "clears", "expected"),
    [
        ([0, 30, 59], 60, [(59, True), (89, False)]),
        ([0, 30, 60], 61, []),  # one exactly W ago does not count
        ([1, 30, 60], 61, [(60, True), (90, False)]),
        ([5, 5, 5], 6, [(5, True), (35, False)]),  # simultaneous onsets each count
        ([0, 1, 2], 100, [(2, True), (100, False)]),  # active: does not end before it is clear
        ([0, 1, 2, 32], 33, [(2, True), (62, False)]),  # an onset at exactly last + Q prevents the end
        ([0, 1, 2, 33], 3, [(2, True), (32, False), (33, True), (63, False)]),  # ending forgets no onset
        ([0, 1], 2, []),
    ],
)
def test_recurring_counts_the_half_open_window(
    onsets: list[int], clears: int, expected: list[tuple[int, bool]]
) -> None:
    """The window (t - W, t], simultaneous onsets, the quiet time and its tie."""
    assert recurring(onsets, clears, until=200) == expected


def test_silent_holds_from_last_message_plus_t_and_a_message_then_prevents_it() -> None:
    """The deadline is exact, and a message at exactly that instant comes first."""
    memory = Silent()
    memory.update(1_000)
    assert memory.due(180) == 1_180
    memory.update(1_180)
    memory.advance(1_180, 180)
    assert not memory.holds
    memory.advance(1_359, 180)
    assert not memory.holds
    memory.advance(1_360, 180)
    assert memory.holds
    assert memory.due(180) is None
    memory.update(2_000)
    assert not memory.holds


def test_silent_rests() -> None:
    """After a rest there is no deadline until the next message."""
    memory = Silent()
    memory.update(1_000)
    memory.update(None)
    assert memory.due(180) is None
    memory.advance(9_999_999, 180)
    assert not memory.holds


def test_memories_survive_a_dump() -> None:
    """What was dumped goes on as if nothing had happened."""
    run = Lasting()
    run.update(True, 7, T, G)
    run.update(False, 20, T, G)
    again = Lasting.load(run.dump())
    assert again.dump() == run.dump()
    onsets = Recurring(3)
    onsets.update(2, True, 9, W, Q)
    assert Recurring.load(onsets.dump(), 3).dump() == onsets.dump()
    silence = Silent()
    silence.update(3)
    assert Silent.load(silence.dump()).dump() == silence.dump()
