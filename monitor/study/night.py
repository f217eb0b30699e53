"""One simulated night under each strategy: world, engine, carriers and people, in virtual time.

What the bridges of the world report goes into the engine as it would live; what the engine asks for goes by carriers
that may fail to people who may answer, walk, and mend. No broker, no store, no network; nothing here reads the time of
day. A night depends on world, seed and strategy alone, not on what else is played.

Editing rules: who tells whom what is the engine's; what counts as what stands in `judging`.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import replace
from typing import Final, NamedTuple

from monitor.core.effects import Asked, Attempted, Reply, SendNotice
from monitor.core.engine import Engine
from monitor.core.holds import AWAY, FEED_ENDED, HOLD, limit_of
from monitor.core.instants import MINUTE
from monitor.core.messages import Snapshot
from monitor.core.site import Site
from monitor.core.ways import ASKS
from monitor.core.wording import WHY
from monitor.study.alike import same_night
from monitor.study.heard import hear
from monitor.study.judging import Course, Deed, Told, Yardsticks, judge
from monitor.study.night_record import NightRecord
from monitor.study.site import first_rung, site_of
from monitor.study.snapshots import snapshot_of
from monitor.study.stirred import filled_up, nobody_told, with_pumps
from monitor.study.strategies import Strategy
from simulators.carrying import Carriers
from simulators.people import Answer, Arrival, People
from simulators.scenario import Scenario
from simulators.wire import Published
from simulators.world import World
from simulators.worlds import WorldFile

LET_GO: Final = 1_000  # inputs that told something new after which what would have been stored is forgotten

ALLOWED: Final = 10 * MINUTE  # that somebody allows beyond what a hold is meant to last; cp

_TECHNICAL: Final = "technical"  # whose attempts are those of notices about the monitor itself


def play_seed(
    world: WorldFile,
    strategies: Sequence[Strategy],
    seed: int,
    skip: Collection[str] = (),
    *,
    seconds: Callable[[], float] = time.process_time,
    every_pump: bool = False,
) -> Iterator[NightRecord]:
    """The records of one night, of each strategy whose name is not in `skip`; the yardstick is played in any case.

    `seconds` says how much of a core has been used; it decides nothing. `every_pump`: also those that no rule of a
    strategy would ever be about are played, which takes longer and comes to the same.
    """
    wanted = [strategy for strategy in strategies if strategy.name not in skip]
    if not wanted:
        return
    scenario = world.scenario(seed)
    began = seconds()
    nobody, pumps = nobody_told(world, scenario, wanted)
    took = seconds() - began
    units_of: dict[str, set[str]] = {bridge: set() for bridge in scenario.bridges}
    for pump in scenario.pumps:
        units_of[pump.bridge].add(pump.unit)
    yard = Yardsticks(nobody=nobody, night=world.night(scenario), units_of=units_of)
    nurses = len(first_rung(world.setting, scenario.units))
    played: list[_Played] = []
    for strategy in wanted:
        course = nobody
        if strategy.rules:
            began = seconds()
            mine = None if every_pump else pumps[strategy.name]
            same = None if mine is None else _alike(played, strategy, mine, home=world.setting == "home")
            if same is not None:
                course = same
            else:
                night = _night(world, scenario, strategy, mine)
                course = night.run()
                if mine is not None:
                    course = filled_up(course, nobody, mine, scenario)
                    played.append(_Played(strategy, mine, frozenset(night.held), course))
            took = seconds() - began
        yield judge(
            course, yard, world=world.name, strategy=strategy.name, seed=seed, nurses=nurses, seconds=took
        )


class _Played(NamedTuple):
    """A night that was played: with which pumps, which rules began to hold in it, and what happened."""

    strategy: Strategy
    pumps: Collection[str]
    held: Collection[str]
    course: Course


def _alike(
    played: Sequence[_Played], strategy: Strategy, pumps: Collection[str], *, home: bool
) -> Course | None:
    """The course of a night that was played and is this strategy's too, if there is one."""
    for one in played:
        if one.pumps == pumps and same_night(one.strategy, one.held, strategy, home=home):
            return one.course
    return None


def play(
    world: WorldFile, scenario: Scenario, strategy: Strategy, pumps: Collection[str] | None = None
) -> Course:
    """What happens in one night under one strategy, with all pumps or some of them."""
    return _night(world, scenario, strategy, pumps).run()


def _night(world: WorldFile, scenario: Scenario, strategy: Strategy, pumps: Collection[str] | None) -> Night:
    night = world.night(scenario)
    people = People(world.people, scenario.seed)
    carriers = Carriers(world.carriers, scenario.seed, *night)
    site = site_of(world, scenario, strategy)
    if pumps is not None:  # one that is listed and never heard of would be out of sight
        site = replace(site, devices={name: entry for name, entry in site.devices.items() if name in pumps})
        scenario = with_pumps(scenario, pumps)
    return Night(World(scenario, write=snapshot_of), site, people, carriers)


