"""Rules as data: one TOML file each, checked against the message model, then resolved with a site's thresholds.

`parse(text, file)` gives a `Rule`, or raises `ProblemsFound` with every mistake at once. `resolve(rule, …)` gives a
`CompiledRule`, which is what devices run. There is no expression language: a condition is nested tables of `all`,
`any`, `field` and `alarm`, and a comparison with an unknown value is false.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from monitor.core.messages import SOUND_INACTIVATED, AlarmCondition
from monitor.core.problems import Problem, ProblemsFound, from_validation
from monitor.core.rule_file import (
    AlarmFilter,
    Branch,
    Condition,
    Quantity,
    Rule,
    Trace,
    TraceStep,
    may_be_nothing,
    mistakes,
)

__all__ = [
    "DEVICE_FIELDS",
    "PRIORITY",
    "RANK",
    "UNIT_FIELDS",
    "CompiledBranch",
    "CompiledRule",
    "Quantity",
    "Rule",
    "Trace",
    "TraceStep",
    "override_problem",
    "parse",
    "resolve",
]

RANK = {"low": 1, "medium": 2, "high": 3}
PRIORITY = {rank: name for name, rank in RANK.items()}

# What a condition may look at, with the unit that its thresholds must have ("" for yes/no, "word" for activity).
DEVICE_FIELDS = {
    "activity": "word", "mains": "", "battery_low": "", "battery_percent": "%", "rate_ml_h": "mL/h",
    "delivered_ml": "mL", "target_ml": "mL", "delivering": "", "feed_due": "", "glucose_risk": "", "alarm_active": "",
}  # fmt: skip
UNIT_FIELDS = {"sight_lost": "", "glucose_risk": ""}

Test = Callable[[Any], bool]
AlarmTest = Callable[[AlarmCondition], bool]


@dataclass(frozen=True, slots=True)
class CompiledBranch:
    """A branch ready to run: times in ms, a test of the picture or of one alarm condition, a rank (0: the alarm's)."""

    test: Test | None
    alarm: AlarmTest | None
    hold_for: int
    bridging: int
    times: int
    within: int
    quiet: int
    rank: int


@dataclass(frozen=True, slots=True)
class CompiledRule:
    """A rule with its thresholds resolved; `digest` changes whenever its meaning does."""

    id: str
    about: str
    scope: str
    pattern: str
    each: bool
    branches: tuple[CompiledBranch, ...]
    digest: str
    thresholds: Mapping[str, Quantity]
    source: Rule


def parse(text: str, file: str) -> Rule:
    """Read one rule file; ProblemsFound names every mistake."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProblemsFound([Problem(file, "", "", f"not valid TOML: {error}")]) from None
    try:
        rule = Rule.model_validate_json(json.dumps(data, default=str))
    except ValidationError as error:
        raise ProblemsFound(from_validation(file, error)) from None
    fields = DEVICE_FIELDS if rule.scope == "device" else UNIT_FIELDS
    problems = [Problem(file, *found) for found in mistakes(rule, fields)]
    if problems:
        raise ProblemsFound(problems)
    return rule


def resolve(
    rule: Rule, *, home: bool = False, overrides: Mapping[str, str | int] | None = None
) -> CompiledRule:
    """The rule with this site's thresholds; the overrides must have been checked with `override_problem`."""
    values = dict(overrides or {})
    resolved = {}
    for name, threshold in rule.thresholds.items():
        shipped = threshold.home if home and threshold.home is not None else threshold.value
        resolved[name] = Quantity.parse(values.get(name, shipped))
    meaning = {
        "pattern": rule.pattern,
        "memory": rule.memory,
        "when": [branch.model_dump(mode="json", by_alias=True) for branch in rule.when],
        "thresholds": {name: [quantity.number, quantity.unit] for name, quantity in resolved.items()},
    }
    digest = hashlib.sha256(json.dumps(meaning, sort_keys=True).encode()).hexdigest()[:16]
    branches = tuple(_compile_branch(branch, resolved) for branch in rule.when)
    return CompiledRule(
        rule.id, rule.about, rule.scope, rule.pattern, rule.memory == "each", branches, digest, resolved, rule
    )


def override_problem(rule: Rule, name: str, value: object) -> str | None:
    """What is wrong with a site's value for a threshold, or None."""
    threshold = rule.thresholds.get(name)
    if threshold is None:
        return f"rule {rule.id} has no such threshold; it has {', '.join(rule.thresholds)}"
    if isinstance(value, bool) or not isinstance(value, str | int):
        return f'a quantity like the shipped "{threshold.value}"'
    try:
        quantity = Quantity.parse(value)
    except ValueError as error:
        return str(error)
    wanted = Quantity.parse(threshold.value).unit
    if quantity.unit != wanted:
        return f'a quantity like the shipped "{threshold.value}"'
    if quantity.number <= 0 and not may_be_nothing(rule, name):
        return "more than nothing"
    return None


def _compile_branch(branch: Branch, resolved: Mapping[str, Quantity]) -> CompiledBranch:
    def number(name: str | None) -> int:
        return 0 if name is None else int(resolved[name].number)

    return CompiledBranch(
        test=None if branch.condition is None else _compile(branch.condition, resolved),
        alarm=None if branch.alarm is None else _compile_alarm(branch.alarm),
        hold_for=number(branch.for_),
        bridging=number(branch.bridging),
        times=number(branch.times),
        within=number(branch.within),
        quiet=number(branch.quiet),
        rank=RANK.get(branch.priority, 0),
    )


def _compile(condition: Condition, resolved: Mapping[str, Quantity]) -> Test:
    if condition.all:
        parts = tuple(_compile(part, resolved) for part in condition.all)
        return lambda picture: all(part(picture) for part in parts)
    if condition.any:
        parts = tuple(_compile(part, resolved) for part in condition.any)
        return lambda picture: any(part(picture) for part in parts)
    if condition.alarm is not None:
        alarm = _compile_alarm(condition.alarm)
        return lambda picture: any(alarm(active) for active in picture.alarms)
    name = condition.field
    assert name is not None
    if condition.is_ is not None:
        wanted = condition.is_
        return lambda picture: getattr(picture, name) == wanted
    if condition.below is not None:
        limit = resolved[condition.below].number
        return lambda picture: (value := getattr(picture, name)) is not None and value < limit
    assert condition.above is not None
    limit = resolved[condition.above].number
    return lambda picture: (value := getattr(picture, name)) is not None and value > limit


def _compile_alarm(wanted: AlarmFilter) -> AlarmTest:
    conditions = frozenset(wanted.condition) or None
    priorities = frozenset(wanted.priority or RANK)
    if wanted.sound == "inactivated":
        inactivations = frozenset(SOUND_INACTIVATED)
    elif wanted.sound == "enabled":
        inactivations = frozenset({"enabled"})
    else:
        inactivations = None

    def test(alarm: AlarmCondition) -> bool:
        return (
            alarm.priority in priorities
            and (conditions is None or alarm.condition in conditions)
            and (inactivations is None or alarm.inactivation in inactivations)
        )

    return test
