"""The form of a rule file: its tables, and the mistakes that only the whole file shows.

Editing rules: what a condition may look at stands in `rulebook`; a new key is a field here, with what is right said so
that an error can be mended without reading this file.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping
from typing import Annotated, Literal, NamedTuple, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    model_validator,
)

from monitor.core.instants import parse_duration
from monitor.core.lines import Place
from monitor.core.messages import (
    ACTIVITIES,
    FEED_KINDS,
    FROM_FORM,
    INACTIVATIONS,
    LINES,
    TO_FORM,
    UNKNOWN_ACTIVITY,
    WORD,
)

Mistake = tuple[str, str, str]  # key, value, expected

WORDS: Mapping[str, Collection[str]] = {"activity": ACTIVITIES, "feed kind": FEED_KINDS}
"""The words that a field may be, by its unit."""

QUANTITY = 'a quantity with its unit, such as "4 min", "20 %", "100 mL" or "150 mL/h", or a whole number'


def _quantity(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise ValueError(QUANTITY)
    Quantity.parse(value)
    return value


def _word_or_flag(value: object) -> object:
    if not isinstance(value, str | bool):
        raise ValueError("true, false, or a word in quotation marks")
    return value


def _offset(value: str) -> str:
    parse_duration(value)
    return value


def _one_of(words: Collection[str]) -> Callable[[str], str]:
    def check(value: str) -> str:
        if value not in words:
            raise ValueError(f"one of {', '.join(words)}")
        return value

    return check


def _at_least(number: int) -> AfterValidator:
    """Not `min_length`: that would complain of entries that are there and wrong as if they were not there."""

    def check(entries: tuple[object, ...]) -> tuple[object, ...]:
        if len(entries) < number:
            raise ValueError(f"at least {number}")
        return entries

    return AfterValidator(check)


AGAIN = "2 or more, as a single onset does not recur; a lasting rule tells of one"

Value = Annotated[str | int, BeforeValidator(_quantity)]
Offset = Annotated[str, AfterValidator(_offset)]  # from the beginning of a trace
Activity = Annotated[str, AfterValidator(_one_of((*ACTIVITIES, UNKNOWN_ACTIVITY)))]
Inactivation = Annotated[str, AfterValidator(_one_of(INACTIVATIONS))]
Line = Annotated[str, AfterValidator(_one_of(("", *LINES)))]
FeedKind = Annotated[str, AfterValidator(_one_of(FEED_KINDS))]
Word = Annotated[str, Field(pattern=f"^{WORD}$")]


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
            if match[2] == "%" and float(match[1]) > 100:
                raise ValueError("a percentage from 0 to 100")
            return cls(float(match[1]), match[2])
        try:
            return cls(parse_duration(value), "ms")
        except ValueError:
            raise ValueError(QUANTITY) from None


class Threshold(Strict):
    """One number of a rule, why it is what it is, and where that comes from."""

    value: Value
    home: Value | None = Field(None, description="the value at a home-feeding service, where it differs")
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

    condition: tuple[Word, ...] = ()
    priority: tuple[Literal["high", "medium", "low"], ...] = ()
    sound: Literal["inactivated", "enabled"] | None = None


class Condition(Strict):
    """Exactly one of: all, any, alarm, or field with one comparison."""

    all: tuple[Condition, ...] = ()
    any: tuple[Condition, ...] = ()
    alarm: AlarmFilter | None = None
    field: str | None = None
    is_: Annotated[bool | str, BeforeValidator(_word_or_flag)] | None = Field(None, alias="is")
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

    first: Annotated[tuple[str, ...], _at_least(1)]
    second: tuple[str, ...] = ()
    third: tuple[str, ...] = ()


class TraceAlarm(Strict):
    """An alarm condition in a trace's step; `since` is an offset, by default when it first shows."""

    condition: Word
    priority: Literal["high", "medium", "low"] = "medium"
    inactivation: Inactivation = "enabled"
    line: Line = ""
    since: Offset | None = None


