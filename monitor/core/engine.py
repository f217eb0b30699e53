"""The engine: messages, answers and instants in; changes to store and effects out. Heap and dispatch only.

`receive(event, now)` takes one input, `advance(now)` lets pass what is due, `due()` tells the next instant that may
matter. Nothing has an effect before the caller has stored what `take_changes()` returned; only then may it perform
`take_effects()`. `now` is passed in and never runs back. The same engine runs live, in replay and in the demo.

Editing rules: no rule, no wording, no state of a concern is decided here.
"""

from __future__ import annotations

from typing import Any

from monitor.core.effects import Effect
from monitor.core.inputs import MESSAGES, Inputs
from monitor.core.journal import Happening
from monitor.core.messages import AnswerMessage, Decoded, Reason, Rejection, Snapshot
from monitor.core.parts import Loaded, Rejected
from monitor.core.phrases import one_line
from monitor.core.site import Site
from monitor.core.stored import Stored
from monitor.core.timers import Kind
from monitor.core.waking import STEP

TOLD = 20  # what a concern that is written into a notice costs, in devices only looked at


class Engine(Inputs, Stored):
    """All devices of a site, and all concerns about them."""

    def __init__(
        self,
        site: Site,
        *,
        now: int,
        link: bool = False,
        only_rules: bool = False,
        trail: bool = True,
        loaded: Loaded | None = None,
    ) -> None:
        """Begin at instant `now`, from what was `loaded`; `link` says that the broker is there already."""
        super().__init__(site, now=now, link=link, only_rules=only_rules, trail=trail, loaded=loaded)
        if loaded is not None:
            self._load(loaded)
        self.fleet.unseen.begin(self.fleet.get, self.now)
        if not only_rules:
            if link or loaded is None:  # else the link will say which: a start is not yet a loss of sight
                self.lookout.look_at_units(self.now)
            self._plan_duty()

    # ---- in ------------------------------------------------------------------------------------------------------

    def receive(self, event: object, now: int) -> None:
        """Take one input at instant `now`."""
        self.now = max(self.now, now)
        kind = type(event)
        if kind is Snapshot and self._repeats(event):
            return
        outcome = self.HANDLERS[kind](self, event, self.now)
        if self.drills.heard:
            self.drills.attend(self.now)
        if kind in MESSAGES:  # counted once, when all of it is done: `reconcile` compares the sums
            self.counters["messages"] += 1
            self.counters[outcome or "nothing"] += 1

    def receive_message(self, message: Decoded, payload: bytes, now: int) -> Exception | None:
        """Take a message as decoded; a fault of ours on it is quarantined by name and returned, not raised.

        A raising message would come again after each restart, for ever, and keep all others from being heard.
        """
        self.now = max(self.now, now)
        if type(message) is Snapshot and self._repeats(message):
            return None
        message = self._refused(message, self.now) or message
        if isinstance(message, Rejection):
            self.receive(Rejected(message, payload), now)
            return None
        named = getattr(message, "device", None)
        answer = message if isinstance(message, AnswerMessage) else None
        undo = None if named is None else self.fleet.before(named, answered=answer is not None)
        try:
            self.receive(message, now)
        except Exception as error:
            if undo is not None:
                self.fleet.undo(undo, self.now)
            if answer is not None:
                self.answers.unsee(answer)
            fault = f"{type(error).__name__}: {one_line(str(error), 120)}"
            topic = "/".join(str(part) for part in message[:3])
            rejection = Rejection(Reason.ENGINE_FAULT, fault, topic, getattr(message, "unit", None), named)
            self.receive(Rejected(rejection, payload), now)
            return error
        self.fleet.guarding = False
        return None

    def hear_again(self, snapshot: Snapshot, now: int) -> bool:
        """Take a snapshot if it goes the short way, which asks for nothing and tells nothing; else nothing was done."""
        self.now = max(self.now, now)
        return self._repeats(snapshot)

    def _repeats(self, snapshot: Any) -> bool:
        """Take a snapshot by the short way, if it can be: most messages can."""
        try:
            if not self.fleet.repeats(snapshot, self.now):
                return False
        except Exception:  # nothing is changed by then: the long way comes to the same fault, and undoes it
            return False
        counters = self.counters
        counters["messages"] += 1
        counters["snapshots"] += 1
        return True

    def advance(self, now: int, most: int | None = None) -> None:
        """Let everything pass that is due by `now`; with `most`, only about so much of it: a device looked at costs 1.

        What is left is due at once: the caller can store in between, and breathe.
        """
        self.now = max(self.now, now)
        cost = 0
        while (most is None or cost < most) and (found := self._timers.pop(now)) is not None:
            kind, key = found
            if kind is Kind.DEVICE:
                cost += STEP if self.fleet.fire(key, self.now) else 1
                continue
            cost += STEP
            if kind is Kind.WORK:
                cost += self.lookout.work(key, self.now)
            elif kind is Kind.NOTICE:
                cost += TOLD * self.outbox.fire(key, self.now)
            elif kind is Kind.HOLD:
                self.holds.fire(key, self.now)
            elif kind is Kind.CONCERN:
                self._concern_due(key)
            elif kind is Kind.UNIT:
                self.lookout.unit_due(key, self.now)
            elif kind is Kind.CATCH_UP:
                self.lookout.catch_up_due(key, self.now)
            elif kind is Kind.DUTY:
                self.responsibility.duty_changed(self.now)
                self._plan_duty()
            elif kind is Kind.TECHNICAL:
                self.technical.fire(key, self.now)
            elif kind is Kind.DRILL:
                self.drills.fire(key, self.now)
            elif (concern := self.responsibility.concerns.get(key)) is not None:
                self.responsibility.retire(concern, self.now)
        if self.drills.heard:
            self.drills.attend(self.now)

    def due(self) -> int | None:
        """The next instant at which `advance` may have something to do."""
        return self._timers.next()

    def note(self, event: str, **detail: object) -> None:
        """Put something that the service did into the journal (started, stopped, configuration)."""
        self.journal.note(event, now=self.now, detail=detail)

    def keep(self, kind: str, key: str, text: str) -> None:
        """Store a row of the service's own with the next transaction; nothing here looks at it."""
        self._kept[kind, key] = text

    def resume(self) -> None:
        """After a start with a store: put notices back on their way, publish the lists of concerns again."""
        self.outbox.resume(self.now)
        self.technical.resume(self.now)
        self.responsibility.look_again(self.now)
        self.holds.resume(self.now)
        self.drills.attend(self.now)
        self.drills.resume(self.now)

    # ---- out -----------------------------------------------------------------------------------------------------

    def take_effects(self) -> list[Effect]:
        """What is to be performed once the changes are stored."""
        sources: tuple[list[Any], ...] = (
            self._effects, self.lookout.effects, self.outbox.effects, self.technical.effects, self.answers.effects,
            self.drills.effects, self.returns.effects,
        )  # fmt: skip
        effects: list[Effect] = [effect for source in sources for effect in source]
        for source in sources:
            source.clear()
        return effects

    def take_happenings(self) -> list[Happening]:
        """What happened, for whoever shows it."""
        return self.journal.take()
