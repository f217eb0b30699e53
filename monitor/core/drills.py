"""Drills: a made-up pump's trouble sent through broker, rules, rota and carriers, and what became of it, leg by leg.

Nothing on that way knows of drills: the message comes back through the broker, a rule holds, people are called. Here a
drill is begun, its legs are heard from the journal, and it is ended. It waits while a real trouble is open and gives
way to one. Editing rules: the record and the messages stand in `drill`; a missed drill is a concern by the unit's rule
`drill-missed`, not by anything here.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Mapping
from typing import Any, Final

from monitor.core.calls import CALLS
from monitor.core.concern import Concern
from monitor.core.concerns import Event
from monitor.core.drill import (
    ACCEPTED,
    AGAIN,
    BROKEN_OFF,
    CLEARING,
    CUT_SHORT,
    MISSED,
    PUT_OFF,
    STOPPED,
    WAY,
    Drill,
    refusal,
)
from monitor.core.effects import DrillAsked, DrillStopped, Publish, Reply
from monitor.core.fleet import Fleet
from monitor.core.giving_way import MISSED_RULE, GivingWay
from monitor.core.instants import show_duration
from monitor.core.journal import Happening, Journal
from monitor.core.lookout import Lookout
from monitor.core.messages import Snapshot
from monitor.core.responsibility import Responsibility
from monitor.core.sight import SightState
from monitor.core.site import Site
from monitor.core.timers import Kind, Timers
from monitor.core.wording import DRILL_LACKS

REAL: Final = frozenset({"raised", "relapsed", "priority-raised", "called"})
"""What may bring a real trouble to somebody whom a drill asks for an answer."""
LEGS: Final = {
    "notice-sent": "sent", "notice-try-later": "try-later", "notice-refused": "refused", "notice-failed": "failed",
    "declined": "declined", "handed-back": "handed-back",
}  # fmt: skip
"""What of a drill's concern is a leg of its way, by how the journal calls it."""


