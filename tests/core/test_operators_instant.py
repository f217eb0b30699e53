"""One instant of a device is one step: against the definition and rtamt on random traces full of ties; and mutants.

Three rules at once, each with one memory for each alarm condition where it has any: what a device tells is what any
memory holds after the whole instant.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from random import Random
from typing import NamedTuple

import pytest

from monitor.core.device import Device
from monitor.core.picture import Picture
from monitor.core.rulebook import CompiledRule
from tests.core import definition
from tests.core.definition import RANK, Alarm, Memory, Snap
from tests.core.driven import instants
from tests.core.mutants_instant import MUTANTS, RANK_ONLY
from tests.core.rule_text import LASTING, RECURRING, SILENT, changed, rule
from tests.core.snapshots import alarm, snapshot
from tests.core.temporal_logic import by_rtamt, condensed, lasting_formulas, once, pulses, recurring_formulas

CONDITIONS = ("container-empty", "occlusion")
Told = list[tuple[int, str, str, int]]  # instant, what, rule, rank


class Limits(NamedTuple):
    """The thresholds of the three rules, in ms."""

    hold_for: int
    bridging: int
    times: int
    within: int
    quiet: int
    silent_for: int

    @property
    def rules(self) -> tuple[CompiledRule, ...]:
        """The rules with these thresholds."""
        lasts = {"patience": f"{self.hold_for} ms", "gap": f"{self.bridging} ms"}
        recurs = {"patience": f"{self.within} ms", "gap": f"{self.quiet} ms"}
        return (
            rule(changed(LASTING, '"made-up"', '"lasts"'), **lasts),
            rule(changed(RECURRING, '"made-up"', '"recurs"'), times=self.times, **recurs),
            rule(changed(SILENT, '"made-up"', '"silent"'), patience=f"{self.silent_for} ms"),
        )


class Trace(NamedTuple):
    """Snapshots, waits between them, and an end, often at a deadline."""

    snaps: list[Snap]
    waits: list[int]
    end: int


LIMITS = [
    Limits(10, 4, 2, 9, 5, 7),
    Limits(3, 3, 2, 4, 2, 3),
    Limits(6, 2, 2, 12, 3, 6),
    Limits(4, 9, 3, 20, 6, 2),
]
FEW, MANY = 120, 1_500  # traces for each


def trace(rng: Random, limits: Limits) -> Trace:
    """A random device: two alarm conditions that come, go, rise and tell an earlier `since`; fed, done or off."""
    snaps: list[Snap] = []
    waits: list[int] = []
    alarms: dict[str, Alarm] = {}
    since = dict.fromkeys(CONDITIONS, 0)
    activity = "feeding"
    for at in instants(rng, (limits.hold_for, limits.bridging, limits.quiet, limits.silent_for, 1, 2), 14):
        if snaps and rng.random() < 0.15:
            waits.append(at)
            continue
        activity = rng.choice((activity, activity, "feeding", "held", "finished", "off"))
        condition = rng.choice(CONDITIONS)
        shown = alarms.pop(condition, None)
        if shown is None or rng.random() < 0.4:
            if since[condition] == 0 or rng.random() < 0.6:  # an onset, else the one that was there before
                since[condition] = max(since[condition] + 1, at - rng.choice((0, 0, 1, 3)))
            priority = rng.choice(("medium", "medium", "high"))
            alarms[condition] = Alarm(condition, "", priority, "enabled", since[condition])
        snaps.append(Snap(at, activity, tuple(alarms.values())))
    last = max([snaps[-1].at, *waits])
    return Trace(snaps, waits, last + rng.choice((*limits, 2 * max(limits))))


@cache
def traces(limits: Limits, count: int) -> list[Trace]:
    """Random traces, always the same ones."""
    rng = Random(f"instant {limits}")
    return [trace(rng, limits) for _ in range(count)]


def told_by(kind: type[Device], one: Trace, rules: tuple[CompiledRule, ...]) -> Told:
    """What a device tells of a trace, as of the instants that it steps through."""
    device = kind("pump-1", Picture("ward-a"), rules)
    events = sorted([(snap.at, snap) for snap in one.snaps] + [(at, None) for at in [*one.waits, one.end]])
    told: Told = []
    for at, snap in events:
        taken = None
        if snap is not None:
            alarms = tuple(alarm(a.since, a.condition, priority=a.priority) for a in snap.alarms)
            taken = snapshot(at, activity=snap.activity, alarms=alarms)
        for instant, edges in device.instants(taken, at, at):
            told += [(instant, edge.kind, edge.rule.id, edge.rank) for edge in edges]
    return sorted(told)


class Said(NamedTuple):
    """What the snapshots of a trace say about one alarm condition."""

    active: list[tuple[int, bool]]
    onsets: list[int]
    ranks: list[tuple[int, int]]  # where active


def said(snaps: Sequence[Snap], condition: str) -> Said:
    """What the snapshots say about one alarm condition."""
    shown = [(snap.at, [a for a in snap.alarms if a.condition == condition]) for snap in snaps]
    return Said(
        [(at, bool(found)) for at, found in shown],
        definition.onsets(snaps, (condition,)),
        [(at, RANK[found[0].priority]) for at, found in shown if found],
    )


def watched(snaps: Sequence[Snap]) -> list[tuple[int, bool]]:
    """Whether a silence after each snapshot counts."""
    due = definition.feed_due(snaps)
    return [(snap.at, fed and snap.activity != "off") for snap, fed in zip(snaps, due, strict=True)]


def memories(snaps: Sequence[Snap], limits: Limits) -> dict[str, list[Memory]]:
    """Each rule's memories by the definition."""
    found: dict[str, list[Memory]] = {"lasts": [], "recurs": [], "silent": []}
    for condition in CONDITIONS:
        active, onsets, ranks = said(snaps, condition)

        def rank(t: int, ranks: list[tuple[int, int]] = ranks) -> int:
            return [rank for at, rank in ranks if at <= t][-1]

        spans = definition.lasting(active, limits.hold_for, limits.bridging)
        found["lasts"].append(Memory(spans, rank))
        spans = definition.recurring(onsets, active, limits.times, limits.within, limits.quiet)
        found["recurs"].append(Memory(spans, lambda _: RANK["low"]))
    spans = definition.silent(watched(snaps), limits.silent_for)
    found["silent"].append(Memory(spans, lambda _: RANK["medium"]))
    return found


