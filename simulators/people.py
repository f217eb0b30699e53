"""The people who are told: how long they take to answer, whether they ever do, and when they reach the pump.

An answer takes a lognormal time whose median grows with the notices that the same person had in the last 2 h: the more
alarms, the slower the answer (Bonafide 2015). Some notices are never answered. Whoever accepted several
pumps goes to them one after the other; whoever hears that it is over, or that somebody else has it, turns round.

Every draw comes from a stream of its own, named by the person, what is asked about and how often before, so that one
night under two ways of telling people is as alike as can be. Nothing here reads a clock.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from math import exp
from random import Random
from typing import Final, NamedTuple

from simulators.figures import PeopleFigures
from simulators.instants import HOUR, MINUTE, whole_ms

LOAD_MS: Final = 2 * HOUR  # Bonafide 2015 counts what came in the prior 120 min


class Answer(NamedTuple):
    """A person accepts: what it is about (a device, or a unit), and of which concerns she was told, the last first."""

    at: int
    person: str
    subject: str
    concerns: tuple[str, ...]


class Arrival(NamedTuple):
    """A person's hands are at the pump."""

    at: int
    person: str
    subject: str


@dataclass(slots=True)
class _Asked:
    """What a person was asked about one subject and has not answered; `at` None: she never will."""

    at: int | None
    concerns: dict[str, None]


@dataclass(slots=True)
class _Errand:
    """A pump that a person is going to, once she comes to it; what it takes is drawn when she accepts."""

    subject: str
    takes: int
    concerns: set[str]


@dataclass(slots=True)
class _Round:
    """The pumps that one person goes to, one after the other; `arrives` is when she is at the first of them."""

    errands: deque[_Errand] = field(default_factory=deque)
    arrives: int = 0


class People:
    """Everybody who may be told, in one night."""

    def __init__(self, figures: PeopleFigures, seed: int) -> None:
        self._figures, self._seed = figures, seed
        self._told: dict[str, deque[int]] = {}  # person -> when notices reached her, those of the last 2 h
        self._asked: dict[tuple[str, str], _Asked] = {}
        self._rounds: dict[str, _Round] = {}
        self._occasions: Counter[tuple[str, str, str]] = Counter()
        self._next: int | None = None

    # ---- in --------------------------------------------------------------------------------------------------------

    def reads(self, person: str, at: int, *, asks: Mapping[str, str], over: Collection[str] = ()) -> None:
        """A notice has reached a person: what it asks her to see to (concern -> subject), and what is asked no more."""
        told = self._told.setdefault(person, deque())
        while told and at - told[0] >= LOAD_MS:
            told.popleft()
        lately = len(told)
        told.append(at)
        if over:
            self._forget(person, set(over), at)
        if asks:
            subjects = sorted(set(asks.values()))
            answers_at = self._answers_at(person, subjects, at, lately)
            for subject in subjects:
                mine = [concern for concern, about in asks.items() if about == subject]
                self._ask(person, subject, mine, answers_at)
        self._look()

    def accepted(self, answer: Answer, at: int) -> None:
        """Her answer was taken: she sets out, unless she is on her way there already."""
        going = self._rounds.setdefault(answer.person, _Round())
        for errand in going.errands:
            if errand.subject == answer.subject:
                errand.concerns.update(answer.concerns)
                return
        takes = self._comes_ms(answer.person, answer.subject)
        if takes is None:
            return
        going.errands.append(_Errand(answer.subject, takes, set(answer.concerns)))
        if len(going.errands) == 1:
            going.arrives = at + takes
        self._look()

    # ---- out -------------------------------------------------------------------------------------------------------

    def next_at(self) -> int | None:
        """When somebody does something next."""
        return self._next

    def take(self, at: int) -> list[Answer | Arrival]:
        """What is done by `at`, in order."""
        done: list[Answer | Arrival] = []
        for (person, subject), asked in list(self._asked.items()):
            if asked.at is not None and asked.at <= at:
                done.append(Answer(asked.at, person, subject, tuple(reversed(asked.concerns))))
                del self._asked[person, subject]
        for person, going in self._rounds.items():
            while going.errands and going.arrives <= at:
                done.append(Arrival(going.arrives, person, going.errands[0].subject))
                self._leave(going, going.errands[0], going.arrives)
        self._look()
        return sorted(done, key=lambda deed: deed[:3])

    # ---- how it works inside ---------------------------------------------------------------------------------------

    def _answers_at(self, person: str, subjects: list[str], at: int, lately: int) -> int | None:
        """When a notice is answered, None for never: one look at one notice, whatever number of pumps it tells of."""
        streams = [self._stream("answer", person, subject) for subject in subjects]
        draw, figures = streams[0], self._figures
        never = draw.random() < figures.never.value
        median_ms = figures.answer_median_min.value * MINUTE * (1 + figures.slower_per_notice.value * lately)
        takes = whole_ms(median_ms * exp(figures.answer_sigma.value * draw.gauss(0, 1)))
        return None if never else at + max(1, takes)

    def _comes_ms(self, person: str, subject: str) -> int | None:
        """How long it takes her, None if she accepted and no hands come to the pump."""
        figures = self._figures
        draw = self._stream("comes", person, subject)
        if draw.random() < figures.comes_never.value:
            return None
        takes = figures.comes_median_min.value * MINUTE * exp(figures.comes_sigma.value * draw.gauss(0, 1))
        return max(1, whole_ms(takes))

    def _stream(self, what: str, person: str, subject: str) -> Random:
        self._occasions[what, person, subject] += 1
        return Random(f"{self._seed}/{what}/{person}/{subject}/{self._occasions[what, person, subject]}")

    def _ask(self, person: str, subject: str, concerns: list[str], answers_at: int | None) -> None:
        """Asked again of what she has not answered, she answers when she would have, or sooner."""
        known = self._asked.get((person, subject))
        if known is None:
            known = self._asked[person, subject] = _Asked(answers_at, {})
        elif known.at is None or (answers_at is not None and answers_at < known.at):
            known.at = answers_at
        for concern in concerns:
            known.concerns.pop(concern, None)
            known.concerns[concern] = None

    def _forget(self, person: str, over: set[str], at: int) -> None:
        """Somebody else has it, or it has ended: there is nothing left to answer, and nowhere to go."""
        for (who, subject), asked in list(self._asked.items()):
            if who == person and not over.isdisjoint(asked.concerns):
                for concern in over & asked.concerns.keys():
                    del asked.concerns[concern]
                if not asked.concerns:
                    del self._asked[who, subject]
        going = self._rounds.get(person)
        for errand in [] if going is None else list(going.errands):
            if not over.isdisjoint(errand.concerns):
                errand.concerns -= over
                if not errand.concerns and going is not None:
                    self._leave(going, errand, at)

    @staticmethod
    def _leave(going: _Round, errand: _Errand, at: int) -> None:
        """She is done with a pump, or need not go there: if it was the first, she sets out for the next."""
        first = going.errands[0] is errand
        going.errands.remove(errand)
        if first and going.errands:
            going.arrives = at + going.errands[0].takes

    def _look(self) -> None:
        coming = [asked.at for asked in self._asked.values() if asked.at is not None]
        coming += [going.arrives for going in self._rounds.values() if going.errands]
        self._next = min(coming, default=None)
