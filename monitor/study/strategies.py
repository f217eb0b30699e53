"""The ways of telling people that the study compares: each a rule book with thresholds, run by the same engine.

A strategies file is TOML. `[[strategies]]` names rule files by paths relative to it, or "shipped" for the shipped rule
book; `[left_out]` makes one more for each rule of a strategy, without that rule; `[[sweeps]]` one for each value of a
threshold. The yardstick, nobody told, always comes first and need not be listed.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from monitor.core.problems import Problem, ProblemsFound, from_validation
from monitor.core.rulebook import Rule, override_problem
from monitor.core.site import Site, Times
from monitor.core.traces import trace_problems
from monitor.settings import load as load_settings
from monitor.shipped import read_rule_files, shipped_rules

Group = Literal["side by side", "left out", "sweep"]
Thresholds = Mapping[str, Mapping[str, str | int]]

SHIPPED: Final = "shipped"  # in a strategy's rules: the shipped rule book
FILE: Final = "strategies.toml"
MOST_VALUES: Final = 100  # of one sweep: each is a run of every night


@dataclass(frozen=True, kw_only=True)
class Strategy:
    """One way of telling people; `times` and the load limit are a site's own, where they are not the shipped ones."""

    name: str
    says: str
    group: Group = "side by side"
    rules: tuple[Rule, ...] = ()
    thresholds: Thresholds = field(default_factory=dict)  # rule -> key -> value
    swept: tuple[str, str, str | int] | None = None  # rule, key, value
    left_out: str | None = None
    times: Times = field(default_factory=Times)
    most_notices: int = Site.most_notices
    most_within: int = Site.most_within

    @property
    def digest(self) -> str:
        """SHA-256 (hex) of all that decides what it does, so that results of another of its name are not mixed in."""
        said = {
            "rules": [rule.model_dump(mode="json", by_alias=True) for rule in self.rules],
            "thresholds": {rule: dict(values) for rule, values in self.thresholds.items()},
            "times": {name: _plain(getattr(self.times, name)) for name in Times.__slots__},
            "load": [self.most_notices, self.most_within],
        }
        return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


NOBODY: Final = Strategy(
    name="nobody told", says="The pumps ring, and whoever is at the bedside does what she does."
)


def shipped_strategies() -> tuple[Strategy, ...]:
    """Those that come with Second Bell; ProblemsFound names every mistake."""
    return _read(resources.files("monitor.study"), FILE)


def load(path: Path) -> tuple[Strategy, ...]:
    """Those of a file, nobody told first; ProblemsFound names every mistake: file, key, value, and what is right."""
    return _read(path.parent, str(path), path.name)


def with_site(strategies: Sequence[Strategy], site_file: Path) -> tuple[Strategy, ...]:
    """The same and one more: the rules, site-wide thresholds, times and load limit of a site file.

    Its own people, ladders and pumps do not count: the night is that of the study's world, for all strategies alike.
    Raises ProblemsFound.
    """
    site = load_settings(site_file, key=b"").site
    more = Strategy(
        name=f"as {site.name} has set it",
        says=f"Second Bell with the rules, thresholds, times and load limit of {site_file.name}.",
        rules=tuple(rule for rule in site.rules if rule.id not in site.switched_off),
        thresholds=site.thresholds,
        times=site.times,
        most_notices=site.most_notices,
        most_within=site.most_within,
    )
    if any(more.name == strategy.name for strategy in strategies):
        raise ProblemsFound(
            [Problem(str(site_file), "site.name", repr(site.name), f"no strategy called {more.name!r} yet")]
        )
    return (*strategies, more)


# ---- the file's form -------------------------------------------------------------------------------------------------

_Name = Annotated[str, Field(pattern=r"^[^\x00-\x1f\x7f]{1,80}$")]
_Value = str | int


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class _Strategy(_Table):
    name: _Name
    says: Annotated[str, Field(min_length=1, max_length=400)]
    rules: Annotated[list[str], Field(min_length=1)]
    thresholds: dict[str, dict[str, _Value]] = {}


class _LeftOut(_Table):
    of: _Name
    keep: list[str] = []


class _Sweep(_Table):
    of: _Name
    rule: str
    key: str
    values: Annotated[list[_Value], Field(min_length=1, max_length=MOST_VALUES)]


class _File(_Table):
    strategies: Annotated[list[_Strategy], Field(min_length=1)]
    left_out: _LeftOut | None = None
    sweeps: list[_Sweep] = []