class Night:
    """One night being played."""

    def __init__(self, world: World, site: Site, people: People, carriers: Carriers) -> None:
        self._world, self._people, self._carriers = world, people, carriers
        # A site's compiled rules and its rota are the engine's own: no other night is to see them.
        self._site = replace(site, _compiled={})
        self._engine = Engine(self._site, now=world.start_ms, link=True, trail=False)
        self._course = Course(end=world.end_ms)
        self._told_new = 0
        self.held: set[str] = set()  # the rules that began to hold, once it was run

    def run(self) -> Course:
        """Play it to its end."""
        world, engine, people, carriers = self._world, self._engine, self._people, self._carriers
        end = world.end_ms
        next_end, due = carriers.next_at, engine.due
        while True:
            at = end + 1
            for coming in (due(), people.next_at(), next_end()):
                if coming is not None and coming < at:
                    at = coming
            if word := world.advance_to_word(min(at, end)):
                at = world.now
                for what in word:
                    if type(what) is Snapshot:
                        self._give(what, at)
                    elif isinstance(what, Published):
                        self._give(hear(what, self._site), at)
            elif at > end:
                break
            if (soon := due()) is not None and soon <= at:
                engine.advance(at)
                self._settle(at)
            if (soon := next_end()) is not None and soon <= at:
                self._attempts_end(at)
            if (soon := people.next_at()) is not None and soon <= at:
                self._people_act(at)
        self._course.troubles, self._course.balances = world.truth(), world.balances()
        self._course.messages = engine.counters["messages"]
        self._let_go()
        return self._course

    # ---- the world to the engine -----------------------------------------------------------------------------------

    def _give(self, what: object, at: int) -> None:
        self._engine.receive(what, at)
        self._settle(at)

    def _let_go(self) -> None:
        """Nobody stores what changed or reads what happened: forget it, or it would pile up."""
        self._told_new = 0
        engine = self._engine
        engine.fleet.dirty.clear()
        self.held.update(one.rule for one in engine.take_happenings() if one.rule is not None)
        engine.take_changes()
        engine.take_effects()  # the lists of concerns, for the bus

    # ---- the engine to people --------------------------------------------------------------------------------------

    def _settle(self, at: int) -> list[Reply]:
        """Give the carriers what the engine wants sent; what it replied."""
        engine = self._engine
        replies: list[Reply] = []
        self._told_new += 1
        if not (engine.outbox.effects or engine.technical.effects or engine.answers.effects):
            if self._told_new >= LET_GO:
                self._let_go()
            return replies
        for effect in engine.take_effects():
            if isinstance(effect, SendNotice):
                notice = engine.outbox.notices.get(effect.notice)
                person = _TECHNICAL if notice is None else notice.person
                self._carriers.send(effect.notice, person, effect.carrier, at)
            elif isinstance(effect, Reply):
                replies.append(effect)
        return replies

    def _attempts_end(self, at: int) -> None:
        for attempt in self._carriers.take(at):
            notice = self._engine.outbox.notices.get(attempt.notice)
            person, said = ("", {}) if notice is None else (notice.person, dict(notice.said))
            ended = Attempted(notice=attempt.notice, outcome=attempt.outcome, text=attempt.said)
            self._engine.receive(ended, at)
            if attempt.outcome == "sent" and person:
                self._reads(person, said, at)
            self._settle(at)

    def _reads(self, person: str, said: dict[str, str], at: int) -> None:
        """A notice has come to a person: she reads what it asks of her, and what it does not ask any more."""
        known = self._engine.responsibility.concerns
        asks: dict[str, str] = {}
        over: list[str] = []
        calls: dict[tuple[str, str], None] = {}
        aware: dict[tuple[str, str], None] = {}
        for key, why in said.items():
            concern = known.get(key)
            if WHY[why].kind in ASKS and concern is not None:
                asks[key] = concern.subject
                (aware if concern.priority == "low" else calls)[concern.subject, concern.rule] = None
            else:
                over.append(key)
        self._course.told.append(Told(at, person, tuple(calls), tuple(aware)))
        self._people.reads(person, at, asks=asks, over=over)

    # ---- people to the engine and the world --------------------------------------------------------------------------

    def _people_act(self, at: int) -> None:
        for deed in self._people.take(at):
            if isinstance(deed, Answer):
                if self._accepts(deed, at):
                    self._course.accepted.append(Deed(at, deed.person, deed.subject))
                    self._people.accepted(deed, at)
            else:
                self._course.came.append(Deed(at, deed.person, deed.subject))
                if not deed.subject.startswith("unit:"):  # what ails a bridge is mended by somebody else
                    self._world.attend(deed.subject, at)
                    self._tells_why(deed, at)

    def _accepts(self, answer: Answer, at: int) -> bool:
        """Whether she has it now: an accept of one concern answers all that are open about the pump."""
        for concern in answer.concerns:
            asked = Asked(token=concern, reference=concern, answer="accept", person=answer.person)
            self._engine.receive(asked, at)
            if any(reply.ok for reply in self._settle(at)):
                return True
        return False

    def _tells_why(self, arrival: Arrival, at: int) -> None:
        """What she finds to be so on purpose, and what only the radio has lost, she answers for as long as she may.

        Else she would be called to it again at each recheck.
        """
        pump, bed = arrival.subject, self._world.beds[arrival.subject]
        risk = (
            (entry := self._site.devices.get(pump)) is not None
            and entry.plan is not None
            and entry.plan.glucose_risk
        )
        held_until = self._world.held_until(pump)
        if self._world.over_for_now(pump):
            self._answers(FEED_ENDED, arrival, None, "over for now", at)
        elif held_until is not None and held_until > at:
            until = min(held_until + ALLOWED, at + limit_of(HOLD, glucose_risk=risk))
            self._answers(HOLD, arrival, until, "on purpose", at)
        if not bed.in_sight:
            self._answers(AWAY, arrival, at + limit_of(AWAY, glucose_risk=risk), "out of radio only", at)

    def _answers(self, answer: str, arrival: Arrival, until: int | None, reason: str, at: int) -> None:
        asked = Asked(
            token="",
            reference=arrival.subject,
            answer=answer,
            person=arrival.person,
            until=until,
            reason=reason,
        )
        self._engine.receive(asked, at)
        self._settle(at)
