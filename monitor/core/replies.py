"""What people answer about responsibility, given to the concern table, and what is said to them.

Editing rules: what an answer does is decided in `concerns.py`; here only which event it is, and its words.
"""

from __future__ import annotations

from monitor.core.briefing import named
from monitor.core.concern import Concern
from monitor.core.concerns import Event, State
from monitor.core.ledger import Ledger
from monitor.core.phrases import clock

PAST = {
    "accept": "accepted",
    "take-over": "taken-over",
    "decline": "declined",
    "hand-back": "handed-back",
    "withdraw": "withdrawn",
}
"""How the journal names an answer."""


class Replies(Ledger):
    """The part of responsibility that answers people."""

    def answer(
        self,
        concern: Concern,
        answer: str,
        person: str,
        now: int,
        reason: str | None = None,
        *,
        heard: bool = True,
    ) -> str:
        """Take a person's answer; returns what to say to them. If that cannot be `heard`, a notice says it."""
        held, before = concern.holder, concern.state
        called_at = concern.called_at
        by_holder = before is State.ACCEPTED and held == person
        event = {
            "accept": Event.ACCEPT,
            "take-over": Event.ACCEPT if by_holder else Event.TAKE_OVER,
            "decline": Event.DECLINE_BY_HOLDER if by_holder else Event.DECLINE,
            "hand-back": Event.HAND_BACK_BY_HOLDER if by_holder else Event.HAND_BACK,
            "withdraw": Event.WITHDRAWN,
        }[answer]
        past = "accepted-again" if event is Event.ACCEPT and before is not State.OPEN else PAST[answer]
        self._journal.about(past, concern, now, person=person, reason=reason, state=str(before))
        if event is Event.WITHDRAWN and concern.live:
            self._over(concern, now, now, f"withdrawn: {reason}")
        said = self.happens(concern, event, now, person=person)
        if said is not None and not by_holder:
            if not heard:
                why = "already" if concern.state is State.ACCEPTED else "answer-late"
                self._caller.tell(concern, person, why, now)
            return said
        if answer == "withdraw":
            return "Withdrawn; everybody who was told hears it."
        more = self._with_it(concern, event, held, person, now)
        if by_holder and answer != "accept":
            self._held.hand_back(
                concern.subject, person, now
            )  # nor does she say any more that it is on purpose
        also = f" and {more} more of the same pump" if more else ""
        if concern.state is State.ACCEPTED and concern.holder == person:
            recheck = clock(concern.recheck_at or now, now, self.site.zone)
            if self.site.is_drill(concern.subject):
                return f"Accepted: {named(self.site, concern)} has reached you. Nothing else is asked of you."
            have = f"You {'already ' if by_holder else ''}have {named(self.site, concern)}{also}."
            return f"{have} It is looked at again at {recheck}. The pump's own alarm is not silenced by this."
        if by_holder:
            return f"Handed back: {named(self.site, concern)}{also}; the next are told now."
        if concern.state is State.ACCEPTED:
            return f"Recorded. {self.site.called(concern.holder)} has it; nothing is asked of you."
        if answer == "hand-back":
            return (
                "You do not have it, so there is nothing to hand back. It is still open: accept or decline."
            )
        if concern.called_at != called_at:
            return "Declined; the next are told now."
        if concern.wait_at is None:
            return "Declined."
        return f"Declined. Unless somebody takes it, more are told at {clock(concern.wait_at, now, self.site.zone)}."

    def tell_refused(self, concern: Concern, person: str, now: int) -> None:
        """An answer that has no way back was not taken: a notice says so, as this is still open."""
        self._caller.tell(concern, person, "not-taken", now)

    def _with_it(self, concern: Concern, event: Event, held: str | None, person: str, now: int) -> int:
        """An answer about a device's concern answers the others too: taken together, given back together."""
        count = 0
        for other in self.open_of(concern.subject):
            if other is concern:
                continue
            if event in (Event.ACCEPT, Event.TAKE_OVER) and concern.holder == person:
                if other.state is State.OPEN:
                    self._with(other, "accepted", Event.ACCEPT, concern, person, now)
                elif event is Event.TAKE_OVER and held is not None and other.holder == held != person:
                    self._with(other, "taken-over", Event.TAKE_OVER, concern, person, now)
                else:
                    continue
            elif (
                event in (Event.HAND_BACK_BY_HOLDER, Event.DECLINE_BY_HOLDER)
                and other.state is State.ACCEPTED
                and other.holder == person
            ):
                self._with(other, "handed-back", Event.HAND_BACK_BY_HOLDER, concern, person, now)
            else:
                continue
            count += 1
        return count

    def _with(self, other: Concern, past: str, event: Event, concern: Concern, person: str, now: int) -> None:
        self._journal.about(past, other, now, person=person, with_concern=concern.id)
        self.happens(other, event, now, person=person)
