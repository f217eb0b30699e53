"""Who has what: what rules, clocks and people bring about, given to the concern table.

Editing rules: what happens in which state is decided in `concerns.py`, how it is done in `actions.py`; here only which
event it is. Rules run on message time (`at`), everything else on `now`.
"""

from __future__ import annotations

import json

from monitor.core.actions import Actions
from monitor.core.calls import CALLS, Caller
from monitor.core.concern import Concern, concern_id
from monitor.core.concerns import Do, Event, State, next_state
from monitor.core.device import Edge
from monitor.core.holding import Held, Holding, Sight
from monitor.core.journal import Journal
from monitor.core.outbox import Notice, Outbox
from monitor.core.replies import Replies
from monitor.core.rulebook import PRIORITY
from monitor.core.site import Site
from monitor.core.timers import Kind, Timers


class Responsibility(Replies, Holding):
    """All concerns, and everything that happens to them."""

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
        self._held: Held | None = None

    @property
    def held(self) -> Held | None:
        """What is held on purpose; set by the engine."""
        return self._held

    @held.setter
    def held(self, held: Held) -> None:
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

    # ---- what rules do -------------------------------------------------------------------------------------------

    def edge(
        self, subject: str, unit: str, edge: Edge, now: int, evidence: dict[str, object]
    ) -> Concern | None:
        """A rule began or rose (its end only says so; see `settle`)."""
        concern = self.of_subject.get(subject, {}).get(edge.rule.id)
        if edge.kind == "ends":
            if concern is not None and (concern.live or concern.holding):  # or withdrawn while it held
                concern.holding = False
                self._touch(concern)
        elif edge.kind == "priority-raised":
            if concern is not None and concern.live:
                self._rise(concern, edge, now, evidence)
        elif self._held is not None and (hold := self._held.quiets(subject, edge.rule)) is not None:
            self._journal.note(
                "quieted",
                now=now,
                at=edge.at,
                rule=edge.rule.id,
                device=subject,
                person=hold.person,
                priority=PRIORITY[edge.rank],
                detail={"kind": hold.kind},
            )
            if concern is not None and concern.live:
                concern.holding, concern.rule_changed = True, False
                self._touch(concern)
        else:
            concern = self._begin(concern, subject, unit, edge, now, evidence)
        return concern

    def _begin(
        self,
        concern: Concern | None,
        subject: str,
        unit: str,
        edge: Edge,
        now: int,
        evidence: dict[str, object],
    ) -> Concern:
        """A rule holds: a new concern, one that relapses, or one that is joined."""
        holder = self._covered(subject, edge.rank)
        if concern is not None and concern.live:
            self._journal.about("joined", concern, now, at=edge.at, since=edge.since, evidence=evidence)
            concern.holding, concern.rule_changed = True, False
            self.happens(concern, Event.HOLDS, now)
            self._rise(concern, edge, now, evidence)
            return concern
        concern, name = self._new_or_again(concern, subject, unit, edge, now, evidence)
        if name == "raised":
            event = Event.HOLDS_COVERED if holder else Event.HOLDS
        else:
            event = Event.RELAPSES_COVERED if holder else Event.RELAPSES
        self._journal.about(name, concern, now, at=edge.at, since=edge.since, evidence=evidence)
        self.happens(concern, event, now, person=holder)
        concern.called_at = max(now, edge.at)  # the pump's clock may be ahead: this onset is not news later
        return concern

    def _new_or_again(
        self,
        concern: Concern | None,
        subject: str,
        unit: str,
        edge: Edge,
        now: int,
        evidence: dict[str, object],
    ) -> tuple[Concern, str]:
        """A new concern, or the last one within its relapse window; and which of both, as the journal says it."""
        if concern is not None:
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
            concern.opened = now
            self.concerns[concern.id] = concern
            self.of_subject.setdefault(subject, {})[edge.rule.id] = concern
            name = "raised"
        else:
            name = "relapsed"
            concern.unit, concern.rank = unit, edge.rank
            concern.settled_at = concern.settled = None
        concern.holding, concern.rule_changed = True, False
        concern.evidence, concern.since, concern.late_by = evidence, edge.since, None
        concern.held_back = [edge.at, name] if self._sight.backlogged(subject) else None
        return concern, name

    def _rise(self, concern: Concern, edge: Edge, now: int, evidence: dict[str, object]) -> None:
        """A rule holds with a priority that may be higher than before; it never falls."""
        if edge.rank <= concern.rank:
            return
        concern.rank, concern.evidence = edge.rank, evidence
        if self._sight.backlogged(concern.subject) and not concern.held_back:
            concern.held_back = [edge.at, "priority-raised"]
        self._journal.about("priority-raised", concern, now, at=edge.at, evidence=evidence)
        self.happens(concern, Event.PRIORITY_RAISED, now)

    def carry(self, old: str, new: str, unit: str, now: int) -> dict[str, Concern]:
        """What is open about one device is about another from now on; by rule. What is open there already stays."""
        moved: dict[str, Concern] = {}
        known = self.of_subject.setdefault(new, {})
        for concern in self.open_of(old):
            if concern.rule in known and known[concern.rule].live:
                self.withdraw(concern, now, "its feed goes on with another pump, of which the same is open")
                continue
            del self.of_subject[old][concern.rule]
            concern.subject, concern.unit = new, unit
            known[concern.rule] = moved[concern.rule] = concern
            self.left.add(old)
            self._journal.about("carried", concern, now)
            self._touch(concern)
        return moved

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

    def release_held_back(self, concern: Concern, now: int) -> None:
        """The backlog has been read and this concern is still there: tell it now, saying how late."""
        assert concern.held_back is not None
        (at, why), concern.held_back = concern.held_back, None
        concern.late_by = now - at if now - at > self.site.times.clock_tolerance else None
        if concern.state is State.OPEN:
            self._actions.tell_held_back(concern, why, now)
            concern.measure = self._sight.measure(concern)
        self._touch(concern)

    # ---- what runs out -------------------------------------------------------------------------------------------

    def fire(self, concern: Concern, now: int) -> None:
        """A wait or a recheck is over."""
        due = concern.due()
        if due is None or due > now:
            return
        troubled = self._sight.troubled(concern, now)
        if concern.state is State.OPEN:
            rung, concern.wait_at = concern.rung, None
            self.happens(concern, Event.WAIT_OVER if troubled else Event.WAIT_OVER_QUIET, now)
            for other in self._caller.over_with(concern, rung, self.concerns, now):
                self._touch(other)
        else:
            concern.recheck_at = None
            event = Event.RECHECK_TROUBLED if troubled else Event.RECHECK_QUIET
            self._journal.about("rechecked", concern, now, troubled=troubled)
            self.happens(concern, event, now)

    def duty_changed(self, now: int) -> None:
        """Somebody's duty began or ended."""
        rota, before = self.site.rota, self.duty_seen
        for concern in self.in_order():
            if concern.state is State.ACCEPTED and concern.holder is not None:
                if rota.is_on_duty(concern.holder, before) and not rota.is_on_duty(concern.holder, now):
                    self._duty_ends(concern, now)
            elif concern.state is State.OPEN:
                self.happens(concern, Event.DUTY_CHANGES, now)
        self.duty_seen = now

    def moved(self, subject: str, before: str, now: int) -> None:
        """A device was moved from another unit: its open concerns are told where it is now."""
        for concern in self.open_of(subject):
            if concern.state is State.OPEN:
                self._actions.tell_new_unit(concern, before, now)
                self._touch(concern)

    def look_again(self, now: int) -> None:
        """After a start: whose holder is no longer listed is open again, whose rule is gone is withdrawn."""
        for concern in self.in_order():
            if not concern.live:
                continue
            unit = concern.subject.startswith("unit:")
            site = self.site
            rules = site.unit_rules(concern.unit) if unit else site.rules_for(concern.unit, concern.subject)
            if all(rule.id != concern.rule for rule in rules):
                reason = site.switched_off.get(concern.rule)
                why = "its rule was removed" if reason is None else f"its rule was switched off: {reason}"
                self.withdraw(concern, now, why)
            elif concern.state is State.ACCEPTED and concern.holder not in site.people:
                self._duty_ends(concern, now)
            else:
                self.dirty.add(concern.id)

    def _duty_ends(self, concern: Concern, now: int) -> None:
        held = self._held is not None and self._held.until(concern) is not None
        self._journal.about("duty-ended", concern, now, person=concern.holder, held=held or None)
        self.happens(concern, Event.DUTY_ENDS_HELD if held else Event.DUTY_ENDS, now)

    def notice_ended(self, notice: Notice, sent: bool, now: int) -> None:
        """A notice was sent, or failed for good."""
        for key, why in notice.items:
            concern = self.concerns.get(key)
            if concern is None or why == "still":  # only listed once more
                continue
            told = concern.told.get(notice.person)
            if sent and told is not None:
                told[2] += 1
                self.dirty.add(concern.id)
            started = now if notice.first_try is None else notice.first_try
            called = why in CALLS and notice.person in concern.called
            if called and concern.call_began is not None and started >= concern.call_began:
                if not sent:
                    self.happens(concern, Event.FAILED, now, person=notice.person)
                elif concern.state is State.OPEN and not concern.waits_from_send:
                    concern.waits_from_send = True  # waits run from the send
                    if concern.wait:
                        waits = now + concern.wait
                        # What was held back does not hold back the next rung.
                        held = notice.held and concern.wait_at is not None
                        concern.wait_at = min(waits, concern.wait_at or waits) if held else waits
                    self._touch(concern)
            elif not sent and why == "further" and concern.holder == notice.person:
                self.happens(concern, Event.FAILED_FOR_HOLDER, now, person=notice.person)

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

    # ---- of a subject ----------------------------------------------------------------------------------------------

    def _covered(self, subject: str, rank: int) -> str | None:
        """Who has this subject for something at least as urgent; whoever holds it on purpose need not be with it."""
        for concern in self.open_of(subject):
            if concern.state is State.ACCEPTED and concern.rank >= rank:
                if self._held is not None and self._held.until(concern) is not None:
                    continue
                return concern.holder
        return None

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