class _Reading:
    """One file being read: strategies so far, and what is wrong."""

    def __init__(self, folder: Traversable, file: str) -> None:
        self.folder, self.file = folder, file
        self.found = {NOBODY.name: NOBODY}
        self.problems: list[Problem] = []

    def wrong(self, key: str, value: object, expected: str) -> None:
        """Note a mistake."""
        self.problems.append(Problem(self.file, key, repr(value), expected))

    def add(self, key: str, strategy: Strategy) -> None:
        """Take a strategy, if its name is its own."""
        if strategy.name in self.found:
            self.wrong(key, strategy.name, "a name of its own; there is one of this name already")
        else:
            self.found[strategy.name] = strategy

    def rules(self, key: str, names: Iterable[str]) -> tuple[Rule, ...]:
        """The rules of a list of files."""
        rules: dict[str, Rule] = {}
        for place, name in enumerate(names):
            for rule in shipped_rules() if name == SHIPPED else self._rule_of(f"{key}[{place}]", name):
                if rule.id in rules:
                    self.wrong(f"{key}[{place}]", name, f"each rule once; {rule.id} is there already")
                rules[rule.id] = rule
        return tuple(rules.values())

    def _rule_of(self, key: str, name: str) -> list[Rule]:
        if not name.endswith(".toml"):
            self.wrong(key, name, f'"{SHIPPED}", or the path of a rule file (.toml)')
            return []
        files, problems = read_rule_files([self.folder.joinpath(name)], str(Path(name).parent))
        self.problems += problems
        for file in files:
            self.problems += trace_problems(file.rule, file.file)
        return [file.rule for file in files]

    def thresholds(self, key: str, rules: Sequence[Rule], wanted: Thresholds) -> None:
        """Check the values of a strategy's thresholds."""
        known = {rule.id: rule for rule in rules}
        for rule, values in wanted.items():
            if rule not in known:
                self.wrong(f"{key}.{rule}", dict(values), _one_of("rule of this strategy", known))
                continue
            for name, value in values.items():
                if (wrong := override_problem(known[rule], name, value)) is not None:
                    self.wrong(f"{key}.{rule}.{name}", value, wrong)

    def of(self, key: str, name: str) -> Strategy | None:
        """The strategy that others are made from."""
        if name not in self.found:
            self.wrong(key, name, _one_of("strategy of this file", self.found))
        return self.found.get(name)


def _read(folder: Traversable, file: str, name: str = FILE) -> tuple[Strategy, ...]:
    try:
        table = tomllib.loads(folder.joinpath(name).read_text(encoding="utf-8"))
        said = _File.model_validate(table)
    except OSError as error:
        raise ProblemsFound([Problem(file, "", "", f"cannot be read: {error.strerror}")]) from None
    except ValidationError as error:
        raise ProblemsFound(from_validation(file, error)) from None
    except ValueError as error:  # tomllib's errors, and of UTF-8
        raise ProblemsFound([Problem(file, "", "", f"not valid TOML: {error}")]) from None
    reading = _Reading(folder, file)
    for place, entry in enumerate(said.strategies):
        key = f"strategies[{place}]"
        rules = reading.rules(f"{key}.rules", entry.rules)
        reading.thresholds(f"{key}.thresholds", rules, entry.thresholds)
        reading.add(
            f"{key}.name",
            Strategy(name=entry.name, says=entry.says, rules=rules, thresholds=entry.thresholds),
        )
    if said.left_out is not None:
        _leave_out(reading, said.left_out)
    for place, sweep in enumerate(said.sweeps):
        _sweep(reading, f"sweeps[{place}]", sweep)
    if reading.problems:
        raise ProblemsFound(reading.problems)
    return tuple(reading.found.values())


def _leave_out(reading: _Reading, said: _LeftOut) -> None:
    whole = reading.of("left_out.of", said.of)
    if whole is None:
        return
    known = [rule.id for rule in whole.rules]
    for place, rule_id in enumerate(said.keep):
        if rule_id not in known:
            reading.wrong(f"left_out.keep[{place}]", rule_id, _one_of(f"rule of {whole.name}", known))
    for rule in whole.rules:
        if rule.id in said.keep:
            continue
        left = replace(
            whole,
            name=f"without {rule.id}",
            says=f"{whole.name}, without the rule {rule.id}.",
            group="left out",
            rules=tuple(one for one in whole.rules if one is not rule),
            thresholds={name: values for name, values in whole.thresholds.items() if name != rule.id},
            left_out=rule.id,
        )
        reading.add("left_out", left)


def _sweep(reading: _Reading, key: str, said: _Sweep) -> None:
    whole = reading.of(f"{key}.of", said.of)
    if whole is None:
        return
    rule = next((one for one in whole.rules if one.id == said.rule), None)
    if rule is None:
        known = [one.id for one in whole.rules]
        reading.wrong(f"{key}.rule", said.rule, _one_of(f"rule of {whole.name}", known))
        return
    if said.key not in rule.thresholds:
        reading.wrong(f"{key}.key", said.key, _one_of(f"threshold of {rule.id}", rule.thresholds))
        return
    for place, value in enumerate(said.values):
        if (wrong := override_problem(rule, said.key, value)) is not None:
            reading.wrong(f"{key}.values[{place}]", value, wrong)
            continue
        own = {**whole.thresholds.get(rule.id, {}), said.key: value}
        swept = replace(
            whole,
            name=f"{rule.id}.{said.key} = {value}",
            says=f"{whole.name}, with {said.key} of {rule.id} at {value}.",
            group="sweep",
            thresholds={**whole.thresholds, rule.id: own},
            swept=(rule.id, said.key, value),
        )
        reading.add(f"{key}.values[{place}]", swept)


def _one_of(what: str, known: Iterable[str]) -> str:
    return f"a {what}: {', '.join(known) or 'it has none'}"


def _plain(value: object) -> object:
    return dict(value) if isinstance(value, Mapping) else value
