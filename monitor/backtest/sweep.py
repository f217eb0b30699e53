"""One threshold of one rule, at each of several values: what the same recorded messages would have brought about.

The value takes the place of the site's own for every unit and device, so that each point of a curve is one value.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from monitor.backtest.measures import ANSWERS, CAUTION, Measures, rules_json
from monitor.backtest.playing import Played, Progress, play
from monitor.core.instants import show_duration
from monitor.core.load import BANDS, HOUR
from monitor.core.problems import Problem, ProblemsFound
from monitor.core.rulebook import Quantity, Rule, override_problem
from monitor.core.site import Site

MOST_VALUES: Final = 100  # each is a replay of its own

Overrides = Mapping[str, Mapping[str, str | int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is to be swept: values as a rule file has them; `shipped` and `site` are what stands there now."""

    rule: Rule
    key: str
    values: tuple[str | int, ...]
    shipped: str | int
    site: str | int


@dataclass(frozen=True, slots=True, kw_only=True)
class Swept:
    """What came of it: the measures of each value."""

    wanted: Wanted
    played: tuple[Played, ...]

    def points(self) -> list[tuple[str | int, Measures]]:
        """Each value and its measures."""
        return [(value, one.measures) for value, one in zip(self.wanted.values, self.played, strict=True)]


def wanted(site: Site, rule_id: str, key: str, first: str, last: str, step: str) -> Wanted:
    """Read what is to be swept; ProblemsFound names everything that is wrong."""
    rule = site.rule(rule_id)
    if rule is None:
        known = ", ".join(sorted(rule.id for rule in site.rules))
        raise ProblemsFound([Problem("sweep", "RULE", repr(rule_id), f"one of {known}")])
    if rule_id in site.switched_off:
        why = f"a rule that this site uses; it has switched it off: {site.switched_off[rule_id]}"
        raise ProblemsFound([Problem("sweep", "RULE", repr(rule_id), why)])
    if key not in rule.thresholds:
        expected = f"a threshold of {rule_id}: {', '.join(rule.thresholds) or 'it has none'}"
        raise ProblemsFound([Problem("sweep", "KEY", repr(key), expected)])
    threshold = rule.thresholds[key]
    home = site.setting == "home" and threshold.home is not None
    shipped = threshold.home if home and threshold.home is not None else threshold.value
    problems, numbers = [], []
    for name, text in (("FROM", first), ("TO", last), ("STEP", step)):
        value: str | int = int(text) if text.strip().isdigit() else text
        problem = override_problem(rule, key, value) if name != "STEP" else _step_problem(value, shipped)
        if problem is not None:
            problems.append(Problem("sweep", name, repr(text), problem))
        else:
            numbers.append(Quantity.parse(value))
    if problems:
        raise ProblemsFound(problems)
    low, high, by = numbers
    if low.number > high.number:
        raise ProblemsFound([Problem("sweep", "FROM", repr(first), f"not more than TO ({last})")])
    count = int((high.number - low.number) / by.number + 1e-9) + 1
    if count > MOST_VALUES:
        expected = f"larger: {count} values are more than {MOST_VALUES}, and each is a replay of its own"
        raise ProblemsFound([Problem("sweep", "STEP", repr(step), expected)])
    values = tuple(
        written(Quantity(round(low.number + place * by.number, 6), low.unit)) for place in range(count)
    )
    return Wanted(
        rule=rule,
        key=key,
        values=values,
        shipped=written(Quantity.parse(shipped)),
        site=written(Quantity.parse(site.thresholds.get(rule_id, {}).get(key, shipped))),
    )


def _step_problem(value: str | int, shipped: str | int) -> str | None:
    expected = f'a quantity of the unit of the shipped "{shipped}", more than nothing'
    try:
        quantity = Quantity.parse(value)
    except ValueError:
        return expected
    return None if quantity.unit == Quantity.parse(shipped).unit and quantity.number > 0 else expected


def written(quantity: Quantity) -> str | int:
    """A quantity as a rule file has it."""
    number = int(quantity.number) if quantity.number == int(quantity.number) else quantity.number
    if quantity.unit == "times":
        return int(number)
    if quantity.unit == "ms":
        short = show_duration(int(number))
        return short if Quantity.parse(short) == quantity else f"{number} ms"
    return f"{number} {quantity.unit}"


def with_value(site: Site, rule: str, key: str, value: str | int) -> Site:
    """The same site with this value everywhere."""
    return replace(
        site,
        thresholds={**site.thresholds, rule: {**site.thresholds.get(rule, {}), key: value}},
        unit_thresholds={unit: _without(own, rule, key) for unit, own in site.unit_thresholds.items()},
        devices=site.devices
        if not any(rule in entry.thresholds for entry in site.devices.values())
        else {
            name: replace(entry, thresholds=_without(entry.thresholds, rule, key))
            for name, entry in site.devices.items()
        },
        _compiled={},
    )


def _without(own: Overrides, rule: str, key: str) -> Overrides:
    if key not in own.get(rule, {}):
        return own
    return {**own, rule: {name: value for name, value in own[rule].items() if name != key}}


def own_values(site: Site, rule: str, key: str) -> list[str]:
    """The units and devices whose own value the sweep puts aside."""
    units = [f"unit {name}" for name, own in site.unit_thresholds.items() if key in own.get(rule, {})]
    return units + [
        f"device {name}" for name, entry in site.devices.items() if key in entry.thresholds.get(rule, {})
    ]


def sweep(
    paths: Sequence[Path],
    site: Site,
    asked: Wanted,
    *,
    known: bool = False,
    until: int | None = None,
    cores: int | None = None,
    progress: Progress | None = None,
) -> Swept:
    """Replay the messages at each value."""
    sites = [with_value(site, asked.rule.id, asked.key, value) for value in asked.values]
    played = play(paths, sites, known=known, until=until, cores=cores, progress=progress)
    return Swept(wanted=asked, played=tuple(played))


def as_json(swept: Swept) -> dict[str, Any]:
    """The figures as JSON values."""
    asked = swept.wanted
    acceptable, manageable = BANDS[HOUR]
    return {
        "caution": CAUTION,
        "answers": ANSWERS,
        "rule": asked.rule.id,
        "threshold": asked.key,
        "shipped": asked.shipped,
        "site": asked.site,
        "bands_per_nurse_hour": {"acceptable_up_to": acceptable, "manageable_up_to": manageable},
        "recording": _recording(swept.played[0].measures),
        "values": [
            {
                "value": value,
                "concerns_per_device_day": found.per_device_day(asked.rule.id),
                **rules_json(found.of(asked.rule.id)),
                "notices_of_all_rules": found.asked()._asdict(),
            }
            for value, found in swept.points()
        ],
        "doubts": doubts(swept.played),
    }


def _recording(found: Measures) -> dict[str, Any]:
    said = found.as_json()
    return {
        key: said[key]
        for key in ("since", "until", "messages", "messages_not_taken", "devices", "device_days")
    }


def doubts(played: Sequence[Played], say: Callable[[str], None] | None = None) -> list[str]:
    """What one must know to read the figures, each said once."""
    found = list(dict.fromkeys(doubt for one in played for doubt in one.doubts))
    for doubt in found:
        if say is not None:
            say(doubt)
    return found
