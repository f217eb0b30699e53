"""What one night was worth: the record of it, from what was told, what really went wrong, and what was given.

What is counted, exactly:

- *Lasting* are the troubles that outlast 15 min, from when somebody was needed, in the same night with nobody told.
  They are looked for in the whole run, which is longer than the night.
- One is *reached* if a notice that asks somebody to see to that pump was carried between its beginning and its end
  there, or if somebody came to the pump in that time whom an earlier notice had sent. It is *averted*, and neither
  reached nor missed, if this pump has no trouble at that time here because somebody had been at it before. Else it is
  *missed*. Accepting is counted alike. What was told before it needed somebody is told after 0 ms.
- Notices, calls and wakings are those of the night (20:00 to 08:00 local), so that they are per nurse-night. A *call*
  is a notice of medium or high priority that asks somebody to see to a pump; what is low alone is for awareness and
  counted apart. A call is *real* if, when it was carried, one of its pumps had a trouble
  that needed somebody, then or later, and was not over, or had been for less than `JUST_OVER`.
- What somebody only has to know of (`simulators.truth.TO_KNOW`: a feed that is behind, a tube that is out, a rest of
  over 30 min at glucose risk) is no trouble here: no notice makes it shorter. Calls about it are not real; they are
  counted as *to know of*, that a feed is behind only where the rule says so.
- That a bridge is gone is a trouble of the bridge, and told by concerns of its units.
- Feed is counted over the whole run: what was due less what was given, for each pump never below 0; and of it what was
  not given while a trouble needed somebody, which is all that telling anybody can change.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from monitor.core.instants import MINUTE, SECOND
from monitor.study.night_record import Missed, NightRecord
from simulators.reckoning import Balance
from simulators.truth import TO_KNOW, Trouble

LASTING: Final = 15 * MINUTE  # the line between what matters and what passes
JUST_OVER: Final = 60 * SECOND  # a notice on its way when it ends is no false one; cp
WORST: Final = 10 * MINUTE  # ISA-18.2 looks at 10 min
ASLEEP: Final = 30 * MINUTE  # somebody not called for so long is woken by a call; cp


class Told(NamedTuple):
    """One notice that was carried: when, to whom, and what it asks her to see to (subject and rule).

    `aware` is the same of low priority alone, which is for awareness (IEC 60601-1-8) and asks for no prompt response.
    """

    at: int
    person: str
    calls: tuple[tuple[str, str], ...]
    aware: tuple[tuple[str, str], ...] = ()


class Deed(NamedTuple):
    """Somebody accepted, or came to a pump."""

    at: int
    person: str
    subject: str


@dataclass(slots=True)
class Course:
    """What happened in one night under one strategy."""

    end: int
    told: list[Told] = field(default_factory=list)
    accepted: list[Deed] = field(default_factory=list)
    came: list[Deed] = field(default_factory=list)
    troubles: Sequence[Trouble] = ()
    balances: Sequence[Balance] = ()
    messages: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Yardsticks:
    """What a strategy is held against: the same night with nobody told."""

    nobody: Course
    night: tuple[int, int]
    units_of: Mapping[str, Collection[str]]  # bridge -> the units whose pumps report by it

    def subjects(self, device: str) -> frozenset[str]:
        """What a concern about this pump, or this bridge, may name as its subject."""
        units = self.units_of.get(device)
        return frozenset({device}) if units is None else frozenset(f"unit:{unit}" for unit in units)


def judge(
    course: Course, yard: Yardsticks, *, world: str, strategy: str, seed: int, nurses: int, seconds: float
) -> NightRecord:
    """The record of a night."""
    fate = _fates(course, yard)
    begin, end = yard.night
    told = [notice for notice in course.told if begin <= notice.at < end]
    calls = [notice for notice in told if notice.calls]
    judged = _Truth(course, yard)
    real = [judged.real(notice.at, notice.calls) for notice in calls]
    wakings = _wakings(course.told, begin, end)
    lost = _lost(course.balances)
    return NightRecord(
        world=world,
        strategy=strategy,
        seed=seed,
        pumps=len(course.balances),
        nurse_nights=float(nurses),
        troubles=sum(trouble.kind not in TO_KNOW for trouble in yard.nobody.troubles),
        lasting=fate.lasting,
        reached=len(fate.told_ms),
        accepted=len(fate.accepted_ms),
        averted=fate.averted,
        missed=tuple(fate.missed),
        fate_of={kind: (all_, reached) for kind, (all_, reached) in sorted(fate.of.items())},
        told_ms=tuple(fate.told_ms),
        accepted_ms=tuple(fate.accepted_ms),
        notices=len(told),
        calls=len(calls),
        aware=sum(bool(notice.aware) and not notice.calls for notice in told),
        real=sum(real),
        to_know=sum(
            judged.to_know(notice.at, notice.calls) for notice, so in zip(calls, real, strict=True) if not so
        ),
        worst=_worst(told),
        wakings=len(wakings),
        needless=sum(not judged.real(call.at, call.calls) for call in wakings),
        calls_of=_by_rule(calls, judged),
        due_ml=sum(balance.due_ml for balance in course.balances),
        lost_ml=sum(ml for ml, _ in lost),
        lost_kcal=sum(ml * kcal for ml, kcal in lost),
        trouble_ml=sum(balance.needed_ml for balance in course.balances),
        trouble_kcal=sum(balance.needed_ml * balance.kcal_per_ml for balance in course.balances),
        glucose_min=sum(balance.glucose_stopped_ms for balance in course.balances) / MINUTE,
        battery_min=sum(balance.dead_battery_ms for balance in course.balances) / MINUTE,
        messages=course.messages,
        seconds=seconds,
    )


# ---- what became of the troubles -----------------------------------------------------------------------------------


@dataclass(slots=True)
class _Fates:
    """What became of the lasting troubles."""

    lasting: int = 0
    averted: int = 0
    told_ms: list[int] = field(default_factory=list)
    accepted_ms: list[int] = field(default_factory=list)
    missed: list[Missed] = field(default_factory=list)
    of: dict[str, list[int]] = field(default_factory=dict)  # kind -> neither averted nor too short, reached

    def avert(self, kind: str) -> None:
        """Count one that did not come about."""
        self.averted += 1
        self.of[kind][0] -= 1


def _fates(course: Course, yard: Yardsticks) -> _Fates:
    told: dict[str, list[int]] = {}
    for notice in course.told:
        for subject in {subject for subject, _ in (*notice.calls, *notice.aware)}:
            told.setdefault(subject, []).append(notice.at)
    accepted = _instants(course.accepted)
    came = _instants(course.came)
    fates = _Fates()
    for trouble in yard.nobody.troubles:
        ended = yard.nobody.end if trouble.ended is None else trouble.ended
        if trouble.kind in TO_KNOW or ended - trouble.needed_from <= LASTING:
            continue
        fates.lasting += 1
        fates.of.setdefault(trouble.kind, [0, 0])[0] += 1
        subjects = yard.subjects(trouble.device)
        here = any(
            own.device == trouble.device
            and own.kind not in TO_KNOW
            and own.needed_from < ended
            and (own.ended is None or own.ended > trouble.needed_from)
            for own in course.troubles
        )
        visited = min((at for subject in subjects for at in came.get(subject, ())), default=None)
        if not here and visited is not None and visited <= trouble.began:
            fates.avert(trouble.kind)
            continue
        heard = _first(told, came, subjects, trouble.began, ended)
        if heard is None:
            if not here and visited is not None and visited <= trouble.needed_from:
                fates.avert(trouble.kind)
            else:
                missed = Missed(
                    device=trouble.device,
                    kind=trouble.kind,
                    needed_from=trouble.needed_from,
                    ended=trouble.ended,
                )
                fates.missed.append(missed)
            continue
        fates.of[trouble.kind][1] += 1
        fates.told_ms.append(max(0, heard - trouble.needed_from))
        taken = _first(accepted, came, subjects, trouble.began, ended)
        if taken is not None:
            fates.accepted_ms.append(max(0, taken - trouble.needed_from))
    return fates


def _first(
    of: Mapping[str, list[int]],
    came: Mapping[str, list[int]],
    subjects: Iterable[str],
    began: int,
    ended: int,
) -> int | None:
    """The first such instant while a trouble lasted; its beginning, if whoever came was on her way by then."""
    found = []
    for subject in subjects:
        first = next((at for at in of.get(subject, ()) if began <= at <= ended), None)
        arrival = next((at for at in came.get(subject, ()) if began <= at <= ended), None)
        if arrival is not None and (first is None or arrival < first):
            found.append(began)
        elif first is not None:
            found.append(first)
    return min(found, default=None)


def _instants(deeds: Iterable[Deed]) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for deed in deeds:
        insort(found.setdefault(deed.subject, []), deed.at)
    return found


# ---- what was told --------------------------------------------------------------------------------------------------


class _Truth:
    """Whether what is told of a subject at an instant is so.

    That is so in this very night; and, until somebody has come to the pump, in the night with nobody told, which is the
    same until then: what an early call averts needed somebody too.
    """

    def __init__(self, course: Course, yard: Yardsticks) -> None:
        came: dict[str, int] = {}
        for deed in course.came:
            came[deed.subject] = min(deed.at, came.get(deed.subject, deed.at))
        self._came = came
        self._own = _of_subjects(course.troubles, yard)
        self._nobody = _of_subjects(yard.nobody.troubles, yard)

    def real(self, at: int, calls: Iterable[tuple[str, str]]) -> bool:
        """Whether one of these subjects had a trouble that needed somebody, sooner or later, and was not over."""
        return any(
            one.kind not in TO_KNOW and one.began <= at and _not_over(one, at)
            for subject, _ in calls
            for one in self._known(subject, at)
        )

    def to_know(self, at: int, calls: Iterable[tuple[str, str]]) -> bool:
        """Whether there was something to know of, and the rule is one that says so."""
        return any(
            one.kind in TO_KNOW
            and one.needed_from <= at
            and _not_over(one, at)
            and (one.kind != "behind-plan" or rule == "behind-plan")
            for subject, rule in calls
            for one in self._own.get(subject, ())
        )

    def _known(self, subject: str, at: int) -> list[Trouble]:
        own = self._own.get(subject, [])
        return own if self._came.get(subject, at) < at else own + self._nobody.get(subject, [])


def _of_subjects(troubles: Iterable[Trouble], yard: Yardsticks) -> dict[str, list[Trouble]]:
    found: dict[str, list[Trouble]] = {}
    for trouble in troubles:
        for subject in yard.subjects(trouble.device):
            found.setdefault(subject, []).append(trouble)
    return found


def _not_over(trouble: Trouble, at: int) -> bool:
    return trouble.ended is None or at - trouble.ended <= JUST_OVER


def _by_rule(calls: Iterable[Told], judged: _Truth) -> dict[str, tuple[int, int]]:
    found: dict[str, list[int]] = {}
    for call in calls:
        for rule in {rule for _, rule in call.calls}:
            counts = found.setdefault(rule, [0, 0])
            counts[0] += 1
            counts[1] += judged.real(call.at, [(subject, of) for subject, of in call.calls if of == rule])
    return {rule: (found[rule][0], found[rule][1]) for rule in sorted(found)}


def _worst(told: Iterable[Told]) -> int:
    """The most notices to one person within 10 min; two exactly so far apart are not within."""
    worst, recent = 0, dict[str, list[int]]()
    for notice in told:
        mine = recent.setdefault(notice.person, [])
        mine.append(notice.at)
        while notice.at - mine[0] >= WORST:
            del mine[0]
        worst = max(worst, len(mine))
    return worst


def _wakings(told: Iterable[Told], begin: int, end: int) -> list[Told]:
    """The calls of the night to somebody who was not called in the 30 min before."""
    last: dict[str, int] = {}
    found = []
    for notice in told:
        if notice.calls:
            before = last.get(notice.person)
            if begin <= notice.at < end and (before is None or notice.at - before >= ASLEEP):
                found.append(notice)
            last[notice.person] = notice.at
    return found


# ---- what was given -------------------------------------------------------------------------------------------------


def _lost(balances: Iterable[Balance]) -> list[tuple[float, float]]:
    """For each pump the mL that were due and not given, and kcal in each."""
    return [(max(0.0, one.due_ml - one.given_ml), one.kcal_per_ml) for one in balances]
