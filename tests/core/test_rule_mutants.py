"""The comparison with the definition can fail: wrong signals and wrong rule files are found by stories full of ties."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cache

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from monitor.adapters.zones import zone_table
from monitor.core.device import Device, Subject
from monitor.core.messages import AlarmCondition
from monitor.core.picture import Picture
from monitor.core.plans import UTC
from monitor.core.rulebook import CompiledRule, Rule, parse, resolve
from monitor.shipped import shipped as folder_of
from tests.core.definition import PLAN_RULES, RULES, Event, told
from tests.core.mutants_plan import BATTERY, DUE, GIVEN, OVER, SHORT, TEXTS, Patch
from tests.core.plan_stories import battery_stories, hang_stories, plan_stories
from tests.core.snapshots import snapshot
from tests.core.tie_stories import TIES
from tests.core.traces import Story, plan_of, stories

COUNTS = {"plan": 250, "battery": 150, "chatter": 80, "hung": 60}
ABOUT = {
    "chattering": "chatter",
    "hung-too-long": "hung",
    "low-power-unplugged": "battery",
    "not-charging": "battery",
}  # all others: plan


def strategy(about: str) -> st.SearchStrategy[Story]:
    """The stories of a kind."""
    chatter = stories("chatter", most=20)
    return {"plan": plan_stories(), "battery": battery_stories(), "hung": hang_stories(), "chatter": chatter}[
        about
    ]


@cache
def corpus(about: str) -> list[Story]:
    """Stories of a kind, always the same ones: those told by hand, and random ones."""
    found = list(TIES[about]())

    @settings(
        max_examples=COUNTS[about],
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(strategy(about))
    def collect(story: Story) -> None:
        found.append(story)

    collect()
    return found


@cache
def expected(about: str, rules: tuple[str, ...]) -> list[list[Event]]:
    """What these rules tell of each story by the definition."""
    return [
        sorted(event for rule in rules for event in told(rule, story.snaps, story.until, story.feed))
        for story in corpus(about)
    ]


def by_device(story: Story, rules: Sequence[CompiledRule], *, restarts: bool = False) -> list[Event]:
    """What one device with these rules tells of a story, put away and taken up again before each snapshot or not."""
    device = Device("pump-1", Picture("ward-a"), tuple(rules))
    zone = UTC
    if story.feed is not None:
        device.picture.plan, zone = plan_of(story.feed), zone_table(story.feed.zone)
    found: list[Event] = []
    for number, snap in enumerate(story.snaps, 1):
        alarms = tuple(
            AlarmCondition(a.condition, a.line, a.priority, a.inactivation, a.since) for a in snap.alarms
        )
        said = snapshot(
            snap.at, sequence=number, activity=snap.activity, alarms=alarms, mains=snap.mains,
            battery_percent=snap.percent, battery_low=snap.low, rate_ml_h=snap.rate,
            delivered_ml=snap.delivered, target_ml=snap.target,
        )  # fmt: skip
        if restarts:
            device.picture = Picture.load(json.loads(json.dumps(device.picture.dump())))
            device.subject, _ = Subject.load(json.loads(json.dumps(device.subject.dump(rules))), rules)
        for at, edges in device.instants(said, snap.at, snap.at, zone):
            found += [(at, edge.kind, edge.rule.id, NAMES[edge.rank]) for edge in edges]
    for at, edges in device.instants(None, story.until, story.until, zone):
        found += [(at, edge.kind, edge.rule.id, NAMES[edge.rank]) for edge in edges]
    return sorted(found)


NAMES = {1: "low", 2: "medium", 3: "high"}
ABOUT_PLANS = tuple(PLAN_RULES)
ABOUT_POWER = ("low-power-unplugged", "not-charging")


def compiled(shipped: Sequence[Rule], names: Sequence[str]) -> list[CompiledRule]:
    """Some of the shipped rules."""
    return [resolve(rule) for rule in shipped if rule.id in names]


def found(about: str, names: tuple[str, ...], rules: Sequence[CompiledRule]) -> bool:
    """Whether some story tells rules, or signals, from what they should be."""
    return any(
        by_device(story, rules) != right
        for story, right in zip(corpus(about), expected(about, names), strict=True)
    )


@pytest.mark.parametrize("about", COUNTS)
def test_the_stories_find_nothing_wrong_and_tell_much(shipped: tuple[Rule, ...], about: str) -> None:
    """With nothing changed they agree, and each rule in question holds and ends often."""
    names = (*RULES, *PLAN_RULES) if about != "chatter" else ("chattering",)
    assert not found(about, names, compiled(shipped, names))
    edges = [event[1:3] for story in expected(about, names) for event in story]
    for rule in ABOUT_PLANS if about == "plan" else [rule for rule, kind in ABOUT.items() if kind == about]:
        assert edges.count(("holds", rule)) >= 10, (rule, edges.count(("holds", rule)))


@pytest.mark.parametrize("about", COUNTS)
def test_a_restart_before_each_snapshot_changes_nothing(shipped: tuple[Rule, ...], about: str) -> None:
    """Every signal and every memory survives a trip through JSON."""
    rules = compiled(shipped, (*RULES, *PLAN_RULES))
    for story in corpus(about)[::3]:
        assert by_device(story, rules, restarts=True) == by_device(story, rules)


@pytest.mark.parametrize("change", TEXTS, ids=lambda change: f"{change[0]}: {change[1]} {change[2]}"[:90])
def test_a_wrong_rule_is_found(change: tuple[str, str, str]) -> None:
    """One threshold, a millisecond or a percent off, or one condition left out."""
    name, old, new = change
    text = (folder_of("rules") / f"{name}.toml").read_text(encoding="utf-8")
    assert text.count(old) == 1, (old, text.count(old))
    wrong = resolve(parse(text.replace(old, new), f"{name}.toml"))
    assert found(ABOUT.get(name, "plan"), (name,), [wrong])


FAMILIES = {"given": GIVEN, "due": DUE, "over": OVER, "short": SHORT, "battery": BATTERY}


@pytest.mark.parametrize(
    ("family", "name"), [(family, name) for family, mutants in FAMILIES.items() for name in mutants]
)
def test_a_wrong_signal_is_found(
    shipped: tuple[Rule, ...], monkeypatch: pytest.MonkeyPatch, family: str, name: str
) -> None:
    """One mistake in how a signal is derived."""
    about, names = ("battery", ABOUT_POWER) if family == "battery" else ("plan", ABOUT_PLANS)
    rules = compiled(shipped, names)
    expected(about, names)
    patch: Patch = FAMILIES[family][name]
    monkeypatch.setattr(*patch)
    assert found(about, names, rules)


def test_there_are_enough_of_each() -> None:
    """At least six for each family of signals and each new rule but `not-charging`, which has its signal's."""
    assert all(len(mutants) >= 6 for mutants in FAMILIES.values())
    counted = [name for name, _, _ in TEXTS]
    assert all(counted.count(name) >= 6 for name in set(counted) - {"not-charging"})
