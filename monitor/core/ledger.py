"""The ledger of concerns: which there are, the table looked up for one of them, what is over, forgotten, gone back to.

Editing rules: here a concern is found, kept and changed by the table's cells; which event it is stands in
`responsibility` and `replies`.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Protocol

from monitor.core.actions import Actions
from monitor.core.calls import Caller
from monitor.core.concern import Concern
from monitor.core.concerns import Do, Event, State, next_state
from monitor.core.journal import Journal
from monitor.core.outbox import Outbox
from monitor.core.site import Site
from monitor.core.timers import Kind, Timers

if TYPE_CHECKING:
    from monitor.core.holds import Holds


class Sight(Protocol):
    """What responsibility has to know of the subjects."""

    def troubled(self, concern: Concern, now: int) -> bool:
        """Whether the trouble is still there, for a wait or a recheck."""

    def backlogged(self, subject: str) -> bool:
        """Whether a backlog is being read, so that nobody is told yet."""

    def known(self, concern: Concern) -> bool:
        """Whether what holds again is no worse than what somebody was told."""

    def measure(self, concern: Concern) -> list[float | None] | None:
        """What to remember of a concern when somebody is told, to know later whether it is worse."""


class Ledger:
    """All concerns; the parts of responsibility build on it."""

    def __init__(self, site: Site, journal: Journal, timers: Timers, sight: Sight) -> None:
        self.site, self._journal, self._timers, self._sight = site, journal, timers, sight
        self.concerns: dict[str, Concern] = {}
        self.of_subject: dict[str, dict[str, Concern]] = {}  # subject -> rule -> the newest concern
        self.dirty: set[str] = set()
        self.left: set[str] = set()  # subjects that a concern has left: their lists are published anew
        self._raised = 0  # how many had been raised then
        self._kept: dict[str, str] = {}  # the concerns of the subject that is being stepped, as they were
        self._caller = Caller(site, journal)
        self._actions = Actions(site, journal, self._caller)
        self._held: Holds  # set by the engine

    @property
    def held(self) -> Holds:
        """What is held on purpose; set by the engine."""
        return self._held

    @held.setter
    def held(self, held: Holds) -> None:
        self._held, self._actions.held_until = held, held.until

    @property
    def outbox(self) -> Outbox:
        """Where notices go; set by the engine, which composes the texts."""
        return self._caller.outbox

    @outbox.setter
    def outbox(self, outbox: Outbox) -> None:
        self._caller.outbox = outbox

    @property
    def only(self) -> dict[str, str]:
        """Subject -> the one person whom its concerns go to, in place of a ladder."""
        return self._caller.only

    @property
    def duty_seen(self) -> int:
        """When it was last looked at who is on duty: after a start, what has changed since is not missed."""
        return self._actions.duty_seen

    @duty_seen.setter
    def duty_seen(self, at: int) -> None:
        self._actions.duty_seen = at

    # ---- the table -------------------------------------------------------------------------------------------------

    def happens(
        self, concern: Concern, event: Event, now: int, *, person: str | None = None, why: str = ""
    ) -> str | None:
        """Look the event up in the table and do what the cell says; returns what it says to who answered."""
        cell = next_state(concern.state, event)
        was, concern.state = concern.state, cell.to
        if was is State.ACCEPTED and cell.to is not State.ACCEPTED:
            concern.recheck_at = None
        if cell.to is not State.OPEN:
            concern.wait_at = None
        called = concern.call_began
        said = self._actions.perform(cell, concern, event, person, now, why)
        if concern.call_began != called or Do.COVER in cell.do or Do.TELL_HOLDER_FURTHER in cell.do:
            concern.measure = self._sight.measure(concern)
        self._touch(concern)
        return said

    def settle(self, concern: Concern, at: int, now: int, why: str) -> None:
        """The trouble is over at instant `at`."""
        self._journal.about("settled", concern, now, at=at, why=why)
        self._over(concern, at, now, why)
        self.happens(concern, Event.SETTLES, now)

    def withdraw(self, concern: Concern, now: int, why: str) -> None:
        """No longer anybody's business, as its rule is not there any more."""
        self._journal.about("withdrawn", concern, now, why=why)
        self._over(concern, now, now, why)
        self.happens(concern, Event.WITHDRAWN, now)

    def _over(self, concern: Concern, at: int, now: int, why: str) -> None:
        concern.settled_at, concern.settled = at, why
        self._timers.put(max(at, now) + self.site.times.keep_settled, Kind.RETIRE, concern.id)

    # ---- what is kept ----------------------------------------------------------------------------------------------

    def open_of(self, subject: str) -> list[Concern]:
        """The live concerns of a subject, oldest first."""
        return sorted((c for c in self.of_subject.get(subject, {}).values() if c.live), key=_age)

    def in_order(self) -> list[Concern]:
        """All concerns, oldest first: the same order after a restart."""
        return sorted(self.concerns.values(), key=_age)

    def retire(self, concern: Concern, now: int) -> None:
        """Forget a concern that settled long ago; the trail keeps its story."""
        if (
            concern.live
            or concern.settled_at is None
            or now - concern.settled_at < self.site.times.keep_settled
        ):
            return
        del self.concerns[concern.id]
        self.outbox.groups.forget((concern.id,), self.concerns)
        if self.of_subject.get(concern.subject, {}).get(concern.rule) is concern:
            del self.of_subject[concern.subject][concern.rule]
        self.dirty.add(concern.id)

    def keep(self, subject: str) -> None:
        """Remember what the concerns of a subject are before something is done to them."""
        self._kept = {rule: _text(concern) for rule, concern in self.of_subject.get(subject, {}).items()}
        self._raised = self._journal.noted["raised"]

    def undo(self, subject: str, now: int) -> None:
        """Make the concerns of a subject what they were at `keep`; the trail says of which that is so."""
        known = self.of_subject.setdefault(subject, {})
        for rule, concern in list(known.items()):
            text = self._kept.get(rule)
            if text == _text(concern):
                continue
            before = None if text is None else Concern.load(json.loads(text))
            same = before is not None and before.id == concern.id
            self._journal.about("undone", concern, now, live=before is not None and same and before.live)
            del self.concerns[concern.id], known[rule]
            if same or self._raised < self._journal.noted["raised"]:
                self._raised += not same
                self.dirty.add(concern.id)  # else the fault came before it was noted: there never was one
            if before is not None:
                self.concerns[before.id] = known[rule] = before
                self.queue(before)

    def queue(self, concern: Concern) -> None:
        """Put the concern's next instant on the heap."""
        due = concern.due()
        if due is not None and due != concern.queued:
            concern.queued = due
            self._timers.put(due, Kind.CONCERN, concern.id)

    def _touch(self, concern: Concern) -> None:
        self.dirty.add(concern.id)
        self.queue(concern)


def _text(concern: Concern) -> str:
    return json.dumps(concern.dump())


def _age(concern: Concern) -> tuple[int, int, str, str]:
    return concern.opened, concern.raised_at, concern.subject, concern.rule
