"""What each input of the engine is given to, and which messages are refused before that.

Editing rules: dispatch only; a new input needs its line in `HANDLERS` and its name in `monitor/recorded.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, ClassVar

from monitor.core.drill import DRILL_BRIDGE
from monitor.core.effects import (
    Asked,
    Attempted,
    DrillAsked,
    DrillStopped,
    LinkDown,
    LinkRefused,
    LinkUp,
    MarkerBack,
    Returned,
    RotaRead,
    StoreRefused,
    StoreWorks,
    TroubleOver,
    TroubleSeen,
)
from monitor.core.messages import (
    AnswerMessage,
    Cleared,
    Decoded,
    Message,
    PlanMessage,
    PresenceMessage,
    Reason,
    Rejection,
    Snapshot,
)
from monitor.core.parts import Parts, Rejected
from monitor.core.timers import Kind
from monitor.core.troubles import QUARANTINE_FULL, ROTA_ENDS, ROTA_UNREAD

MESSAGES = frozenset({Snapshot, PlanMessage, PresenceMessage, AnswerMessage, Cleared, Rejected})
"""The inputs that came as messages: each is counted once, by what became of it."""


class Inputs(Parts):
    """The engine's inputs."""

    def _refused(self, message: Decoded, now: int) -> Rejection | None:
        """Why a message that can be read is not taken: its name is ours, or there is no room and none to make."""
        if not isinstance(message, Rejection) and (name := self._reserved(message)) is not None:
            topic = f"{message.site}/{getattr(message, 'unit', 'bridge')}/{name}"
            detail = "a name of drills, and not sent by this monitor"
            return Rejection(Reason.RESERVED_NAME, detail, topic, getattr(message, "unit", None), None)
        if isinstance(message, Snapshot | PlanMessage) and self.fleet.full_for(message.device):
            if self.fleet.make_room(now):
                return None
            topic = f"{message.site}/{message.unit} (any device)"
            return Rejection(
                Reason.TOO_MANY, "more unlisted devices than are watched", topic, message.unit, None
            )
        if isinstance(message, PresenceMessage) and self.sight.full_for(message.bridge):
            if self.lookout.make_room(now):
                return None
            return Rejection(
                Reason.TOO_MANY, "more bridges than are watched", f"{message.site}/bridge", None, None
            )
        return None

    def _reserved(self, message: Message) -> str | None:
        """The name of a drill's that a message bears without being ours: nobody may make up a drill, or end one."""
        if isinstance(message, PresenceMessage):
            return message.bridge if message.bridge == DRILL_BRIDGE else None
        if not self.site.is_drill(message.device) or isinstance(message, AnswerMessage):
            return None
        ours = isinstance(message, Snapshot) and self.drills.made(message)
        return None if ours else message.device

    def _on_snapshot(self, snapshot: Snapshot, now: int) -> str:
        drill = self.site.is_drill(snapshot.device)
        if drill and not self.drills.takes(snapshot):
            return "drill over"
        known = self.fleet.get(snapshot.device)
        before = None if known is None else (known.picture.unit, known.picture.bridge)
        outcome = self.fleet.take(snapshot, now)
        if not self._only_rules:
            self.lookout.came(self.fleet.devices[snapshot.device], before, now)
        if drill:
            self.drills.came(snapshot, now)
        return outcome

    def _on_plan(self, message: PlanMessage, now: int) -> str:
        return self.fleet.take_plan(message, now)

    def _on_presence(self, message: PresenceMessage, now: int) -> str:
        return self.lookout.presence(message, now)

    def _on_answer(self, message: AnswerMessage, now: int) -> str:
        return "answers" if self.answers.came(message, now) else "answers repeated"

    def _on_cleared(self, message: Cleared, now: int) -> str:
        del message, now
        return "cleared"

    def _on_rejected(self, event: Rejected, now: int) -> str:
        rejection = event.rejection
        kept = self._quarantine.place(rejection, event.payload, now)
        if kept is not None:
            self._quarantined.append(kept)
        device = self.fleet.get(rejection.device or "")
        if device is not None and rejection.reason is not Reason.EMPTY:
            device.picture.unreadable += 1  # its messages come but cannot be read: not silent, unreadable
            self.fleet.dirty.add(device.name)
        if self._quarantine.first_of_its_kind():
            # The detail may quote the message, and with it a device or a person: it stays in the quarantine.
            self.journal.note("quarantined", now=now, device=rejection.device, reason=str(rejection.reason))
        if (not_kept := self._quarantine.say(now)) > 0:
            self.journal.note("quarantine-full", now=now, not_kept=not_kept)
            self.technical.begin(QUARANTINE_FULL, now, not_kept=not_kept)
        return f"rejected {rejection.reason}"

    def _on_asked(self, event: Asked, now: int) -> None:
        self.answers.asked(event, now)

    def _on_link_refused(self, event: LinkRefused, now: int) -> None:
        person = event.person if event.person in self.site.people else None
        concern = event.concern if event.concern in self.responsibility.concerns else None
        unsaid = {"not_said": event.unsaid} if event.unsaid else {}
        self.journal.note(
            f"{event.what}-refused",
            now=now,
            person=person,
            concern=concern,
            limit=person or "",
            detail={"why": event.why, **unsaid},
        )

    def _on_drill_asked(self, event: DrillAsked, now: int) -> None:
        self.drills.asked(event, now)

    def _on_drill_stopped(self, event: DrillStopped, now: int) -> None:
        self.drills.stopped(event, now)

    def _on_returned(self, event: Returned, now: int) -> None:
        self.returns.came(event, now)

    def _on_attempted(self, event: Attempted, now: int) -> None:
        self.returns.attempted(event, now)
        if not self.technical.attempted(event, now):
            self.outbox.attempted(event, now)

    def _on_link_up(self, event: LinkUp, now: int) -> None:
        self.lookout.link_up(event, now)

    def _on_link_down(self, event: LinkDown, now: int) -> None:
        self.lookout.link_down(event, now)

    def _on_marker_back(self, event: MarkerBack, now: int) -> None:
        self.lookout.marker_back(event, now)

    def _on_store_refused(self, event: StoreRefused, now: int) -> None:
        self.technical.store_refused(event, now)

    def _on_store_works(self, event: StoreWorks, now: int) -> None:
        del event
        self.technical.store_works(now)

    def _on_trouble_seen(self, event: TroubleSeen, now: int) -> None:
        self.technical.begin(event.trouble, now, **event.facts)

    def _on_trouble_over(self, event: TroubleOver, now: int) -> None:
        self.technical.end(event.trouble, now)

    def _on_rota_read(self, event: RotaRead, now: int) -> None:
        for trouble in (ROTA_UNREAD, ROTA_ENDS):
            self.technical.end(trouble, now)
        self.duties.read(event, now)
        self._plan_duty()

    def _concern_due(self, key: str) -> None:
        concern = self.responsibility.concerns.get(key)
        if concern is None:
            return
        if concern.queued is not None and self.now < concern.queued == concern.due():
            return  # what was moved since: its new instant is on the heap, and one entry of it is enough
        concern.queued = None
        if not self.fleet.backlogged(concern.subject):  # while a backlog is read nobody is told anything new
            self.responsibility.fire(concern, self.now)
            self.responsibility.queue(concern)

    def _plan_duty(self) -> None:
        change = self.site.rota.next_change(self.responsibility.duty_seen)
        if change is not None:
            self._timers.put(change, Kind.DUTY, "")

    HANDLERS: ClassVar[Mapping[type, Callable[[Any, Any, int], str | None]]] = {
        Snapshot: _on_snapshot,
        PlanMessage: _on_plan,
        PresenceMessage: _on_presence,
        AnswerMessage: _on_answer,
        Cleared: _on_cleared,
        Rejected: _on_rejected,
        Asked: _on_asked,
        LinkRefused: _on_link_refused,
        Attempted: _on_attempted,
        Returned: _on_returned,
        DrillAsked: _on_drill_asked,
        DrillStopped: _on_drill_stopped,
        LinkUp: _on_link_up,
        LinkDown: _on_link_down,
        MarkerBack: _on_marker_back,
        StoreRefused: _on_store_refused,
        StoreWorks: _on_store_works,
        TroubleSeen: _on_trouble_seen,
        TroubleOver: _on_trouble_over,
        RotaRead: _on_rota_read,
    }