class TraceStep(Strict):
    """One snapshot of a trace: what is not said stays as in the step before."""

    at: Offset
    activity: Activity | None = None
    alarms: tuple[TraceAlarm, ...] | None = None
    mains: bool | None = None
    battery_percent: float | None = Field(None, ge=0, le=100)
    battery_low: bool | None = None
    rate_ml_h: float | None = Field(None, ge=0)
    delivered_ml: float | None = Field(None, ge=0)
    target_ml: float | None = Field(None, gt=0)
    sight_lost: bool | None = None
    drill_missed: bool | None = None
    glucose_risk: bool | None = None


class TraceWindow(Strict):
    """A window of a trace's plan, in local time; a trace begins at 08:00."""

    from_: str = Field(alias="from", pattern=FROM_FORM)
    to: str = Field(pattern=TO_FORM)
    rate_ml_h: float | None = Field(None, gt=0)


class TracePlan(Strict):
    """The feeding plan of a trace; what hangs has done so for a while when the trace begins."""

    windows: tuple[TraceWindow, ...] = ()
    target_ml: float | None = Field(None, gt=0)
    rate_ml_h: float | None = Field(None, gt=0)
    highest_rate_ml_h: float | None = Field(None, gt=0)
    glucose_risk: bool = False
    feed_kind: FeedKind | None = None
    container_hung_before: Offset | None = None
    set_hung_before: Offset | None = None


class Trace(Strict):
    """A short story with the exact instants at which the rule must begin and end to hold."""

    name: str
    steps: Annotated[tuple[TraceStep, ...], _at_least(1)]
    until: Offset
    home: bool = False
    plan: TracePlan | None = None
    holds: tuple[Offset, ...] = ()
    ends: tuple[Offset, ...] = ()


class Rule(Strict):
    """A whole rule file."""

    id: str = Field(pattern=r"^[a-z][a-z0-9-]{1,39}$")
    sentence: str = Field(min_length=10)
    hazard: str = Field(min_length=10)
    about: Literal["alarms", "delivery", "plan", "power", "sight", "drill"]
    scope: Literal["device", "unit"] = "device"
    pattern: Literal["lasting", "recurring", "silent"]
    memory: Literal["each", "together"] = "together"
    quieted_by: tuple[Literal["hold", "feed-ended", "away"], ...] = Field(
        (), description="the answers of a person that say that it is so on purpose, for their time"
    )
    thresholds: dict[str, Threshold] = {}
    when: Annotated[tuple[Branch, ...], _at_least(1)]
    checks: Checks
    traces: Annotated[tuple[Trace, ...], _at_least(2)]
    _places: Mapping[str, Place] = PrivateAttr(default_factory=dict)

    @property
    def places(self) -> Mapping[str, Place]:
        """Where each threshold's value stands, and its value for homes (as "home NAME"); nothing of its meaning."""
        return self._places

    def belongs_to(self, whose: str) -> None:
        """Say in whose folder the file lies: another may have a file of the same name in a folder of the same name."""
        self._places = {
            name: place._replace(file=f"{whose} {place.file}") for name, place in self._places.items()
        }