@cache
def by_definition(limits: Limits, count: int) -> list[Told]:
    """What a device must tell of each trace: the highest rank of all memories, which rises but never falls."""
    return [_told(memories(one.snaps, limits), one) for one in traces(limits, count)]


def _told(found: dict[str, list[Memory]], one: Trace) -> Told:
    told: Told = []
    for name, kept in found.items():
        looks = {snap.at for snap in one.snaps}
        looks |= {t for memory in kept for span in memory.spans for t in span if t is not None}
        top = 0
        for t in sorted(t for t in looks if t <= one.end):
            ranks = [memory.rank(t) for memory in kept if any(span.covers(t) for span in memory.spans)]
            highest = max(ranks, default=0)
            if highest > top:
                told.append((t, "priority-raised" if top else "holds", name, highest))
                top = highest
            elif top and not highest:
                told.append((t, "ends", name, top))
                top = 0
    return sorted(told)


@cache
def by_temporal_logic(limits: Limits, count: int) -> list[list[tuple[int, str, str]]]:
    """When each rule begins and ends to hold on each trace, by rtamt: one formula a rule, memories joined by `or`."""
    lasts, recurs = [], []
    for name in ("x", "y"):
        alive, ripe, extra = lasting_formulas(limits.hold_for, limits.bridging)
        lasts.append(f"(once[0:{extra}] ({alive} since {ripe}))".replace("<", f"<{name}"))
        alive, ripe = recurring_formulas(limits.times, limits.within, limits.quiet)
        recurs.append(f"({alive} since {ripe})".replace("<", f"<{name}"))
    silent = f"(<w> and (not {once(limits.silent_for - 1, '<m>')}))"
    found = traces(limits, count)
    end = max(one.end for one in found)
    signals: dict[str, list[dict[str, list[tuple[int, bool]]]]] = {"lasts": [], "recurs": [], "silent": []}
    for one in found:
        alarms = {name: said(one.snaps, c) for name, c in zip(("x", "y"), CONDITIONS, strict=True)}
        active = {name: condensed(told.active) for name, told in alarms.items()}
        signals["lasts"].append({f"{name}p": active[name] for name in alarms})
        onsets = {
            f"{name}o{n}": pulses(told.onsets[n :: limits.times])
            for name, told in alarms.items()
            for n in range(limits.times)
        }
        signals["recurs"].append(onsets | {f"{name}a": active[name] for name in alarms})
        messages = pulses([snap.at for snap in one.snaps])
        signals["silent"].append({"m": messages, "w": condensed(watched(one.snaps))})
    told: list[list[tuple[int, str, str]]] = [[] for _ in found]
    for name, formula in (("lasts", " or ".join(lasts)), ("recurs", " or ".join(recurs)), ("silent", silent)):
        for number, changes in enumerate(by_rtamt(formula, signals[name], end)):
            edges = [(at, "holds" if value else "ends", name) for at, value in changes]
            told[number] += [edge for edge in edges if edge[0] <= found[number].end]
    return [sorted(edges) for edges in told]


