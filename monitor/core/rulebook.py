"""Rules as data: one TOML file each, checked against the message model, then resolved with a site's thresholds.

`parse(text, file)` gives a `Rule`, or raises `ProblemsFound` with every mistake at once. `resolve(rule, …)` gives a
`CompiledRule`, which is what devices run. There is no expression language: a condition is nested tables of `all`,
`any`, `field` and `alarm`, and a comparison with an unknown value is false.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, NamedTuple, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from monitor.core.instants import parse_duration
from monitor.core.messages import ACTIVITIES, SOUND_INACTIVATED, AlarmCondition
from monitor.core.problems import Problem, ProblemsFound, from_validation

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


class Strict(BaseModel):
    """A table in a rule file: nothing unknown, nothing changed afterwards."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Quantity(NamedTuple):
    """A number with its unit: `ms` for durations, `%`, `mL`, `mL/h`, or `times`."""

    number: float
    unit: str

    @classmethod
    def parse(cls, value: str | int) -> Quantity:
        """Read "4 min", "20 %", "100 mL", "150 mL/h" or a bare count; ValueError says what was expected."""
        if isinstance(value, int):
            return cls(value, "times")
        if match := re.fullmatch(r"(\d+(?:\.\d+)?) ?(%|mL|mL/h)", value.strip()):
            return cls(float(match[1]), match[2])
        try:
            return cls(parse_duration(value), "ms")
        except ValueError:
            raise ValueError(
                'a quantity with its unit, such as "4 min", "20 %", "100 mL" or "150 mL/h", or a whole number'
            ) from None


class Threshold(Strict):
    """One number of a rule, why it is what it is, and where that comes from."""

    value: str | int
    home: str | int | None = Field(None, description="the value at a home-feeding service, where it differs")
    reason: str = Field(min_length=10)
    source: str = Field(min_length=2)
    looser: Literal["higher", "lower"] = Field(description="in which direction the rule gets less watchful")

    @model_validator(mode="after")
    def _readable(self) -> Self:
        unit = Quantity.parse(self.value).unit
        if self.home is not None and Quantity.parse(self.home).unit != unit:
            raise ValueError(f"home must have the unit of value ({unit})")
        return self


class AlarmFilter(Strict):
    """Which alarm conditions are meant; what is not said does not matter."""

    condition: tuple[Annotated[str, Field(pattern=r"^[a-z0-9-]{1,40}$")], ...] = ()
    priority: tuple[Literal["high", "medium", "low"], ...] = ()
    sound: Literal["inactivated", "enabled"] | None = None


class Condition(Strict):
    """Exactly one of: all, any, alarm, or field with one comparison."""

    all: tuple[Condition, ...] = ()
    any: tuple[Condition, ...] = ()
    alarm: AlarmFilter | None = None
    field: str | None = None
    is_: bool | str | None = Field(None, alias="is")
    below: str | None = None
    above: str | None = None

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        kinds = [bool(self.all), bool(self.any), self.alarm is not None, self.field is not None]
        if sum(kinds) != 1:
            raise ValueError("exactly one of all, any, alarm, field")
        comparisons = sum(value is not None for value in (self.is_, self.below, self.above))
        if comparisons != (self.field is not None):
            raise ValueError("a field takes exactly one of is, below, above; nothing else takes any")
        return self


class Branch(Strict):
    """One condition of a rule with its own times; `for` and the like name thresholds."""

    condition: Condition | None = None
    alarm: AlarmFilter | None = None
    for_: str | None = Field(None, alias="for")
    bridging: str | None = None
    times: str | None = None
    within: str | None = None
    quiet: str | None = None
    priority: Literal["high", "medium", "low", "alarm"]


class Checks(Strict):
    """What a notice asks to look at, at the 1st, 2nd and 3rd time."""

    first: tuple[str, ...] = Field(min_length=1)
    second: tuple[str, ...] = ()
    third: tuple[str, ...] = ()


class TraceAlarm(Strict):
    """An alarm condition in a trace's step; `since` is an offset, by default when it first shows."""

    condition: str
    priority: Literal["high", "medium", "low"] = "medium"
    inactivation: str = "enabled"
    line: str = ""
    since: str | None = None


class TraceStep(Strict):
    """One snapshot of a trace: what is not said stays as in the step before."""

    at: str
    activity: str | None = None
    alarms: tuple[TraceAlarm, ...] | None = None
    mains: bool | None = None
    battery_percent: float | int | None = None
    battery_low: bool | None = None
    delivered_ml: float | int | None = None
    target_ml: float | int | None = None
    sight_lost: bool | None = None
    glucose_risk: bool | None = None


class Trace(Strict):
    """A short story with the exact instants at which the rule must begin and end to hold."""

    name: str
    steps: tuple[TraceStep, ...] = Field(min_length=1)
    until: str
    home: bool = False
    holds: tuple[str, ...] = ()
    ends: tuple[str, ...] = ()


