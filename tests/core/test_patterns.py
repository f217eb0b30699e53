"""The exact boundaries of `lasting`, `recurring` and `silent` (design: rule semantics)."""

from __future__ import annotations

import itertools

import pytest

from monitor.core.patterns import Lasting, Recurring, Silent
from tests.core import definition
from tests.core.mutants_lasting import BeginsInAGap, GapFromItsLastSnapshot

T, G = 100, 30
W, Q = 60, 30


def lasting(
    steps: list[tuple[int, bool]], until: int, hold_for: int = T, bridging: int = G
) -> list[tuple[int, bool]]:
    """The changes of `holds` over snapshots (at, value), each instant stepped whole: snapshot, then deadlines at it."""
    memory = Lasting()
    changes: list[tuple[int, bool]] = []

    def note(at: int) -> None:
        if memory.holds != (changes[-1][1] if changes else False):
            changes.append((at, memory.holds))

    for at, value in [*steps, (until, None)]:
        while (due := memory.due(hold_for, bridging)) is not None and (
            due < at or (value is None and due == at)
        ):
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
        (
            [(0, True), (50, False), (60, False), (79, True)],
            [(100, True)],
        ),  # a gap counts from its first snapshot
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
    held = []
    for at in (1_180, 1_359, 1_360):
        memory.advance(at, 180)
        held.append(memory.holds)
    assert held == [False, False, True]
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


# ---- every small trace, against the definition over the whole trace ----------------------------------------------


def lasting_spans(
    samples: list[tuple[int, bool]], hold_for: int, bridging: int, until: int, kind: type[Lasting] = Lasting
) -> list[tuple[int, bool]]:
    """The changes of `holds` of a memory that is driven as a device drives it."""
    memory = kind()
    changes: list[tuple[int, bool]] = []
    before = False

    def note(at: int) -> None:
        nonlocal before
        if memory.holds is not before:
            changes.append((at, memory.holds))
            before = memory.holds

    for at, value in samples:
        while (due := memory.due(hold_for, bridging)) is not None and due < at:
            memory.advance(due, hold_for, bridging)
            note(due)
        memory.update(value, at, hold_for, bridging)
        memory.advance(at, hold_for, bridging)
        note(at)
    while (due := memory.due(hold_for, bridging)) is not None and due <= until:
        memory.advance(due, hold_for, bridging)
        note(due)
    return changes


def changes_of(spans: list[definition.Span], until: int) -> list[tuple[int, bool]]:
    """The changes that spans make, up to and including `until`."""
    found = [(span.begin, True) for span in spans]
    found += [(span.end, False) for span in spans if span.end is not None]
    return sorted(change for change in found if change[0] <= until)


SMALL = [
    [(at, value) for at, value in enumerate(values) if value is not None]
    for values in itertools.product((None, True, False), repeat=7)
]
LASTING_LIMITS = [(hold_for, bridging) for hold_for in (1, 2, 3, 5) for bridging in (0, 1, 2, 3)]


def lasting_disagrees(kind: type[Lasting]) -> list[object]:
    """Every trace of seven ticks, with a snapshot or none at each, on which a memory and the definition differ."""
    return [
        (samples, limits)
        for limits in LASTING_LIMITS
        for samples in SMALL
        if lasting_spans(samples, *limits, 14, kind) != changes_of(definition.lasting(samples, *limits), 14)
    ]


def test_lasting_agrees_with_the_definition_on_every_small_trace() -> None:
    """2,187 traces for each of 16 pairs of T and G."""
    assert lasting_disagrees(Lasting) == []


class BridgesTooMuch(Lasting):
    """A mutant: a gap of exactly G is bridged."""

    def update(self, value: bool, at: int, hold_for: int, bridging: int) -> None:
        """As `Lasting`, one tick too generous."""
        super().update(value, at, hold_for, bridging + 1)


@pytest.mark.parametrize("mutant", [BridgesTooMuch, GapFromItsLastSnapshot, BeginsInAGap])
def test_a_wrong_lasting_is_found(mutant: type[Lasting]) -> None:
    """The comparison can fail: each mutant differs on some trace."""
    assert lasting_disagrees(mutant)


ONSET_STEPS = (None, (0, False), (0, True), (1, True), (2, True))
ONSET_TRACES = [
    [(at, *step) for at, step in enumerate(steps) if step is not None]
    for steps in itertools.product(ONSET_STEPS, repeat=6)
]


def recurring_changes(
    steps: list[tuple[int, int, bool]], times: int, within: int, quiet: int, until: int
) -> list[tuple[int, bool]]:
    """The changes of `holds` of a memory that is driven as a device drives it."""
    memory = Recurring(times)
    changes: list[tuple[int, bool]] = []
    before = False

    def note(at: int) -> None:
        nonlocal before
        if memory.holds is not before:
            changes.append((at, memory.holds))
            before = memory.holds

    for at, new, active in steps:
        while (due := memory.due(quiet)) is not None and due < at:
            memory.advance(due, quiet)
            note(due)
        memory.update(new, active, at, within, quiet)
        memory.advance(at, quiet)
        note(at)
    while (due := memory.due(quiet)) is not None and due <= until:
        memory.advance(due, quiet)
        note(due)
    return changes


@pytest.mark.parametrize(
    ("times", "within", "quiet"), [(2, 3, 2), (3, 3, 1), (3, 5, 3), (1, 2, 2), (4, 4, 5)]
)
def test_recurring_agrees_with_the_definition_on_every_small_trace(
    times: int, within: int, quiet: int
) -> None:
    """15,625 traces of six ticks: no snapshot, clear, still active, one onset, two at once."""
    for steps in ONSET_TRACES:
        onsets = [at for at, new, _ in steps for _ in range(new)]
        active = [(at, shown) for at, _, shown in steps]
        spans = definition.recurring(onsets, active, times, within, quiet)
        found = recurring_changes(steps, times, within, quiet, 14)
        assert found == changes_of(spans, 14), (steps, found)


def test_silent_agrees_with_the_definition_on_every_small_trace() -> None:
    """Every trace of seven ticks with no message, one to be watched after, one to rest after."""
    for samples, silent_for in itertools.product(SMALL, (1, 2, 3)):
        memory = Silent()
        changes: list[tuple[int, bool]] = []
        for at, watched in [*samples, (14, None)]:
            due = memory.due(silent_for)
            if due is not None and (due < at or (watched is None and due == at)):
                memory.advance(due, silent_for)
                changes.append((due, True))
            if watched is not None:
                if memory.holds:
                    changes.append((at, False))
                memory.update(at if watched else None)
        assert changes == changes_of(definition.silent(samples, silent_for), 14), samples
