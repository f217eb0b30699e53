"""What the cells of the concern table name, one method each: who is told, who has it, what runs.

Editing rules: what happens in which state is decided in `concerns.py`, when it happens in `responsibility.py`; a
method here does one thing that a cell may name, to one concern, and changes no state of it but what it names.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from monitor.core.calls import Caller
from monitor.core.concern import Concern
from monitor.core.concerns import Cell, Do, Event
from monitor.core.journal import Journal
from monitor.core.ladders import Call, people_of
from monitor.core.phrases import clock
from monitor.core.site import Site

WHY_NEXT = {
    Event.HAND_BACK_BY_HOLDER: "handed-back",
    Event.DECLINE_BY_HOLDER: "handed-back",
    Event.FAILED_FOR_HOLDER: "recheck",
    Event.RECHECK_TROUBLED: "recheck",
}
"""Why the next rung is told, where it is not for a wait that is over."""


TOLD_AFTERWARDS = frozenset({"stopped-at-glucose-risk"})
"""What is told once although it began and ended in a backlog: harm may come after it is over (design: Time)."""


class Actions:
    """Performs cells."""

    def __init__(self, site: Site, journal: Journal, caller: Caller) -> None:
        self.site, self._journal, self._caller = site, journal, caller
        self.duty_seen = 0  # when it was last looked at who is on duty
        self._event = Event.HOLDS
        self._person: str | None = None  # who answered, holds, or could not be told
        self._why = ""  # why people are told, where the event leaves it open
        self.held_until: Callable[[Concern], int | None]  # until when one is held; set by the engine
        self._said: str | None = None

    def perform(
        self, cell: Cell, concern: Concern, event: Event, person: str | None, now: int, why: str = ""
    ) -> str | None:
        """Do what a cell asks for; returns what is said to whoever answered, if the cell says anything."""
        self._event, self._person, self._said, self._why = event, person, None, why
        for do in cell.do:
            self._ACTIONS[do](self, concern, now)
        return self._said

    def tell_held_back(self, concern: Concern, why: str, now: int) -> None:
        """Tell what was held back while a backlog was read."""
        if why == "relapsed":
            self._tell_relapse(concern, now)
            return
        self._caller.call(concern, 0, why, now)
        if why == "priority-raised":
            self._tell_last_holder(concern, now)

    def tell_new_unit(self, concern: Concern, before: str, now: int) -> None:
        """Tell whom the rungs reached have in the unit that a device has been moved to."""
        self._tell_besides(concern, "next-rung", before, now, now)

    def _tell_besides(self, concern: Concern, why: str, unit: str, at: int, now: int) -> None:
        """Tell who is now on a rung that was reached, and was not so in `unit` at instant `at`."""
        if concern.held_back or concern.subject in self._caller.only:
            return
        rota = self.site.rota
        for rung in self.site.ladder(concern.unit, concern.priority).rungs[: concern.rung + 1]:
            were = people_of(rung, unit, at, rota)
            for person in people_of(rung, concern.unit, now, rota):
                if person not in were and person not in concern.called:
                    concern.called.append(person)
                    self._caller.tell(concern, person, why, now)

    # ---- the cells' actions ----------------------------------------------------------------------------------------

    def _raise(self, concern: Concern, now: int) -> None:
        del now
        concern.times = 1

    def _count(self, concern: Concern, now: int) -> None:
        del now
        concern.times += 1

    def _tell_first(self, concern: Concern, now: int) -> None:
        self._caller.call(concern, 0, "raised", now)

    def _tell_next(self, concern: Concern, now: int) -> None:
        # Low goes to its first rung only, at a recheck too.
        rung = 0 if concern.priority == "low" and self._event is Event.RECHECK_TROUBLED else concern.rung + 1
        self._caller.call(concern, rung, WHY_NEXT.get(self._event, "next-rung"), now)

    def _tell_first_raised(self, concern: Concern, now: int) -> None:
        self._caller.call(concern, 0, "priority-raised", now)

    def _tell_relapse(self, concern: Concern, now: int) -> None:
        last, rung = concern.last_holder, max(concern.rung, 0)
        if last is not None and last in self.site.people and self.site.rota.is_on_duty(last, now):
            wait = self._caller.wait_of(concern, rung)
            self._caller.begin(concern, Call(rung, (last,), wait, ()), "relapsed", now)
        else:
            self._caller.call(concern, rung, "relapsed", now)

    def _tell_after_duty(self, concern: Concern, now: int) -> None:
        self._caller.call(concern, 0, "duty", now)

    def _tell_after_hold(self, concern: Concern, now: int) -> None:
        person = self._person
        if person is None or concern.held_back:
            self._caller.call(concern, 0, self._why, now)
            return
        concern.last_holder = concern.last_holder or person
        rung, people = -1, [person]  # rung 1 is the next
        if concern.priority == "low":  # told once, so both
            ladder = self.site.ladder(concern.unit, concern.priority)
            first = people_of(ladder.rungs[0], concern.unit, now, self.site.rota) if ladder.rungs else ()
            rung, people = 0, [person, *(other for other in first if other != person)]
        concern.refused = []
        self._caller.begin(
            concern, Call(rung, tuple(people), self._caller.wait_of(concern, 0), ()), self._why, now
        )

    def _tell_new_on_duty(self, concern: Concern, now: int) -> None:
        self._tell_besides(concern, "duty", concern.unit, self.duty_seen, now)

    def _tell_holder_further(self, concern: Concern, now: int) -> None:
        if concern.holder is not None:
            self._caller.tell(concern, concern.holder, "further", now)

    def _tell_last_holder(self, concern: Concern, now: int) -> None:
        last = concern.last_holder
        if last is None or last in concern.called:  # who has just been called is not told twice
            return
        if not concern.held_back and self.site.rota.is_on_duty(last, now):
            why = "recheck" if self._event is Event.RECHECK_TROUBLED else "priority-raised"
            self._caller.tell(concern, last, why, now)

    def _tell_who(self, concern: Concern, now: int) -> None:
        for person in dict.fromkeys([*concern.told, *concern.called]):  # and whose notice is on its way
            if person != concern.holder:
                self._caller.tell(concern, person, "taken", now)

    def _tell_both(self, concern: Concern, now: int) -> None:
        for person in dict.fromkeys((concern.holder, concern.last_holder)):
            if person is not None:
                why = "yours-now" if person == concern.holder else "taken-over"
                self._caller.tell(concern, person, why, now)

    def _hold(self, concern: Concern, now: int) -> None:
        del now
        concern.last_holder = concern.holder or concern.last_holder
        concern.holder = self._person
        concern.refused = []

    def _cover(self, concern: Concern, now: int) -> None:
        concern.holder = concern.last_holder = self._person
        concern.held_back = None
        self._journal.about("covered", concern, now, person=concern.holder)

    def _release(self, concern: Concern, now: int) -> None:
        del now
        gone = (Event.HAND_BACK_BY_HOLDER, Event.DECLINE_BY_HOLDER, Event.FAILED_FOR_HOLDER)
        if self._event in gone and concern.holder is not None:
            concern.refused.append(concern.holder)  # not asked again before the ladder has gone round
        concern.last_holder, concern.holder = concern.holder, None

    def _start_recheck(self, concern: Concern, now: int) -> None:
        held = self.held_until(concern)
        concern.recheck_at = now + self.site.times.recheck[concern.priority] if held is None else held

    def _wait_again(self, concern: Concern, now: int) -> None:
        concern.wait_at = now + concern.wait if concern.wait else None

    def _count_refusal(self, concern: Concern, now: int) -> None:
        if self._person is not None and self._person not in concern.refused:
            concern.refused.append(self._person)
        # Past the last rung the repeat interval goes on: everybody has just been told. The number of the rung does not
        # say so, as the pump may be in another unit by now, with a shorter ladder.
        round_told = concern.round_at is not None and concern.round_at == concern.call_began
        if concern.called and set(concern.called) <= set(concern.refused) and not round_told:
            self._caller.call(concern, concern.rung + 1, "next-rung", now)

    def _say_who(self, concern: Concern, now: int) -> None:
        if concern.holder == self._person:
            self._said = "You already have it."
            return
        self._said = f"Already with {self.site.called(concern.holder)}. To take it over, answer take-over."
        if self._person is not None:
            self._journal.about("told-who-has-it", concern, now, person=self._person)

    def _say_ended(self, concern: Concern, now: int) -> None:
        assert concern.settled_at is not None
        ended = clock(concern.settled_at, now, self.site.zone)
        self._said = f"It ended at {ended}: {concern.settled}. Nothing more is asked of you."

    def _say_unknown(self, concern: Concern, now: int) -> None:
        del concern, now
        self._said = "There is no such concern."

    def _record(self, concern: Concern, now: int) -> None:
        """The answer or failure stands in the journal already."""

    def _stand_down(self, concern: Concern, now: int) -> None:
        began = concern.held_back[1] if concern.held_back else None
        concern.held_back = None
        concern.last_holder = concern.holder or concern.last_holder
        concern.holder = None
        if began in ("raised", "relapsed"):  # began and ended in the backlog: recorded, nobody is told
            self._journal.about("missed", concern, now)
            if concern.rule in TOLD_AFTERWARDS:
                self._caller.tell_afterwards(concern, now)
        else:
            why = "withdrawn" if self._event is Event.WITHDRAWN else "stand-down"
            holder = (
                [concern.last_holder] if self._event is not Event.WITHDRAWN and concern.last_holder else []
            )
            for person in dict.fromkeys(
                [*concern.told, *holder]
            ):  # a holder by message may have been told nothing
                self._caller.tell(concern, person, why, now)
        concern.called, concern.refused = [], []

    _ACTIONS: ClassVar[dict[Do, Callable[[Actions, Concern, int], None]]] = {
        Do.RAISE: _raise,
        Do.COUNT: _count,
        Do.TELL_FIRST: _tell_first,
        Do.TELL_NEXT: _tell_next,
        Do.TELL_FIRST_RAISED: _tell_first_raised,
        Do.TELL_RELAPSE: _tell_relapse,
        Do.TELL_AFTER_DUTY: _tell_after_duty,
        Do.TELL_NEW_ON_DUTY: _tell_new_on_duty,
        Do.TELL_AFTER_HOLD: _tell_after_hold,
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
        Do.SAY_UNKNOWN: _say_unknown,
        Do.RECORD: _record,
        Do.STAND_DOWN: _stand_down,
    }