def mistakes(rule: Rule, fields: Mapping[str, str]) -> list[Mistake]:
    """Mistakes that only the whole file shows; `fields` maps what a condition may look at to its unit."""
    found: list[Mistake] = []
    if rule.scope == "unit" and rule.pattern != "lasting":
        found.append(("pattern", repr(rule.pattern), "lasting, as only devices have onsets and messages"))
    if (
        rule.memory == "each"
        and rule.pattern != "recurring"
        and all(branch.condition for branch in rule.when)
    ):
        found.append(("memory", "'each'", "together, as no [[when]] is about an alarm"))
    for answer in rule.quieted_by:
        about = ("sight",) if answer == "away" else ("delivery", "plan")
        if rule.scope == "unit" or rule.about not in about:
            expected = (
                f"only where a rule is about {' or '.join(about)} of a device; nothing else may be kept quiet"
            )
            found.append(("quieted_by", repr(answer), expected))
    needed = {
        "lasting": {},  # without `for` it holds at once
        "recurring": {"times": "times", "within": "ms", "quiet": "ms"},
        "silent": {"for_": "ms"},
    }[rule.pattern]
    for index, branch in enumerate(rule.when):
        key = f"when[{index}]"
        if (branch.condition is None) == (branch.alarm is None):
            found.append((key, "", "exactly one of condition, alarm"))
        if rule.scope == "unit" and branch.alarm is not None:
            found.append((key, "", "condition, as only devices have alarms"))
        if rule.pattern == "recurring" and branch.alarm is None:
            found.append((key, "", "recurring counts onsets: it takes alarm, not condition"))
        if rule.pattern == "silent" and branch.alarm is not None:
            found.append((key, "", "silent looks at the device as last seen: it takes condition, not alarm"))
        if branch.priority == "alarm" and branch.condition is not None:
            found.append(
                (f"{key}.priority", "'alarm'", "high, medium or low, as there is no alarm to take it from")
            )
        for name in ("for_", "bridging", "times", "within", "quiet"):
            value = getattr(branch, name)
            may = name in ("for_", "bridging") and rule.pattern == "lasting"
            unit = needed.get(name) or ("ms" if may else None)
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
        for shown, value in (("value", threshold.value), ("home", threshold.home)):
            if value is not None and Quantity.parse(value).number <= 0 and not may_be_nothing(rule, name):
                found.append((f"thresholds.{name}.{shown}", repr(value), "more than nothing"))
            elif value == 1 and counts_onsets(rule, name):
                found.append((f"thresholds.{name}.{shown}", repr(value), AGAIN))
    for index, trace in enumerate(rule.traces):
        found += _trace_mistakes(f"traces[{index}]", trace, rule.scope)
    return found


def may_be_nothing(rule: Rule, name: str) -> bool:
    """Whether a threshold is only ever a gap to bridge, which may be 0."""
    used = [
        (key, value)
        for branch in rule.when
        for key in ("for_", "bridging", "times", "within", "quiet")
        if (value := getattr(branch, key)) == name
    ]
    return bool(used) and all(key == "bridging" for key, _ in used)


def counts_onsets(rule: Rule, name: str) -> bool:
    """Whether a threshold is the number of onsets that a recurring rule waits for, of which one is no recurrence."""
    return any(branch.times == name for branch in rule.when)


def _trace_mistakes(key: str, trace: Trace, scope: str) -> Iterator[Mistake]:
    before = -1
    for index, step in enumerate(trace.steps):
        for name in step.model_fields_set - {"at", "glucose_risk"}:
            if (name in ("sight_lost", "drill_missed")) is (scope == "device"):
                yield f"{key}.steps[{index}].{name}", "", f"no such key, as the rule is about a {scope}"
        at = parse_duration(step.at)
        if at <= before:
            yield f"{key}.steps[{index}].at", repr(step.at), "later than the step before"
        before = at
    if parse_duration(trace.until) < before:
        yield f"{key}.until", repr(trace.until), "not before the last step"


def _threshold_mistakes(rule: Rule, key: str, name: str, unit: str) -> list[Mistake]:
    threshold = rule.thresholds.get(name)
    if threshold is None:
        return [(key, repr(name), f"the name of a threshold of this file: {', '.join(rule.thresholds)}")]
    if Quantity.parse(threshold.value).unit != unit:
        wanted = {"ms": "a duration", "times": "a whole number"}.get(unit, f"a quantity in {unit}")
        return [(f"thresholds.{name}.value", repr(threshold.value), f"{wanted}, as {key} uses it")]
    return []


def _condition_mistakes(
    rule: Rule, key: str, condition: Condition, fields: Mapping[str, str]
) -> list[Mistake]:
    found: list[Mistake] = []
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
        elif unit in WORDS and condition.is_ not in WORDS[unit]:
            found.append((f"{key}.is", repr(condition.is_), f"one of {', '.join(sorted(WORDS[unit]))}"))
        elif unit != "" and unit not in WORDS:
            found.append((f"{key}.is", repr(condition.is_), "below or above, as this field is a quantity"))
        return found
    for name in ("below", "above"):
        value = getattr(condition, name)
        if value is not None and (unit == "" or unit in WORDS):
            found.append((f"{key}.{name}", repr(value), "is, as this field is no quantity"))
        elif value is not None:
            found += _threshold_mistakes(rule, f"{key}.{name}", value, unit)
    return found