def without_ranks(told: Told) -> list[tuple[int, str, str]]:
    """Only what a monitor of true and false can tell."""
    return [(at, kind, name) for at, kind, name, _ in told if kind != "priority-raised"]


def differing(kind: type[Device], formal: bool, count: int = FEW) -> list[object]:
    """The traces on which a device and what it is compared with differ, with what each tells."""
    found: list[object] = []
    for limits in LIMITS:
        rules = limits.rules
        for number, one in enumerate(traces(limits, count)):
            ours = told_by(kind, one, rules)
            if formal:
                theirs = by_temporal_logic(limits, count)[number]
                if without_ranks(ours) != theirs:
                    found.append((limits, one, without_ranks(ours), theirs))
            elif ours != (expected := by_definition(limits, count)[number]):
                found.append((limits, one, ours, expected))
    return found


FORMAL = [pytest.param(False, id="definition"), pytest.param(True, id="rtamt")]


@pytest.mark.parametrize("formal", FORMAL)
def test_a_device_agrees(formal: bool) -> None:
    """Some hundreds of traces, each edge at its instant."""
    assert differing(Device, formal)[:3] == []


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("formal", FORMAL)
def test_a_device_agrees_on_thousands(formal: bool) -> None:
    """The same on thousands."""
    assert differing(Device, formal, MANY)[:3] == []


@pytest.mark.parametrize(
    ("mutant", "formal"),
    [
        pytest.param(kind, formal, id=f"{kind.__name__}-{'rtamt' if formal else 'definition'}")
        for kind in MUTANTS
        for formal in (False, True)
        if not (formal and kind in RANK_ONLY)
    ],
)
def test_a_wrong_step_is_found(mutant: type[Device], formal: bool) -> None:
    """Each mutant differs on some trace; those about priority only from the definition, which knows it."""
    assert differing(mutant, formal)


def test_the_traces_tell_something() -> None:
    """Every rule holds and ends often, and priorities rise, with each set of limits."""
    assert len(MUTANTS) >= 6
    for limits in LIMITS:
        told = [edge[1:3] for trace in by_definition(limits, FEW) for edge in trace]
        for name in ("lasts", "recurs", "silent"):
            assert min(told.count(("holds", name)), told.count(("ends", name))) >= FEW // 15, (limits, name)
        assert told.count(("priority-raised", "lasts")) >= 3, limits
