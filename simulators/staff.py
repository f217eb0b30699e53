"""The people of a simulated night: they read what really reached their pager or mailbox, answer, and walk.

Nobody here knows more than the text said: place, priority and code are read out of it. Seeded: the same texts at the
same times bring the same answers.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from random import Random

MINUTE = 60_000

_CODE = re.compile(r"\b[ACDEFGHJKMNPQRTWXY234679]{6}\b")
_NO_CALL = ("TAKEN", "OVER", "WITHDRAWN")
_MAIL_BLOCK = re.compile(r"^Pump: ([\w-]+)\..*?answer with code (\w{6})", re.MULTILINE | re.DOTALL)
_ITEM = re.compile(r"(?:HIGH|MEDIUM|LOW) ([^:;]+):")


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a person does about a notice: answers with a code."""

    at: int
    person: str
    code: str
    device: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """A person reaches the pump."""

    at: int
    person: str
    device: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """How one person meets one pump's trouble: how many of their calls they answer, whether they come, in minutes."""

    answers: int = 99
    comes: bool = True
    answer_after: tuple[float, float] = (1.0, 2.5)
    comes_after: tuple[float, float] = (3.0, 6.0)


class Staff:
    """Everybody who may be told, and what they will do."""

    def __init__(
        self,
        *,
        seed: int,
        places: Mapping[str, str],
        habits: Mapping[tuple[str, str], Habit],
        usual: Mapping[str, Habit],
    ) -> None:
        """`places` maps what a text calls a place to the device; `habits` (person, device) beats `usual` (person)."""
        self._random = Random(seed)
        self._places = places
        self._habits, self._usual = habits, usual
        self._due: list[Answer | Arrival] = []
        self._coming: dict[str, int] = {}  # device -> when somebody will be there
        self._answered: dict[tuple[str, str], int] = {}

    def reads(self, person: str, text: str, at: int) -> None:
        """A text has reached a person: decide what they do."""
        codes = self.codes(text)
        if text.startswith(_NO_CALL):  # somebody has it, or it is over: nothing is left to answer
            self._due = [
                due
                for due in self._due
                if not (isinstance(due, Answer) and due.person == person and due.device in self.devices(text))
            ]
            return
        for device, code in codes.items():
            habit = self._habits.get((person, device)) or self._usual.get(person, Habit(answers=0))
            done = self._answered.get((person, device), 0)
            planned = any(
                isinstance(due, Answer) and (due.person, due.device) == (person, device) for due in self._due
            )
            if planned or done >= habit.answers:
                continue
            self._answered[person, device] = done + 1
            when = at + round(self._random.uniform(*habit.answer_after) * MINUTE)
            self._due.append(Answer(at=when, person=person, code=code, device=device))

    def accepted(self, answer: Answer, at: int) -> None:
        """The answer was taken: the person sets out, unless they never do or somebody is on the way."""
        habit = self._habits.get((answer.person, answer.device)) or self._usual[answer.person]
        if habit.comes and self._coming.get(answer.device, 0) <= at:
            when = at + round(self._random.uniform(*habit.comes_after) * MINUTE)
            self._coming[answer.device] = when
            self._due.append(Arrival(at=when, person=answer.person, device=answer.device))

    def next_at(self) -> int | None:
        """When somebody does something next."""
        return min((due.at for due in self._due), default=None)

    def take(self, at: int) -> list[Answer | Arrival]:
        """What is done by `at`, in order."""
        now = sorted((due for due in self._due if due.at <= at), key=lambda due: (due.at, due.person))
        self._due = [due for due in self._due if due.at > at]
        return now

    def devices(self, text: str) -> set[str]:
        """The devices that a text is about."""
        mailed = set(re.findall(r"^Pump: ([\w-]+)\.", text, re.MULTILINE))
        return mailed | {
            device for found in _ITEM.finditer(text) if (device := self._places.get(found[1].strip()))
        }

    def codes(self, text: str) -> dict[str, str]:
        """The code to answer with for each device that a text asks somebody to take."""
        found: dict[str, str] = {}
        for block in _MAIL_BLOCK.finditer(text):
            found.setdefault(block[1], block[2])
        if found:
            return found
        starts = list(_ITEM.finditer(text))
        for index, start in enumerate(starts):
            end = starts[index + 1].start() if index + 1 < len(starts) else len(text)
            code = _CODE.search(text, start.end(), end)
            device = self._places.get(start[1].strip())
            if code is not None and device is not None:
                found.setdefault(device, code[0])
        return found
