"""Performs what the cells of the concern table name: who is told, who has it, what runs out when.

Editing rules: what happens in which state is decided in `concerns.py`, never here; each method of `_ACTIONS` does one
thing that a cell may name. Rules run on message time (`at`), everything here on `now`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import ClassVar, Protocol

from monitor.core.calls import CALLS, Caller
from monitor.core.concern import Concern, concern_id
from monitor.core.concerns import Do, Event, State, next_state
from monitor.core.device import Edge
from monitor.core.journal import Journal
from monitor.core.ladders import Call, people_of
from monitor.core.outbox import Notice, Outbox
from monitor.core.site import Site
from monitor.core.timers import Kind, Timers


class Sight(Protocol):
    """What responsibility has to know of the subjects."""

    def troubled(self, concern: Concern, now: int) -> bool:
        """Whether the trouble is still there, for a wait or a recheck."""

    def backlogged(self, subject: str) -> bool:
        """Whether a backlog is being read, so that nobody is told yet."""


class Responsibility:
    """All concerns, and everything that happens to them."""

    def __init__(self, site: Site, journal: Journal, timers: Timers, sight: Sight) -> None:
        self.site, self._journal, self._timers, self._sight = site, journal, timers, sight
        self.concerns: dict[str, Concern] = {}
        self.of_subject: dict[str, dict[str, Concern]] = {}  # subject -> rule -> the newest concern
        self.dirty: set[str] = set()
        self._caller = Caller(site, journal)
        self._person: str | None = None  # who answered, while an answer is performed
        self._said: str | None = None  # what is said to them
        self._event = Event.HOLDS

    @property
    def outbox(self) -> Outbox:
        """Where notices go; set by the engine, which composes the texts."""
        return self._caller.outbox

    @outbox.setter
    def outbox(self, outbox: Outbox) -> None:
        self._caller.outbox = outbox

    # ---- what rules do -------------------------------------------------------------------------------------------

    def edge(
        self, subject: str, unit: str, edge: Edge, now: int, evidence: dict[str, object]
    ) -> Concern | None:
        """A rule began or rose (its end only says so; see `settle`)."""
        concern = self.of_subject.get(subject, {}).get(edge.rule.id)
        if edge.kind == "ends":
            if concern is not None and concern.live:
                concern.holding = False
                self._touch(concern)
            return concern
        if edge.kind == "priority-raised":
            if concern is not None and concern.live and edge.rank > concern.rank:
                concern.rank = edge.rank
                self._journal.about("priority-raised", concern, now, at=edge.at)
                self.happens(concern, Event.PRIORITY_RAISED, now)
            return concern
        holder = self._covered(subject, edge.rank)
        if concern is not None and not concern.live:
            assert concern.settled_at is not None
            if edge.at - concern.settled_at >= self.site.times.relapse:
                concern = None
        if concern is None:
            concern = Concern(
                id=concern_id(self.site.name, subject, edge.rule.id, edge.at),
                subject=subject,
                unit=unit,
                rule=edge.rule.id,
                about=edge.rule.about,
                rank=edge.rank,
                at=edge.at,
            )
            concern.since, concern.opened = edge.since, now
            self.concerns[concern.id] = concern
            self.of_subject.setdefault(subject, {})[edge.rule.id] = concern
            concern.evidence = evidence
            event = Event.HOLDS_COVERED if holder else Event.HOLDS
        elif concern.live:
            event = Event.HOLDS
        else:
            event = Event.RELAPSES_COVERED if holder else Event.RELAPSES
            concern.rank, concern.settled_at, concern.settled = edge.rank, None, None
        concern.holding = True
        if event is not Event.HOLDS or concern.state is State.NONE:
            concern.evidence, concern.since = evidence, edge.since
            concern.held_back = self._sight.backlogged(subject)
            concern.late_by = None
        name = {Event.RELAPSES: "relapsed", Event.RELAPSES_COVERED: "relapsed"}.get(event, "raised")
        if concern.state in (State.OPEN, State.ACCEPTED):
            name = "joined"
        rose = edge.rank > concern.rank
        concern.rank = max(concern.rank, edge.rank)
        self._journal.about(name, concern, now, at=edge.at, since=edge.since, evidence=dict(evidence))
        self._person = holder
        self.happens(concern, event, now)
        if rose and name == "joined":
            self._journal.about("priority-raised", concern, now, at=edge.at)
            self.happens(concern, Event.PRIORITY_RAISED, now)
        return concern

    def settle(self, concern: Concern, at: int, now: int, why: str) -> None:
        """The trouble is over at instant `at`."""
        concern.settled_at, concern.settled = at, why
        self._journal.about("settled", concern, now, at=at, why=why)
        self.happens(concern, Event.SETTLES, now)
        self._timers.put(now + self.site.times.keep_settled, Kind.RETIRE, concern.id)

    def release_held_back(self, concern: Concern, now: int) -> None:
        """The backlog has been read and this concern is still there: tell it now, saying how late."""
        concern.held_back = False
        late = now - concern.raised_at
        concern.late_by = late if late > self.site.times.clock_tolerance else None
        if concern.state is State.OPEN:
            self._caller.call(concern, 0, "raised", now)
        self._touch(concern)

    # ---- what runs out -------------------------------------------------------------------------------------------

    def fire(self, concern: Concern, now: int) -> None:
        """A wait or a recheck is over."""
        due = concern.due()
        if due is None or due > now:
            return
        troubled = self._sight.troubled(concern, now)
        if concern.state is State.OPEN:
            concern.wait_at = None
            self.happens(concern, Event.WAIT_OVER if troubled else Event.WAIT_OVER_QUIET, now)
        else:
            concern.recheck_at = None
            event = Event.RECHECK_TROUBLED if troubled else Event.RECHECK_QUIET
            self._journal.about("rechecked", concern, now, troubled=troubled)
            self.happens(concern, event, now)

    def duty_changed(self, now: int) -> None:
        """Somebody's duty began or ended."""
        for concern in list(self.concerns.values()):
            if concern.state is State.ACCEPTED and concern.holder is not None:
                if not self.site.rota.is_on_duty(concern.holder, now):
                    self._journal.about("duty-ended", concern, now, person=concern.holder)
                    self.happens(concern, Event.DUTY_ENDS, now)
            elif concern.state is State.OPEN:
                self.happens(concern, Event.DUTY_CHANGES, now)

    def notice_ended(self, notice: Notice, sent: bool, now: int) -> None:
        """A notice was sent, or failed for good."""
        for concern_id_, why in notice.items:
            concern = self.concerns.get(concern_id_)
            if concern is None:
                continue
            if not sent:
                if why in CALLS and notice.person in concern.called:
                    self._person = notice.person
                    self.happens(concern, Event.FAILED, now)
                continue
            if why in CALLS and concern.state is State.OPEN and not concern.waits_from_send:
                concern.waits_from_send = True  # waits run from the send
                if concern.wait:
                    concern.wait_at = now + concern.wait
                self._touch(concern)

    # ---- what people answer --------------------------------------------------------------------------------------

    def answer(self, concern: Concern, answer: str, person: str, now: int, reason: str | None = None) -> str:
        """Take a person's answer; returns what to say to them."""
        self._person, self._said = person, None
        by_holder = concern.state is State.ACCEPTED and concern.holder == person
        event = {
            "accept": Event.ACCEPT,
            "take-over": Event.ACCEPT if by_holder else Event.TAKE_OVER,
            "decline": Event.DECLINE_BY_HOLDER if by_holder else Event.DECLINE,
            "hand-back": Event.HAND_BACK_BY_HOLDER if by_holder else Event.HAND_BACK,
            "withdraw": Event.WITHDRAWN,
        }[answer]
        past = {
            "accept": "accepted",
            "take-over": "taken-over",
            "decline": "declined",
            "hand-back": "handed-back",
            "withdraw": "withdrawn",
        }[answer]
        held = concern.holder
        before = concern.state
        if event is Event.WITHDRAWN and concern.live:
            concern.settled_at, concern.settled = now, f"withdrawn: {reason}"
            self._timers.put(now + self.site.times.keep_settled, Kind.RETIRE, concern.id)
        if event is Event.ACCEPT and before is not State.OPEN:
            past = "accepted-again"
        self._journal.about(past, concern, now, person=person, reason=reason, state=str(before))
        self.happens(concern, event, now, person=person)
        if event in (Event.ACCEPT, Event.TAKE_OVER) and before in (State.OPEN, State.ACCEPTED):
            covered = self._cover_device(concern, person, now) if concern.holder == person else 0
            if before is State.OPEN or held != person:
                also = f" With it {covered} more of the same pump." if covered else ""
                return self._said or f"You have it.{also} The pump's own alarm is not silenced by this."
            return "You already have it."
        return self._said or {
            "decline": "Declined; the next person is told.",
            "hand-back": "Handed back; the next rung is told."
            if event is Event.HAND_BACK_BY_HOLDER
            else "Recorded; you do not have this one.",
            "withdraw": "Withdrawn; everybody who was told hears it.",
        }.get(answer, "Recorded.")

    # ---- performing a cell ---------------------------------------------------------------------------------------

    def happens(self, concern: Concern, event: Event, now: int, *, person: str | None = None) -> None:
        """Look the event up in the table and do what the cell says."""
        cell = next_state(concern.state, event)
        if person is not None:
            self._person = person
        self._event = event
        was = concern.state
        concern.state = cell.to
        if was is State.ACCEPTED and cell.to is not State.ACCEPTED:
            concern.recheck_at = None
        if cell.to is not State.OPEN:
            concern.wait_at = None
        for do in cell.do:
            self._ACTIONS[do](self, concern, now)
        self._touch(concern)

    def _raise(self, concern: Concern, now: int) -> None:
        del now
        concern.times = 1

    def _count(self, concern: Concern, now: int) -> None:
        del now
        concern.times += 1

    def _tell_first(self, concern: Concern, now: int) -> None:
        if not concern.held_back:
            self._caller.call(concern, 0, "raised", now)

    def _tell_next(self, concern: Concern, now: int) -> None:
        if concern.held_back:
            return
        why = {
            Event.HAND_BACK_BY_HOLDER: "handed-back",
            Event.DECLINE_BY_HOLDER: "handed-back",
            Event.RECHECK_TROUBLED: "recheck",
        }.get(self._event, "next-rung")
        self._caller.call(concern, concern.rung + 1, why, now)

    def _tell_first_raised(self, concern: Concern, now: int) -> None:
        if not concern.held_back:
            self._caller.call(concern, 0, "priority-raised", now)

    def _tell_relapse(self, concern: Concern, now: int) -> None:
        if concern.held_back:
            return
        last = concern.last_holder
        if last is not None and last in self.site.people and self.site.rota.is_on_duty(last, now):
            wait = self._caller.wait_of(concern, max(concern.rung, 0))
            self._caller.begin(concern, Call(max(concern.rung, 0), (last,), wait, ()), "relapsed", now)
        else:
            self._caller.call(concern, max(concern.rung, 0), "relapsed", now)

    def _tell_after_duty(self, concern: Concern, now: int) -> None:
        self._caller.call(concern, 0, "duty", now)

    def _tell_new_on_duty(self, concern: Concern, now: int) -> None:
        ladder = self.site.ladder(concern.unit, concern.priority)
        for rung in ladder.rungs[: concern.rung + 1]:
            for person in people_of(rung, concern.unit, now, self.site.rota):
                if person not in concern.told and person not in concern.called:
                    concern.called.append(person)
                    self._caller.tell(concern, person, "duty", now)

    def _tell_holder_further(self, concern: Concern, now: int) -> None:
        if concern.holder is not None:
            self._caller.tell(concern, concern.holder, "further", now)

    def _tell_last_holder(self, concern: Concern, now: int) -> None:
        last = concern.last_holder
        if last is not None and self.site.rota.is_on_duty(last, now):
            self._caller.tell(
                concern, last, "recheck" if self._event is Event.RECHECK_TROUBLED else "priority-raised", now
            )

    def _tell_who(self, concern: Concern, now: int) -> None:
        for person in dict.fromkeys([*concern.told, *concern.called]):  # and whose notice is on its way
            if person != concern.holder:
                self._caller.tell(concern, person, "taken", now)

    def _tell_both(self, concern: Concern, now: int) -> None:
        for person in {concern.holder, concern.last_holder} - {None}:
            assert person is not None
            self._caller.tell(concern, person, "taken-over", now)

    def _hold(self, concern: Concern, now: int) -> None:
        del now
        concern.last_holder = concern.holder or concern.last_holder
        concern.holder = self._person
        concern.refused = []

    def _cover(self, concern: Concern, now: int) -> None:
        concern.holder = concern.last_holder = self._person
        concern.held_back = False
        self._journal.about("covered", concern, now, person=concern.holder)

    def _release(self, concern: Concern, now: int) -> None:
        del now
        if self._event in (Event.HAND_BACK_BY_HOLDER, Event.DECLINE_BY_HOLDER) and concern.holder is not None:
            concern.refused.append(concern.holder)  # not asked again before the ladder has gone round
        concern.last_holder, concern.holder = concern.holder, None

    def _start_recheck(self, concern: Concern, now: int) -> None:
        concern.recheck_at = now + self.site.times.recheck[concern.priority]

    def _wait_again(self, concern: Concern, now: int) -> None:
        concern.wait_at = now + concern.wait if concern.wait else None

    def _count_refusal(self, concern: Concern, now: int) -> None:
        if self._person is not None and self._person not in concern.refused:
            concern.refused.append(self._person)
        if concern.called and set(concern.called) <= set(concern.refused) and not concern.held_back:
            ladder = self.site.ladder(concern.unit, concern.priority)
            if concern.rung < len(ladder.rungs):
                self._caller.call(concern, concern.rung + 1, "next-rung", now)
            # past the last rung the repeat interval goes on: everybody has just been told

    def _say_who(self, concern: Concern, now: int) -> None:
        if concern.holder == self._person:
            self._said = "You already have it."
            return
        self._said = f"Already with {self.site.called(concern.holder)}. To take it over, answer take-over."
        if self._person is not None:
            self._journal.about("told-who-has-it", concern, now, person=self._person)

    def _say_ended(self, concern: Concern, now: int) -> None:
        del now
        self._said = f"It has ended: {concern.settled}."

    def _record(self, concern: Concern, now: int) -> None:
        """The answer or failure stands in the journal already."""

    def _stand_down(self, concern: Concern, now: int) -> None:
        if concern.held_back:
            self._journal.about(
                "missed", concern, now
            )  # began and ended in the backlog: recorded, nobody is told
            concern.held_back = False
        concern.last_holder = concern.holder or concern.last_holder
        concern.holder = None
        why = "withdrawn" if self._event is Event.WITHDRAWN else "stand-down"
        for person in concern.told:
            self._caller.tell(concern, person, why, now)
        concern.called, concern.refused = [], []

    _ACTIONS: ClassVar[dict[Do, Callable[[Responsibility, Concern, int], None]]] = {
        Do.RAISE: _raise,
        Do.COUNT: _count,
        Do.TELL_FIRST: _tell_first,
        Do.TELL_NEXT: _tell_next,
        Do.TELL_FIRST_RAISED: _tell_first_raised,
        Do.TELL_RELAPSE: _tell_relapse,
        Do.TELL_AFTER_DUTY: _tell_after_duty,
        Do.TELL_NEW_ON_DUTY: _tell_new_on_duty,
        Do.TELL_HOLDER_FURTHER: _tell_holder_further,
        Do.TELL_LAST_HOLDER: _tell_last_holder,
        Do.TELL_WHO: _tell_who,
        Do.TELL_BOTH: _tell_both,
        Do.HOLD: _hold,
        Do.COVER: _cover,
        Do.RELEASE: _release,
        Do.START_RECHECK: _start_recheck,
        Do.WAIT_AGAIN: _wait_again,
        Do.COUNT_REFUSAL: _count_refusal,
        Do.SAY_WHO: _say_who,
        Do.SAY_ENDED: _say_ended,
        Do.RECORD: _record,
        Do.STAND_DOWN: _stand_down,
    }

    # ---- of a subject ----------------------------------------------------------------------------------------------

    def _covered(self, subject: str, rank: int) -> str | None:
        """Who has this subject for something at least as urgent."""
        for concern in self.of_subject.get(subject, {}).values():
            if concern.state is State.ACCEPTED and concern.rank >= rank:
                return concern.holder
        return None

    def _cover_device(self, accepted: Concern, person: str, now: int) -> int:
        """An accept answers all open concerns of the device."""
        count = 0
        for concern in self.open_of(accepted.subject):
            if concern is not accepted and concern.state is State.OPEN:
                self._journal.about("accepted", concern, now, person=person, with_concern=accepted.id)
                self.happens(concern, Event.ACCEPT, now, person=person)
                count += 1
        return count

    def open_of(self, subject: str) -> Iterable[Concern]:
        """The live concerns of a subject."""
        return [concern for concern in self.of_subject.get(subject, {}).values() if concern.live]

    def retire(self, concern: Concern, now: int) -> None:
        """Forget a concern that settled long ago; the trail keeps its story."""
        if (
            concern.live
            or concern.settled_at is None
            or now - concern.settled_at < self.site.times.keep_settled
        ):
            return
        del self.concerns[concern.id]
        if self.of_subject.get(concern.subject, {}).get(concern.rule) is concern:
            del self.of_subject[concern.subject][concern.rule]
        self.dirty.add(concern.id)

    def queue(self, concern: Concern) -> None:
        """Put the concern's next instant on the heap."""
        due = concern.due()
        if due is not None and due != concern.queued:
            concern.queued = due
            self._timers.put(due, Kind.CONCERN, concern.id)

    def _touch(self, concern: Concern) -> None:
        self.dirty.add(concern.id)
        self.queue(concern)
