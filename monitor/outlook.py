"""What each rule can do at a site: for which pumps it can hold at all, and why not for the others.

By what the site file says: a bridge may send plans that are not in it. Nothing is run; a condition is looked at part by
part, with what the plan of a pump lets it see and with the thresholds that apply to it.

Editing rules: a new field of a condition that needs something of a plan gets its line in `_lacking`; a field without
one can always be seen.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Iterator, Mapping
from typing import Any, Final, NamedTuple

from monitor.core.instants import MINUTE, show_duration
from monitor.core.messages import LINES, RATE_MAX, VOLUME_MAX
from monitor.core.rule_file import AlarmFilter, Branch, Condition
from monitor.core.rulebook import DEVICE_FIELDS, Quantity, Rule, override_problem
from monitor.sitefile.plan_doubts import stretches
from monitor.sitefile.reading import SiteFile
from monitor.sitefile.second_looks import looser_than, shipped_value
from monitor.sitefile.tables import PlanTable

Values = Mapping[str, Quantity]

_HIGHEST: Final = {
    "battery_percent": 100, "shortfall_percent": 100, "unfit_percent": 100, "rate_ml_h": RATE_MAX,
    "delivered_ml": VOLUME_MAX, "target_ml": VOLUME_MAX,
}  # fmt: skip
"""What a field never exceeds: a percentage of what was wanted, or what the contract takes as plausible."""

_WITHIN_WINDOWS: Final = frozenset({"in_window", "shortfall_ml", "shortfall_percent", "unfit_percent"})


class Pump(NamedTuple):
    """What of a pump decides what rules can see: the same for many pumps."""

    windows: bool = False
    longest: int | None = (
        None  # ms that feed is due without a break; None: the whole day, or no plan says when
    )
    pause: int | None = None  # the shortest break between, in ms
    most_ml: float | None = None  # the target of its plan
    highest_rate: bool = False
    glucose_risk: bool = False
    feed_kind: str | None = None
    container_hung: bool = False
    set_hung: bool = False


class Subject(NamedTuple):
    """Pumps or units that are alike for rules: their unit and their own name, where these have thresholds."""

    pump: Pump
    unit: str
    device: str


class Outlook(NamedTuple):
    """What one rule can do: a word or a number of pumps (or units), and what is to be known about it."""

    rule: str
    can_hold: str
    remarks: tuple[str, ...]


def outlooks(found: SiteFile, rules: Mapping[str, Rule], replaced: Container[str] = ()) -> Iterator[Outlook]:
    """One for each rule, sorted by id; `replaced` are those that run in the place of a shipped one."""
    site = _Site(found)
    for name in sorted(rules):
        yield site.outlook(rules[name], in_place=name in replaced)


class _Site:
    """The pumps of a site, gathered by what they let rules see."""

    def __init__(self, found: SiteFile) -> None:
        self._found = found
        self._home = found.site is not None and found.site.setting == "home"
        self._stretches: dict[object, tuple[int, int] | None] = {}
        self._pumps: Counter[Subject] = Counter()
        at_risk: set[str] = set()
        for name, entry in found.devices.items():
            pump = NOTHING if entry.plan is None else self._pump(entry.plan)
            unit = found.units.get(entry.unit)
            own_unit = entry.unit if unit is not None and unit.thresholds else ""
            self._pumps[Subject(pump, own_unit, name if entry.thresholds else "")] += 1
            if pump.glucose_risk:
                at_risk.add(entry.unit)
        units = (Subject(Pump(glucose_risk=name in at_risk), name, "") for name in found.units)
        self._units = Counter(units)

    def _pump(self, plan: PlanTable) -> Pump:
        key = tuple((window.start, window.end) for window in plan.windows)
        if key not in self._stretches:
            self._stretches[key] = stretches(plan)
        longest, pause = self._stretches[key] or (None, None)
        return Pump(
            windows=True,
            longest=None if longest is None else longest * MINUTE,
            pause=None if pause is None else pause * MINUTE,
            most_ml=plan.target_ml,
            highest_rate=plan.highest_rate_ml_h is not None,
            glucose_risk=plan.glucose_risk,
            feed_kind=plan.feed_kind,
            container_hung=plan.container_hung is not None,
            set_hung=plan.set_hung is not None,
        )

    def outlook(self, rule: Rule, *, in_place: bool) -> Outlook:
        """What one rule can do here."""
        table = self._found.rules.get(rule.id)
        off = None if table is None else table.off
        if off is not None and not in_place:
            return Outlook(rule.id, "switched off", (f"reason: {off}", *self._looser(rule)))
        what, subjects = ("unit", self._units) if rule.scope == "unit" else ("pump", self._pumps)
        listed = bool(subjects)
        subjects = subjects if listed else Counter((Subject(NOTHING, "", ""),))
        reasons: Counter[str] = Counter()
        holds: Counter[str] = Counter()  # for how many it can hold with a priority
        whys: dict[str, set[str]] = {branch.priority: set() for branch in rule.when}
        for subject, number in subjects.items():
            values = self._values(rule, subject.unit, subject.device)
            told = [(branch.priority, _why_not(rule, branch, subject.pump, values)) for branch in rule.when]
            holds.update(dict.fromkeys((priority for priority, why in told if why is None), number))
            found = dict.fromkeys(why for _, why in told if why is not None)
            if all(why is not None for _, why in told):
                reasons["; ".join(found)] += number
            else:
                for branch_priority, why in told:
                    whys[branch_priority] |= set() if why is None else {why}
        total = subjects.total()
        can = total - reasons.total()
        remarks = [why if number == total else f"{number}: {why}" for why, number in reasons.items()]
        for priority, why_not in whys.items():
            if holds[priority] < can:
                often = f"{priority} for {holds[priority]} only" if holds[priority] else f"never {priority}"
                remarks.append(f"{often}: {'; '.join(sorted(why_not))}")
        remarks += self._needs(rule)
        remarks += self._looser(rule)
        if in_place:
            remarks.append(f"the site's own, in the place of the shipped one, which is switched off: {off}")
        if not listed:
            return Outlook(rule.id, "yes" if can else "no", (*remarks, f"no {what} is listed"))
        word = f"{can} of {total} {what}{'' if total == 1 else 's'}" if can else "no"
        return Outlook(rule.id, word, tuple(remarks))

    def _values(self, rule: Rule, unit: str, device: str) -> Values:
        """The thresholds that apply, those of the device before those of the unit before those of the site."""
        found = self._found
        layers: list[Mapping[str, Any]] = []
        if (table := found.rules.get(rule.id)) is not None:
            layers.append(table.model_extra or {})
        if unit and unit in found.units:
            layers.append(found.units[unit].thresholds.get(rule.id, {}))
        if device:
            layers.append(found.devices[device].thresholds.get(rule.id, {}))
        values = {name: Quantity.parse(shipped_value(rule, name, self._home)) for name in rule.thresholds}
        for layer in layers:
            for name, value in layer.items():
                if isinstance(value, str | int) and override_problem(rule, name, value) is None:
                    values[name] = Quantity.parse(value)
        return values

    def _looser(self, rule: Rule) -> Iterator[str]:
        """Every threshold that is less watchful than the shipped one, each value once, with whom it is for."""
        found = self._found
        levels: list[tuple[str, Mapping[str, Any]]] = []
        if (table := found.rules.get(rule.id)) is not None:
            levels.append(("the site", table.model_extra or {}))
        levels += [(f"unit {name}", unit.thresholds.get(rule.id, {})) for name, unit in found.units.items()]
        levels += [
            (name, own) for name, entry in found.devices.items() if (own := entry.thresholds.get(rule.id))
        ]
        whom: dict[tuple[str, object, object], list[str]] = {}
        for level, values in levels:
            for name, value in values.items():
                if (shipped := looser_than(rule, name, value, self._home)) is not None:
                    whom.setdefault((name, value, shipped), []).append(level)
        for (name, value, usual), who in whom.items():
            more = f" and {len(who) - _MOST_NAMED} more" if len(who) > _MOST_NAMED else ""
            shown = f"{', '.join(who[:_MOST_NAMED])}{more}"
            yield f"looser than shipped: {name} {value} instead of {usual}, for {shown}"

    def _needs(self, rule: Rule) -> Iterator[str]:
        """What a rule that counts needs of the bridge."""
        if rule.pattern != "recurring":
            return
        reporting = self._found.times.reporting
        values = self._values(rule, "", "")
        for branch in rule.when:
            times, within = values[branch.times or ""].number, values[branch.within or ""].number
            if rule.memory == "each" and (times - 1) * reporting >= within:
                yield (
                    f"only if the bridge sends changes at once: {times:g} times within {show_duration(int(within))}"
                    f" do not show in reports {show_duration(reporting)} apart"
                )
                return


NOTHING: Final = Pump()
_MOST_NAMED: Final = 5


def _why_not(rule: Rule, branch: Branch, pump: Pump, values: Values) -> str | None:
    """Why a branch can never hold for such a pump; None if it can."""
    if rule.pattern == "recurring":
        return _too_often(rule, branch, values)
    if branch.condition is None:
        return None
    if (why := _lacking(branch.condition, pump, values)) is not None:
        return why
    if rule.pattern == "lasting" and branch.for_ is not None:
        lasts, patience = _longest(branch.condition, pump), values[branch.for_].number
        bridged = 0 if branch.bridging is None else values[branch.bridging].number
        if lasts is not None and lasts <= patience and bridged <= (pump.pause or 0):
            return (
                f"{branch.for_} of {show_duration(int(patience))} is never over: feed is due for"
                f" {show_duration(lasts)} at most"
            )
    return None


def _too_often(rule: Rule, branch: Branch, values: Values) -> str | None:
    """Whether so many onsets cannot come within the time: a device has one instant a millisecond."""
    times, within = values[branch.times or ""].number, values[branch.within or ""].number
    at_once = 1
    if rule.memory == "together":
        kinds = _kinds(branch.alarm)
        if kinds is None:
            return None
        at_once = kinds * (len(LINES) + 1)  # each on each line, or on none
    if times > within * at_once:
        return f"{times:g} {branch.times} cannot come within {show_duration(int(within))}"
    return None


def _kinds(alarm: AlarmFilter | None) -> int | None:
    return len(alarm.condition) if alarm is not None and alarm.condition else None


def _lacking(condition: Condition, pump: Pump, values: Values) -> str | None:
    """Why a condition can never be true for such a pump; None if it can."""
    if condition.all:
        return next(
            (why for part in condition.all if (why := _lacking(part, pump, values)) is not None), None
        )
    if condition.any:
        whys = [_lacking(part, pump, values) for part in condition.any]
        return None if None in whys else "; ".join(dict.fromkeys(why for why in whys if why is not None))
    name = condition.field
    if name is None:
        return None
    if (name in _WITHIN_WINDOWS or name == "over_target_percent") and not pump.windows:
        return "no plan with windows"
    if name == "in_window" and condition.is_ is False and pump.longest is None:
        return "its windows are the whole day"
    if name == "glucose_risk" and condition.is_ is not pump.glucose_risk:
        return "no glucose risk" if condition.is_ else "always at glucose risk"
    if name == "over_rate" and condition.is_ and not pump.highest_rate:
        return "no highest rate"
    if name == "feed_kind" and condition.is_ != pump.feed_kind:
        return "no feed of such a kind" if pump.feed_kind else "no kind of feed"
    if name == "container_hung_for" and not pump.container_hung:
        return "no time when the container was hung"
    if name == "set_hung_for" and not pump.set_hung:
        return "no time when the giving set was hung"
    return _out_of_reach(condition, name, pump, values)


def _out_of_reach(condition: Condition, name: str, pump: Pump, values: Values) -> str | None:
    """Whether a limit lies beyond what the field can ever be."""
    if condition.above is None:
        return None
    limit = values[condition.above].number
    most: float | None = _HIGHEST.get(name)
    if name == "shortfall_ml" and pump.most_ml is not None:
        most = pump.most_ml
    if most is None or limit < most:
        return None
    unit = DEVICE_FIELDS[name]
    return f"{condition.above} of {limit:g} {unit} is never passed: {name} is {most:g} {unit} at most"


def _longest(condition: Condition, pump: Pump) -> int | None:
    """How long a condition can be true without a break, in ms; None if nothing bounds it."""
    if condition.all:
        known = [lasts for part in condition.all if (lasts := _longest(part, pump)) is not None]
        return min(known, default=None)
    if condition.any:
        parts = [_longest(part, pump) for part in condition.any]
        return None if None in parts else max(lasts for lasts in parts if lasts is not None)
    outside = condition.field in ("in_window", "feed_due") and condition.is_ is False
    if condition.field in (*_WITHIN_WINDOWS, "feed_due") and not outside:
        return pump.longest
    return None
