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
from functools import reduce
from operator import attrgetter
from typing import Any

from pydantic import ValidationError

from monitor.core.instants import MINUTE
from monitor.core.lines import Place, lines_of
from monitor.core.messages import SOUND_INACTIVATED, AlarmCondition
from monitor.core.problems import Problem, ProblemsFound, from_validation
from monitor.core.rule_file import (
    AGAIN,
    AlarmFilter,
    Branch,
    Condition,
    Quantity,
    Rule,
    Trace,
    TraceStep,
    counts_onsets,
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

# What a condition may look at, with the unit that its thresholds must have ("" for yes/no, else the words it may be).
DEVICE_FIELDS = {
    "activity": "activity", "mains": "", "battery_low": "", "battery_percent": "%", "rate_ml_h": "mL/h",
    "delivered_ml": "mL", "target_ml": "mL", "delivering": "", "feed_due": "", "glucose_risk": "", "alarm_active": "",
    "minutes_left": "ms", "losing_charge": "", "in_window": "", "shortfall_ml": "mL", "shortfall_percent": "%",
    "unfit_percent": "%", "over_rate": "", "over_target_percent": "%", "feed_kind": "feed kind",
    "container_hung_for": "ms", "set_hung_for": "ms",
}  # fmt: skip
IN_MINUTES = frozenset({"minutes_left"})  # what is told in minutes, where thresholds are durations in ms
UNIT_FIELDS = {"sight_lost": "", "glucose_risk": "", "drill_missed": ""}

UNKNOWN = Place("a file not recorded", None)
"""Where a threshold stands that came from no file, as in a test."""

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
    only_alarms: bool  # nothing but alarm conditions can stir it
    counts: bool  # it looks at the delivered volume, which changes with each snapshot
    branches: tuple[CompiledBranch, ...]
    digest: str
    thresholds: Mapping[str, Quantity]
    places: Mapping[str, Place]  # where the value of each threshold was written
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
    rule._places = _places(rule, text, file)
    return rule


def _places(rule: Rule, text: str, file: str) -> dict[str, Place]:
    lines = lines_of(text)
    file = "/".join(file.replace("\\", "/").split("/")[-2:])  # where somebody keeps it may name them
    places = {}
    for name, threshold in rule.thresholds.items():
        places[name] = Place(file, lines.get(("thresholds", name, "value")))
        if threshold.home is not None:
            places[f"home {name}"] = Place(file, lines.get(("thresholds", name, "home")))
    return places


def resolve(
    rule: Rule,
    *,
    home: bool = False,
    overrides: Mapping[str, str | int] | None = None,
    written: Mapping[str, Place] | None = None,
) -> CompiledRule:
    """The rule with this site's thresholds; the overrides must have been checked with `override_problem`.

    `written` says where the overrides stand; it changes nothing but what is told of them.
    """
    values = dict(overrides or {})
    resolved, places = {}, {}
    for name, threshold in rule.thresholds.items():
        at_home = home and threshold.home is not None
        shipped = threshold.home if home and threshold.home is not None else threshold.value
        resolved[name] = Quantity.parse(values.get(name, shipped))
        if name in values:
            places[name] = (written or {}).get(name, UNKNOWN)
        else:
            places[name] = rule.places.get(f"home {name}" if at_home else name, UNKNOWN)
    meaning = {
        "pattern": rule.pattern,
        "memory": rule.memory,
        "when": [branch.model_dump(mode="json", by_alias=True) for branch in rule.when],
        "thresholds": {name: [quantity.number, quantity.unit] for name, quantity in resolved.items()},
    }
    digest = hashlib.sha256(json.dumps(meaning, sort_keys=True).encode()).hexdigest()[:16]
    branches = tuple(_compile_branch(branch, resolved) for branch in rule.when)
    return CompiledRule(
        id=rule.id,
        about=rule.about,
        scope=rule.scope,
        pattern=rule.pattern,
        each=rule.memory == "each",
        only_alarms=all(branch.alarm is not None for branch in branches),
        counts=any(
            branch.condition is not None and _looks_at(branch.condition, "delivered_ml")
            for branch in rule.when
        ),
        branches=branches,
        digest=digest,
        thresholds=resolved,
        places=places,
        source=rule,
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
    if quantity.number == 1 and counts_onsets(rule, name):
        return AGAIN
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


def _looks_at(condition: Condition, field: str) -> bool:
    parts = [*(condition.all or ()), *(condition.any or ())]
    return condition.field == field or any(_looks_at(part, field) for part in parts)


def _compile(condition: Condition, resolved: Mapping[str, Quantity]) -> Test:
    # Pairs, not all() over a generator: every condition is asked at every snapshot.
    if condition.all:
        return reduce(_both, (_compile(part, resolved) for part in condition.all))
    if condition.any:
        return reduce(_either, (_compile(part, resolved) for part in condition.any))
    if condition.alarm is not None:
        alarm = _compile_alarm(condition.alarm)
        return lambda picture: any(alarm(active) for active in picture.alarms)
    name = condition.field
    assert name is not None
    told = attrgetter(name)
    if condition.is_ is not None:
        wanted = condition.is_
        return lambda picture: bool(told(picture) == wanted)
    scale = MINUTE if name in IN_MINUTES else 1
    if condition.below is not None:
        limit = resolved[condition.below].number / scale
        return lambda picture: (value := told(picture)) is not None and value < limit
    assert condition.above is not None
    limit = resolved[condition.above].number / scale
    return lambda picture: (value := told(picture)) is not None and value > limit


def true_of(condition: Condition, resolved: Mapping[str, Quantity], picture: Any) -> bool:
    """Whether a condition is true of a picture, with these thresholds."""
    return _compile(condition, resolved)(picture)


def _both(one: Test, other: Test) -> Test:
    return lambda picture: one(picture) and other(picture)


def _either(one: Test, other: Test) -> Test:
    return lambda picture: one(picture) or other(picture)


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
