"""Concerns that are so on purpose: held, and what becomes of them when the hold ends.

Editing rules: what is held, and until when, stands in `holds.py`; what a hold does to a concern in `concerns.py`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Any, Protocol

from monitor.core.concern import Concern
from monitor.core.concerns import Event, State
from monitor.core.device import Edge
from monitor.core.journal import Journal
from monitor.core.rulebook import CompiledRule
from monitor.core.site import Site


class Sight(Protocol):
    """What responsibility has to know of the subjects."""

    def troubled(self, concern: Concern, now: int) -> bool:
        """Whether the trouble is still there, for a wait or a recheck."""

    def backlogged(self, subject: str) -> bool:
        """Whether a backlog is being read, so that nobody is told yet."""

    def measure(self, concern: Concern) -> list[float | None] | None:
        """What to remember of a concern when somebody is told, to know later whether it is worse."""


class Held(Protocol):
    """What responsibility has to know of what is held on purpose."""

    def quiets(self, device: str, rule: CompiledRule) -> Any:
        """What keeps a rule about a device quiet, if anything does."""

    def until(self, concern: Concern) -> int | None:
        """Until when a concern is quiet; None if it is not."""

    def hand_back(self, device: str, person: str, now: int) -> Any:
        """Whoever held it says that it is no longer hers."""


class Holding(ABC):
    """The part of responsibility that is about holds."""

    site: Site
    of_subject: dict[str, dict[str, Concern]]
    _journal: Journal
    _sight: Sight

    @abstractmethod
    def happens(
        self, concern: Concern, event: Event, now: int, *, person: str | None = None, why: str = ""
    ) -> str | None:
        """Look the event up in the table and do what the cell says."""

    @abstractmethod
    def edge(
        self, subject: str, unit: str, edge: Edge, now: int, evidence: dict[str, object]
    ) -> Concern | None:
        """A rule began."""

    @abstractmethod
    def _new_or_again(
        self,
        concern: Concern | None,
        subject: str,
        unit: str,
        edge: Edge,
        now: int,
        evidence: dict[str, object],
    ) -> tuple[Concern, str]:
        """A new concern, or the last one within its relapse window."""

    def hold(self, concern: Concern, person: str, now: int) -> None:
        """A person has said that what this concern is about is so on purpose: hers until the hold ends."""
        by_holder = concern.state is State.ACCEPTED and concern.holder == person
        past = (
            "accepted-again" if by_holder else "taken-over" if concern.state is State.ACCEPTED else "accepted"
        )
        self._journal.about(past, concern, now, person=person, held=True)
        self.happens(concern, Event.HELD_BY_HOLDER if by_holder else Event.HELD, now, person=person)

    def hold_ended(
        self, concern: Concern, why: str, told: str | None, now: int, *, feeds: bool = False
    ) -> None:
        """A concern is held no longer: unless it `feeds` or nothing is new, its holder or `told` hears, then rung 1."""
        holder = concern.holder
        on_duty = holder is not None and self.site.rota.is_on_duty(holder, now)
        if concern.state is State.ACCEPTED and (feeds or not self._sight.troubled(concern, now)):
            self.happens(concern, Event.HOLD_ENDS_QUIET if on_duty else Event.DUTY_ENDS, now)
            return
        if told is not None and on_duty:
            told = holder
        self.happens(concern, Event.HOLD_ENDS, now, person=told, why=why)

    def after_hold(
        self,
        subject: str,
        unit: str,
        edge: Edge,
        evidence: dict[str, object],
        why: str,
        told: str | None,
        *,
        due: int,
        now: int,
    ) -> None:
        """A rule that was quieted until `due` still holds: a concern now, told to `told` first, if anybody."""
        if why == "raised":
            self.edge(subject, unit, edge, now, evidence)
            return
        concern = self.of_subject.get(subject, {}).get(edge.rule.id)
        concern, name = self._new_or_again(concern, subject, unit, edge, now, evidence)
        concern.late_by = now - due if now - due > self.site.times.clock_tolerance else None
        self._journal.about(
            name, concern, now, at=edge.at, since=edge.since, evidence=evidence, after_hold=True
        )
        self.happens(concern, Event.HOLD_ENDS, now, person=told, why=why)
        concern.called_at = max(now, edge.at)