class Rule(Strict):
    """A whole rule file."""

    id: str = Field(pattern=r"^[a-z][a-z0-9-]{1,39}$")
    sentence: str = Field(min_length=10)
    hazard: str = Field(min_length=10)
    about: Literal["alarms", "delivery", "power", "sight"]
    scope: Literal["device", "unit"] = "device"
    pattern: Literal["lasting", "recurring", "silent"]
    memory: Literal["each", "together"] = "together"
    thresholds: dict[str, Threshold] = Field(min_length=1)
    when: tuple[Branch, ...] = Field(min_length=1)
    checks: Checks
    traces: tuple[Trace, ...] = Field(min_length=2)


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
    problems = [Problem(file, *found) for found in _mistakes(rule)]
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
    if quantity.number <= 0 and name != "bridging":
        return "more than nothing"
    return None


def _mistakes(rule: Rule) -> list[tuple[str, str, str]]:
    """Mistakes that only the whole file shows: key, value, expected."""
    found: list[tuple[str, str, str]] = []
    fields = DEVICE_FIELDS if rule.scope == "device" else UNIT_FIELDS
    needed = {
        "lasting": {"for_": "ms"},
        "recurring": {"times": "times", "within": "ms", "quiet": "ms"},
        "silent": {"for_": "ms"},
    }[rule.pattern]
    for index, branch in enumerate(rule.when):
        key = f"when[{index}]"
        if (branch.condition is None) == (branch.alarm is None):
            found.append((key, "", "exactly one of condition, alarm"))
        if rule.pattern == "recurring" and branch.alarm is None:
            found.append((key, "", "recurring counts onsets: it takes alarm, not condition"))
        if rule.pattern == "silent" and branch.alarm is not None:
            found.append((key, "", "silent looks at the device as last seen: it takes condition, not alarm"))
        if branch.priority == "alarm" and branch.alarm is None:
            found.append(
                (f"{key}.priority", "'alarm'", "high, medium or low, as there is no alarm to take it from")
            )
        for name in ("for_", "bridging", "times", "within", "quiet"):
            value = getattr(branch, name)
            unit = needed.get(name) or ("ms" if name == "bridging" and rule.pattern == "lasting" else None)
            shown = f"{key}.{name.rstrip('_')}"
            if unit is None and value is not None:
                found.append((shown, repr(value), f"a {rule.pattern} rule has no such key"))
            elif name in needed and value is None:
                found.append((shown, "", f"is missing; a {rule.pattern} rule needs it"))
            elif unit is not None and value is not None:
                found += _threshold_mistakes(rule, shown, value, unit)
        if branch.condition is not None:
            found += _condition_mistakes(rule, f"{key}.condition", branch.condition, fields)
    for name, threshold in rule.thresholds.items():
        if Quantity.parse(threshold.value).number <= 0 and name != "bridging":
            found.append((f"thresholds.{name}.value", repr(threshold.value), "more than nothing"))
    return found


def _threshold_mistakes(rule: Rule, key: str, name: str, unit: str) -> list[tuple[str, str, str]]:
    threshold = rule.thresholds.get(name)
    if threshold is None:
        return [(key, repr(name), f"the name of a threshold of this file: {', '.join(rule.thresholds)}")]
    if Quantity.parse(threshold.value).unit != unit:
        wanted = {"ms": "a duration", "times": "a whole number"}.get(unit, f"a quantity in {unit}")
        return [(f"thresholds.{name}.value", repr(threshold.value), f"{wanted}, as {key} uses it")]
    return []


def _condition_mistakes(
    rule: Rule, key: str, condition: Condition, fields: dict[str, str]
) -> list[tuple[str, str, str]]:
    found: list[tuple[str, str, str]] = []
    for kind in ("all", "any"):
        for index, part in enumerate(getattr(condition, kind)):
            found += _condition_mistakes(rule, f"{key}.{kind}[{index}]", part, fields)
    if condition.field is None:
        return found
    unit = fields.get(condition.field)
    if unit is None:
        return [(f"{key}.field", repr(condition.field), f"one of {', '.join(fields)}")]
    if condition.is_ is not None:
        if unit == "" and not isinstance(condition.is_, bool):
            found.append((f"{key}.is", repr(condition.is_), "true or false"))
        elif unit == "word" and condition.is_ not in ACTIVITIES:
            found.append((f"{key}.is", repr(condition.is_), f"one of {', '.join(sorted(ACTIVITIES))}"))
        elif unit not in ("", "word"):
            found.append((f"{key}.is", repr(condition.is_), "below or above, as this field is a quantity"))
        return found
    for name in ("below", "above"):
        value = getattr(condition, name)
        if value is not None and unit in ("", "word"):
            found.append((f"{key}.{name}", repr(value), "is, as this field is no quantity"))
        elif value is not None:
            found += _threshold_mistakes(rule, f"{key}.{name}", value, unit)
    return found


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