class Drills:
    """The drills of a site: one for each unit at a time, and the last one for whoever asks."""

    def __init__(
        self,
        site: Site,
        journal: Journal,
        timers: Timers,
        sight: SightState,
        fleet: Fleet,
        lookout: Lookout,
        responsibility: Responsibility,
    ) -> None:
        self._site, self._journal, self._timers, self._sight = site, journal, timers, sight
        self._fleet, self._lookout, self._responsibility = fleet, lookout, responsibility
        self._way = GivingWay(site, sight, responsibility)
        self.of_unit: dict[str, Drill] = {}
        self.dirty: set[str] = set()
        self.effects: list[Publish | Reply] = []
        self.heard: deque[Happening] = deque()

    # ---- asked for ---------------------------------------------------------------------------------------------------

    def asked(self, event: DrillAsked, now: int) -> None:
        """Begin a drill, or put it off; the reply is its id, or why there is none."""
        if (why := refusal(event, self._site, self.of_unit.get(event.unit))) is not None:
            self.effects.append(Reply(token=event.token, ok=False, text=f"No drill was begun: {why}."))
            return
        drill = Drill(
            unit=event.unit, device=self._site.drill_device(event.unit), to=event.to, priority=event.priority,
            wait=event.wait, by=event.by, seal=event.seal, at=now,
        )  # fmt: skip
        before = self.of_unit.get(event.unit)
        drill.missed_to = None if before is None else before.missed_to
        self.of_unit[event.unit] = drill
        drill.leg("asked", now)
        self._note(
            "drill-asked",
            drill,
            now,
            by=drill.by,
            priority=drill.priority,
            wait=drill.wait,
            to=self._to(drill),
        )
        self._listen()
        self._try(drill, now)
        self.effects.append(Reply(token=event.token, ok=True, text=drill.id))

    def stopped(self, event: DrillStopped, now: int) -> None:
        """Whoever asked for a drill wants no more of it."""
        drill = self.of_unit.get(event.unit)
        if drill is None or drill.id != event.drill or drill.outcome is not None:
            self.effects.append(Reply(token=event.token, ok=False, text="It is over already."))
            return
        self._end(drill, STOPPED, "whoever asked for it has stopped it", now)
        self.effects.append(Reply(token=event.token, ok=True, text="Stopped; whoever was told hears it."))

    # ---- its way -----------------------------------------------------------------------------------------------------

    def takes(self, snapshot: Snapshot) -> bool:
        """Whether this is what a drill under way has sent last, to the last field."""
        drill = self.of_unit.get(snapshot.unit)
        if drill is None or drill.state not in ("running", "clearing"):
            return False
        return snapshot in drill.snapshots(self._site)

    def made(self, snapshot: Snapshot) -> bool:
        """Whether this message is or was a drill's of ours: only then may it bear such a name."""
        drill = self.of_unit.get(snapshot.unit)
        return drill is not None and drill.device == snapshot.device and drill.made(snapshot.id)

    def came(self, snapshot: Snapshot, now: int) -> None:
        """A drill's message has come back, and was taken as any pump's."""
        drill = self.of_unit[snapshot.unit]
        name = "back" if drill.state == "running" else "cleared"
        if not drill.has(name):
            drill.leg(name, now)
            self._touch(drill)
        if (device := self._fleet.get(drill.device)) is not None:
            device.subject.unsettle()  # each message of it is looked at in full, also by whom it was sent

    def _hear(self, happening: Happening) -> None:
        """Something was noted: kept until what is being done is done."""
        if happening.event in REAL or happening.concern is not None:
            self.heard.append(happening)

    def attend(self, now: int) -> None:
        """See what has been noted of drills, and of real troubles that they must give way to."""
        while self.heard:
            happening = self.heard.popleft()
            concern = self._responsibility.concerns.get(happening.concern or "")
            if concern is None:
                continue
            drill = self._of(concern)
            if drill is not None:
                self._leg(drill, concern, happening, now)
            elif not self._site.is_drill(concern.subject):
                if happening.event == "withdrawn" and concern.rule == MISSED_RULE:
                    self._forget_missed(concern.unit, now)
                elif happening.event in REAL:
                    self._give_way(concern, now)

    def _leg(self, drill: Drill, concern: Concern, happening: Happening, now: int) -> None:
        event, said = happening.event, happening.detail
        if event == "raised":
            drill.concern = concern.id
            drill.leg("raised", now, rule=concern.rule)
        elif event in ("accepted", "taken-over") and drill.state == "running":
            drill.leg("accepted", now, person=happening.person)
            self._end(drill, ACCEPTED, "", now)
        elif event == "told" and drill.state == "running":
            if said.get("why") in CALLS:
                drill.leg(
                    "told", now, person=happening.person, carrier=said.get("carrier"), why=said.get("why")
                )
        elif event in LEGS and drill.state == "running":
            drill.leg(
                LEGS[event],
                now,
                person=happening.person,
                carrier=said.get("carrier"),
                answer=said.get("answer") or said.get("cause"),
            )
        elif event == "withdrawn" and drill.state == "running":
            self._end(drill, STOPPED, "its concern was withdrawn", now)
        elif event in ("settled", "withdrawn") and drill.state == "clearing":
            self._close(drill)
        self._touch(drill)

    def _of(self, concern: Concern) -> Drill | None:
        """The drill under way that a concern is of."""
        drill = self.of_unit.get(concern.unit)
        if (
            drill is None
            or drill.over
            or concern.subject != drill.device
            or drill.concern not in (None, concern.id)
        ):
            return None
        return drill

    # ---- real troubles -----------------------------------------------------------------------------------------------

    def _give_way(self, concern: Concern, now: int) -> None:
        for drill in list(self.of_unit.values()):
            if drill.state == "running" and self._way.blocks(concern, drill, now):
                self._end(drill, CUT_SHORT, "a real trouble has come up, which goes first", now)

    # ---- what is due -------------------------------------------------------------------------------------------------

    def fire(self, unit: str, now: int) -> None:
        """Something is due of a unit's drill."""
        drill = self.of_unit.get(unit)
        if drill is None or drill.due is None or drill.due > now:
            return
        if drill.state == "waiting":
            if now >= drill.until:
                self._end(drill, PUT_OFF, drill.why, now)
            else:
                self._try(drill, now)
        elif drill.state == "running":
            if now >= drill.until:
                self._miss(drill, now)
            else:
                if not drill.has("back") and self._sight.link:
                    self._publish(drill, now, first=False)
                self._again(drill, now)
        elif drill.state == "clearing":
            if now >= drill.until:  # what was to end it did not come back: it is over all the same
                self._withdraw(drill, "the drill is over", now)
                self._close(drill)
            else:
                if not drill.has("cleared") and self._sight.link:
                    self._publish(drill, now, first=False)
                self._again(drill, now)

    def _again(self, drill: Drill, now: int) -> None:
        """Look again: soon, while a message may have been lost; else when its time is over."""
        lost = not drill.has("back" if drill.state == "running" else "cleared")
        self._plan(drill, min(drill.until, now + AGAIN) if lost else drill.until)

    def _try(self, drill: Drill, now: int) -> None:
        """Begin it if nothing stands in its way."""
        hindrance = self._way.hindrance(drill, now)
        if hindrance is not None:
            if hindrance != drill.why:
                drill.why = hindrance
                drill.leg("put-off", now, why=hindrance)
                self._note("drill-put-off", drill, now, why=hindrance)
            self._plan(drill, min(drill.until, now + AGAIN))
            return
        drill.state, drill.why, drill.begun, drill.until = "running", "", now, now + drill.wait
        if drill.to is not None:
            self._responsibility.only[drill.device] = drill.to
        self._publish(drill, now, first=True)
        drill.leg("published", now)
        self._note("drill-begun", drill, now, message=drill.message_id(drill.number))
        self._again(drill, now)

    def _publish(self, drill: Drill, now: int, *, first: bool) -> None:
        drill.send(now, first=first)
        self.effects.append(
            Publish(topic=drill.topic(self._site), payload=drill.payload(self._site), retain=False)
        )

    # ---- its end -----------------------------------------------------------------------------------------------------

    def _miss(self, drill: Drill, now: int) -> None:
        self._end(drill, MISSED, DRILL_LACKS[drill.lacks()].format(wait=show_duration(drill.wait)), now)

    def _end(self, drill: Drill, outcome: str, why: str, now: int) -> None:
        """Say how it ended; what was begun is taken back."""
        drill.outcome, drill.why, drill.ended = outcome, why, now
        drill.leg("ended", now, outcome=outcome, why=why)
        times = {name: leg.at - drill.started for name in WAY if (leg := drill.first(name)) is not None}
        accepted = drill.first("accepted")
        self._note(
            "drill-ended", drill, now, person=None if accepted is None else accepted.said["person"],
            outcome=outcome, why=why or None, by=drill.by, to=self._to(drill), after=times,
        )  # fmt: skip
        self._tell_unit(drill, now)
        if outcome == ACCEPTED:
            drill.state, drill.until = "clearing", now + CLEARING
            self._publish(drill, now, first=True)
            self._again(drill, now)
            return
        self._withdraw(drill, f"the drill is over: {why}", now)
        self._close(drill)

    def _tell_unit(self, drill: Drill, now: int) -> None:
        """A missed drill is a concern of its unit, until one to the same people, or to all of its ladder, is accepted.

        Not one to a single person that somebody watches from a terminal: they see it.
        """
        to = drill.to or ""
        if drill.outcome == MISSED and (not to or drill.by == "calendar"):
            again, drill.missed_to = drill.missed_to is not None, to
            concern = self._responsibility.of_subject.get(f"unit:{drill.unit}", {}).get(MISSED_RULE)
            if again and concern is not None and concern.live:
                self._journal.about("joined", concern, now)
                self._responsibility.happens(concern, Event.HOLDS, now)
            self._lookout.drill_ended(drill.unit, missed=True, now=now, lacks=drill.lacks())
        elif drill.outcome == ACCEPTED and to in ("", drill.missed_to):
            self._forget_missed(drill.unit, now)

    def _forget_missed(self, unit: str, now: int) -> None:
        if (drill := self.of_unit.get(unit)) is not None:
            drill.missed_to = None
            self._touch(drill)
        self._lookout.drill_ended(unit, missed=False, now=now)

    def _withdraw(self, drill: Drill, why: str, now: int) -> None:
        concern = self._responsibility.concerns.get(drill.concern or "")
        if concern is not None and concern.live:
            self._responsibility.withdraw(concern, now, why)

    def _close(self, drill: Drill) -> None:
        """Forget the made-up pump; what is still said of its concern says that it is over."""
        drill.state, drill.due = "ended", None
        self._responsibility.only.pop(drill.device, None)
        self._fleet.let_go(drill.device)
        self._touch(drill)
        self._listen()

    # ---- the store ---------------------------------------------------------------------------------------------------

    def take_rows(self) -> dict[tuple[str, str], str | None]:
        """The rows that have changed, to be stored."""
        rows: dict[tuple[str, str], str | None] = {
            ("drill", unit): json.dumps([Drill.VERSION, self.of_unit[unit].dump()], separators=(",", ":"))
            for unit in self.dirty
        }
        self.dirty.clear()
        return rows

    def load(self, rows: Mapping[str, str]) -> None:
        """Take the rows that were stored: before concerns are looked at, so that nothing of them is missed."""
        for unit, text in rows.items():
            drill = self.of_unit[unit] = Drill.load(json.loads(text)[1])
            if not drill.over and drill.to is not None:
                self._responsibility.only[drill.device] = drill.to
            if drill.due is not None:
                self._timers.put(drill.due, Kind.DRILL, unit)
        self._listen()

    def resume(self, now: int) -> None:
        """After a start: what goes on goes on; what cannot, or was over meanwhile with nobody to hear it, is ended."""
        for drill in self.of_unit.values():
            if drill.outcome is not None:
                continue
            gone = (
                drill.unit not in self._site.units
                or (drill.to or self._site.last_resort) not in self._site.people
            )
            if gone or not self._site.drill_rules():
                self._end(drill, BROKEN_OFF, "the site file no longer has what it needs", now)
            elif now >= drill.until:
                self._end(drill, BROKEN_OFF, "Second Bell was not running when its time was over", now)
            else:
                drill.leg("restarted", now)
                self._touch(drill)

    # ---- for whoever asks --------------------------------------------------------------------------------------------

    def report(self, identifier: str) -> dict[str, Any] | None:
        """What there is to say of a drill; people by their duty label."""
        drill = next((drill for drill in self.of_unit.values() if drill.id == identifier), None)
        return None if drill is None else drill.report(self._site)

    def _to(self, drill: Drill) -> str | None:
        return None if drill.to is None else self._journal.key("person", drill.to)

    def _note(
        self, event: str, drill: Drill, now: int, *, person: str | None = None, **detail: object
    ) -> None:
        self._journal.note(
            event, now=now, concern=drill.concern, device=drill.device, person=person,
            detail={"unit": drill.unit, **{key: value for key, value in detail.items() if value is not None}},
        )  # fmt: skip

    def _plan(self, drill: Drill, at: int) -> None:
        drill.due = at
        self._timers.put(at, Kind.DRILL, drill.unit)
        self._touch(drill)

    def _touch(self, drill: Drill) -> None:
        self.dirty.add(drill.unit)

    def _listen(self) -> None:
        """Hear the journal while a drill is under way, or its concern may be withdrawn."""
        self._journal.listener = self._hear if self.of_unit else None
