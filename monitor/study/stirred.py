"""The night with nobody told, and the pumps of which each rule would ever hold in it.

A pump of which no rule of a strategy ever holds is never told of, so nobody goes to it, and it does what it does when
nobody is told. It need not be played again: most pumps of a night are such pumps under most strategies. Which they are
is found by running the rules of all strategies together once, each with its thresholds, over the night with nobody
told. Tests compare records with those of nights played in full.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from monitor.core.engine import Engine
from monitor.core.journal import Happening
from monitor.core.messages import Snapshot
from monitor.core.site import Site, Times
from monitor.study.alike import values_of
from monitor.study.heard import hear
from monitor.study.judging import Course
from monitor.study.site import site_of
from monitor.study.snapshots import snapshot_of
from monitor.study.strategies import NOBODY, Strategy
from simulators.happenings import BridgeLost
from simulators.scenario import Scenario
from simulators.wire import Published
from simulators.world import World
from simulators.worlds import WorldFile

LET_GO: Final = 1_000  # inputs after which what would have been stored is forgotten


def nobody_told(
    world: WorldFile, scenario: Scenario, strategies: Sequence[Strategy]
) -> tuple[Course, Mapping[str, frozenset[str]]]:
    """That night, and for each strategy by name the pumps that it has to be played with."""
    site = site_of(world, scenario, NOBODY)
    watches = [
        _Watch(site, times, [one for one in strategies if one.times == times], scenario)
        for times in _each_once(strategy.times for strategy in strategies)
    ]
    course, swaps = Course(end=0), _Swaps(scenario)
    told = World(scenario, write=snapshot_of)
    course.end = told.end_ms
    while (at := told.next_at()) is not None:
        for what in told.advance(at):
            event = (
                what
                if isinstance(what, Snapshot)
                else hear(what, site)
                if isinstance(what, Published)
                else None
            )
            if event is None:
                continue
            course.messages += 1
            if isinstance(event, Snapshot):
                swaps.see(event)
            for watch in watches:
                watch.take(event, at)
    course.troubles, course.balances = told.truth(), told.balances()
    # Happenings of a script are told apart by their number, so none may be left out.
    scripted = {one.pump for one in scenario.happenings if not isinstance(one, BridgeLost)}
    always = scripted | swaps.pumps() | _one_of_each(scenario)
    pumps = {name: found | always for watch in watches for name, found in watch.end(told.end_ms).items()}
    return course, pumps


def with_pumps(scenario: Scenario, pumps: Collection[str]) -> Scenario:
    """The same scenario with these pumps only; what befalls them is drawn from streams of their own."""
    return scenario.model_copy(update={"pumps": tuple(pump for pump in scenario.pumps if pump.id in pumps)})


def filled_up(course: Course, nobody: Course, pumps: Collection[str], scenario: Scenario) -> Course:
    """A course of some pumps with what the others do when nobody is told."""
    others = {pump.id for pump in scenario.pumps} - set(pumps)
    order = {pump.id: place for place, pump in enumerate(scenario.pumps)}
    troubles = [*course.troubles, *(one for one in nobody.troubles if one.device in others)]
    balances = [*course.balances, *(one for one in nobody.balances if one.device in others)]
    course.troubles = sorted(troubles, key=lambda one: (one.began, one.device, one.kind))
    course.balances = sorted(balances, key=lambda one: order[one.device])
    return course


def _one_of_each(scenario: Scenario) -> set[str]:
    """A pump of each unit, bridge and risk: by them the engine knows which units it cannot see."""
    return {pump.id for pump in {(p.unit, p.bridge, p.glucose_risk): p for p in scenario.pumps}.values()}


class _Swaps:
    """Which pumps took part in a swap: who swaps takes the first spare that is left, so all of them are played."""

    def __init__(self, scenario: Scenario) -> None:
        self._spares = {pump.id for pump in scenario.pumps if not pump.windows}
        self._all = {pump.id for pump in scenario.pumps}
        self._was: dict[str, str] = {}
        self._went_off: dict[int, set[str]] = {}  # instant -> pumps
        self._came_on: set[int] = set()

    def see(self, snapshot: Snapshot) -> None:
        """Look at what a pump does."""
        was = self._was.get(snapshot.device)
        if was == snapshot.activity:
            return
        self._was[snapshot.device] = snapshot.activity
        if snapshot.activity == "off":
            self._went_off.setdefault(snapshot.time, set()).add(snapshot.device)
        elif was in ("off", None) and snapshot.device in self._spares:
            self._came_on.add(snapshot.time)

    def pumps(self) -> set[str]:
        """All spares, and for whom one came on; every pump, if one came on unseen."""
        if not self._came_on <= self._went_off.keys():
            return self._all
        return self._spares.union(*(self._went_off[at] for at in self._came_on))


def _each_once(times: Iterable[Times]) -> list[Times]:
    found: list[Times] = []
    for one in times:
        if one not in found:
            found.append(one)
    return found


class _Watch:
    """One engine that runs the rules of several strategies at once, and tells nobody."""

    def __init__(self, site: Site, times: Times, strategies: Sequence[Strategy], scenario: Scenario) -> None:
        self._ids: dict[str, str] = {}  # what a rule is, with its thresholds -> its id here
        self._of: dict[str, list[str]] = {}  # strategy -> ids
        rules, thresholds = {}, {}
        for strategy in strategies:
            mine = self._of.setdefault(strategy.name, [])
            for rule in strategy.rules:
                values = dict(strategy.thresholds.get(rule.id, {}))
                known = values_of(rule, values, home=site.setting == "home")
                said = json.dumps([rule.model_dump(mode="json", by_alias=True), known], sort_keys=True)
                name = self._ids.setdefault(said, f"{rule.id}-{len(self._ids)}")
                rules[name], thresholds[name] = rule.model_copy(update={"id": name}), values
                mine.append(name)
        watched = replace(
            site,
            rules=tuple(rules.values()),
            thresholds=thresholds,
            times=replace(times, reporting=site.times.reporting),
            _compiled={},
        )
        self._engine = Engine(watched, now=scenario.start_ms, link=True, only_rules=True, trail=False)
        self._held: dict[str, set[str]] = {name: set() for name in rules}
        self._fresh: set[str] = set()  # pumps of which a rule has begun to hold just now
        self._engine.journal.listener = self._hears
        self._taken = 0

    def take(self, event: object, at: int) -> None:
        """Take one message."""
        engine = self._engine
        self._pass(at - 1)
        engine.receive(event, at)
        if self._fresh:
            self._drop()
        self._taken += 1
        if self._taken >= LET_GO:
            self._let_go()

    def end(self, at: int) -> Mapping[str, frozenset[str]]:
        """For each strategy the pumps of which one of its rules held."""
        self._pass(at)
        self._let_go()
        return {name: frozenset().union(*(self._held[key] for key in ids)) for name, ids in self._of.items()}

    def _pass(self, at: int) -> None:
        engine = self._engine
        while (due := engine.due()) is not None and due <= at:
            engine.advance(max(due, engine.now))
            if self._fresh:
                self._drop()

    def _hears(self, happening: Happening) -> None:
        if happening.event == "holds" and happening.rule is not None and happening.device is not None:
            self._held[happening.rule].add(happening.device)
            self._fresh.add(happening.device)

    def _drop(self) -> None:
        """Run no longer what has held once of a pump: no more is asked, and rules know nothing of each other."""
        for name in self._fresh:
            if (device := self._engine.fleet.devices.get(name)) is not None:
                picture, tracks, tops, stepped, rules, marked, calm_due = device.state()
                left = tuple(rule for rule in rules if name not in self._held[rule.id])
                ids = {rule.id for rule in left}
                tracks = [(rule, memory) for rule, memory in tracks if rule in ids]
                tops = {rule: rank for rule, rank in tops.items() if rule in ids}
                device.restore((picture, tracks, tops, stepped, left, marked, calm_due))
        self._fresh.clear()

    def _let_go(self) -> None:
        self._taken = 0
        self._engine.take_happenings()
        self._engine.fleet.dirty.clear()
        self._engine.take_changes()
        self._engine.take_effects()
