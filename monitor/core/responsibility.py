"""Who has what: what rules, clocks and people bring about, given to the concern table.

Editing rules: what happens in which state is decided in `concerns.py`, how it is done in `actions.py`; here only which
event it is. Rules run on message time (`at`), everything else on `now`.
"""

from __future__ import annotations

from monitor.core.calls import CALLS
from monitor.core.concern import Concern, concern_id
from monitor.core.concerns import Event, State
from monitor.core.device import Edge
from monitor.core.outbox import Notice
from monitor.core.replies import Replies
from monitor.core.rulebook import PRIORITY


class Responsibility(Replies):
    """All concerns, and everything that happens to them."""

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
        elif (hold := self._held.quiets(subject, edge.rule)) is not None:
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
            self.happens(concern, Event.HOLDS_STILL if self._sight.known(concern) else Event.HOLDS, now)
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
        held = self._held.until(concern) is not None
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

    def _covered(self, subject: str, rank: int) -> str | None:
        """Who has this subject for something at least as urgent; whoever holds it on purpose need not be with it."""
        for concern in self.open_of(subject):
            if concern.state is State.ACCEPTED and concern.rank >= rank:
                if self._held.until(concern) is not None:
                    continue
                return concern.holder
        return None

    # ---- what is so on purpose --------------------------------------------------------------------------------------

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
