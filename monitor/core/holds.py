"""What a person has said that is so on purpose: the feed is held or over, the pump is away or out of service.

A rule says in `quieted_by` which of these answers quiet it; one that begins to hold meanwhile raises no concern. The
rules run on underneath: what still holds at the end is told at once. Nothing else is quieted.

Editing rules: `LIMITS` is how long anybody may keep Second Bell quiet. Whatever ends a hold ends in `_end`, which looks
at every rule that it quieted: there is no other way out, so that nothing is forgotten.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Final, NamedTuple

from monitor.core.concern import Concern
from monitor.core.device import Device, Edge
from monitor.core.evidence import evidence
from monitor.core.instants import HOUR, MINUTE
from monitor.core.journal import Journal
from monitor.core.picture import Picture
from monitor.core.responsibility import Responsibility
from monitor.core.rulebook import CompiledRule
from monitor.core.site import Site
from monitor.core.timers import Kind, Timers

HOLD: Final = "hold"
FEED_ENDED: Final = "feed-ended"
AWAY: Final = "away"
OUT_OF_SERVICE: Final = "withdrawn"  # of a whole device: quiets every rule, until it is heard feeding again

# All common practice, no source; half an hour where a stop is dangerous, as harm comes fast (domain: people at risk).
LIMITS: Final[Mapping[str, int]] = {HOLD: 2 * HOUR, FEED_ENDED: 24 * HOUR, AWAY: HOUR}
AT_RISK: Final[Mapping[str, int]] = {HOLD: 30 * MINUTE, FEED_ENDED: 30 * MINUTE, AWAY: HOUR}

FED_AGAIN: Final = MINUTE  # of delivery after which a hold is over by itself: less has not resumed a feed
STILL_FEEDING: Final = 5 * MINUTE  # what feeds on for so long after the answer was not stopped for it

WHY: Final[Mapping[str, str]] = {HOLD: "hold-over", FEED_ENDED: "feed-over-over", AWAY: "away-over"}
"""Why people are told when one has ended and the trouble is there (a word of `wording.WHY`)."""


class Hold(NamedTuple):
    """One answer in force, of one device; instants in ms UTC. `until` None: until the device is heard feeding again.

    `stopped`: it has been seen not to deliver since, so that it can deliver *again*. `first`: when the first of those
    began that this one goes on from without a break, if there was one.
    """

    device: str
    kind: str
    person: str
    since: int
    until: int | None
    stopped: bool
    first: int | None = None


VERSION: Final = 2  # 1 had no `first`
FOR_EVER: Final = 1 << 62  # ms


def limit_of(kind: str, *, glucose_risk: bool) -> int:
    """How long an answer may keep Second Bell quiet, in ms."""
    return (AT_RISK if glucose_risk else LIMITS)[kind]


class Holds:
    """What is held, and what becomes of it."""

    def __init__(self, site: Site, journal: Journal, timers: Timers) -> None:
        self._site, self._journal, self._timers = site, journal, timers
        self.responsibility: Responsibility  # set by the engine, as the next two
        self.device: Callable[[str], Device | None]
        self.backlogged: Callable[[str], bool]
        self._held: dict[str, tuple[Hold, ...]] = {}
        self.dirty: set[str] = set()

    def __contains__(self, device: str) -> bool:
        """Whether anything of this device is held."""
        return device in self._held

    def of(self, device: str) -> tuple[Hold, ...]:
        """What is in force of a device."""
        return self._held.get(device, ())

    def all(self) -> list[Hold]:
        """Everything in force, by device."""
        return [hold for device in sorted(self._held) for hold in self._held[device]]

    def find(self, device: str, kind: str) -> Hold | None:
        """One sort of it."""
        return next((hold for hold in self.of(device) if hold.kind == kind), None)

    def quiets(self, device: str, rule: CompiledRule) -> Hold | None:
        """What keeps a rule quiet, if anything does; the one that does so for longest."""
        if device not in self._held:
            return None
        found = [hold for hold in self._held[device] if _quiets(hold, rule)]
        return max(found, key=lambda hold: FOR_EVER if hold.until is None else hold.until, default=None)

    def until(self, concern: Concern) -> int | None:
        """Until when a concern is quiet; None if it is not."""
        device = self.device(concern.subject) if concern.subject in self._held else None
        rule = None if device is None else next((r for r in device.rules if r.id == concern.rule), None)
        hold = None if rule is None else self.quiets(concern.subject, rule)
        return None if hold is None else hold.until

    # ---- beginning -----------------------------------------------------------------------------------------------

    def begin(self, device: Device, kind: str, person: str, until: int | None, now: int) -> Hold:
        """A person's answer is in force from now on, in place of an earlier one of the same sort."""
        first = min((_begun(other) for other in self._going(device.name, kind)), default=None)
        hold = Hold(device.name, kind, person, now, until, not device.picture.delivering, first)
        kept = [other for other in self.of(device.name) if other.kind not in _like(kind)]
        self._keep(device.name, (*kept, hold))
        if until is not None:
            self._timers.put(until, Kind.HOLD, device.name)
        for concern in self.responsibility.open_of(device.name):
            rule = next((rule for rule in device.rules if rule.id == concern.rule), None)
            if kind != OUT_OF_SERVICE and rule is not None and _quiets(hold, rule):
                self.responsibility.hold(concern, person, now)
        return hold

    def latest(self, device: str, kind: str, limit: int, now: int) -> int:
        """Until when an answer may count of which one may for `limit`: with those that it goes on from, no longer.

        Else whoever answers again before its end keeps everybody from hearing for ever.
        """
        going = self._going(device, kind)
        began = min((_begun(hold) for hold in going), default=now)
        return min(now + limit, max([began + limit, *(hold.until or 0 for hold in going)]))

    def _going(self, device: str, kind: str) -> list[Hold]:
        """What is in force until a time that an answer of this sort would take the place of."""
        return [hold for hold in self.of(device) if hold.kind in _like(kind) and hold.until is not None]

    def carry(self, old: str, new: Device, now: int) -> None:
        """The feed of one device goes on with another: what is held of it is held there."""
        carried = tuple(
            hold._replace(device=new.name, stopped=not new.picture.delivering)
            for hold in self.of(old)
            if hold.kind in (HOLD, FEED_ENDED)
        )
        self._keep(old, ())
        if carried:
            self._keep(new.name, carried)
        for hold in carried:
            if hold.until is not None:
                self._timers.put(max(now, hold.until), Kind.HOLD, new.name)

    def cap(self, device: Device, now: int) -> None:
        """A plan says only now that a stop is dangerous: what is held ends sooner."""
        if not device.picture.glucose_risk:
            return
        for hold in self.of(device.name):
            latest = now + AT_RISK.get(hold.kind, FOR_EVER)
            if hold.until is not None and hold.until > latest:
                others = tuple(other for other in self.of(device.name) if other is not hold)
                self._keep(device.name, (*others, hold._replace(until=latest)))
                self._timers.put(latest, Kind.HOLD, device.name)
                self._note("hold-shortened", hold, now, until=latest)

    # ---- ending --------------------------------------------------------------------------------------------------

    def fire(self, name: str, now: int) -> None:
        """The time of a hold may be over; while a backlog is read nobody is told, so it waits for the backlog's end."""
        if self.backlogged(name):
            return
        for hold in self.of(name):
            if hold.until is not None and hold.until <= now:
                self._end(hold, "time", now, told=self._on_duty(hold.person, now))

    def backlog_over(self, now: int) -> None:
        """What ended while a backlog was read ends now."""
        for name in sorted(self._held):
            self.fire(name, now)

    def hand_back(self, device: str, person: str, now: int) -> list[Hold]:
        """Whoever held it says that it is no longer hers: it is over, and the next are told of what is so."""
        ended = [hold for hold in self.of(device) if hold.person == person and hold.kind != OUT_OF_SERVICE]
        for hold in ended:
            self._end(hold, "handed-back", now, told=None)
        return ended

    def replace(self, device: str, kind: str, by: str, now: int) -> None:
        """A person has said something else instead, which quiets what it quiets."""
        if (hold := self.find(device, kind)) is not None:
            self._end(hold, "replaced", now, told=None, by=by)

    def serve(self, device: str, now: int) -> None:
        """A pump that was out of service has been given a place or a feed again."""
        if (hold := self.find(device, OUT_OF_SERVICE)) is not None:
            self._end(hold, "in-service", now, told=None)

    def look(self, device: Device, at: int, now: int) -> None:
        """Look at a device after an instant: what delivers again is held no longer, what feeds is in service."""
        picture = device.picture
        for hold in self.of(device.name):
            if hold.kind == AWAY:
                continue
            if not picture.delivering and not hold.stopped:
                others = tuple(other for other in self.of(device.name) if other is not hold)
                self._keep(device.name, (*others, hold._replace(stopped=True)))
            elif hold.kind == OUT_OF_SERVICE:
                if _serves(hold, picture):
                    self._end(hold, "feeds", now, told=None)
            elif picture.delivering and _fed(hold, device, at):
                self._end(hold, "feeds", now, told=None)

    def _end(self, hold: Hold, why: str, now: int, *, told: str | None, by: str = "") -> None:
        """It is over: every rule that it quieted and that still holds is told, `told` first, if anybody is."""
        name = hold.device
        self._keep(name, tuple(other for other in self.of(name) if other is not hold))
        self._note("hold-ended", hold, now, why=why)
        device = self.device(name)
        if device is None:
            return
        if hold.kind == FEED_ENDED and device.picture.feed_ended:
            device.picture.feed_ended = (
                False  # feed is due again from the next snapshot on, if its plan says so
            )
            device.subject.unsettle()
        late = hold.until if why == "time" and hold.until is not None else now
        for rule in device.rules:
            if _quiets(hold, rule) and self.quiets(name, rule) is None and by not in rule.source.quieted_by:
                reason = "raised" if why in ("feeds", "in-service") else WHY.get(hold.kind, "raised")
                anothers = hold.person if why == "handed-back" else None
                self._tell(device, rule, reason, told, late, now, feeds=why == "feeds", but_of=anothers)

    def _tell(
        self,
        device: Device,
        rule: CompiledRule,
        why: str,
        told: str | None,
        due: int,
        now: int,
        *,
        feeds: bool = False,
        but_of: str | None = None,
    ) -> None:
        """Tell what of one rule is still so; `but_of`: whoever else has it keeps it."""
        rank = device.subject.tops.get(rule.id, 0)
        concern = self.responsibility.of_subject.get(device.name, {}).get(rule.id)
        if concern is not None and concern.live:
            kept = feeds or (but_of is not None and concern.holder not in (None, but_of))
            self.responsibility.hold_ended(concern, why, told, now, feeds=kept)
        elif rank:
            track = device.subject.tracks.get(rule.id)
            edge = Edge(now, rule, "holds", rank, None if track is None else track.since(rule))
            seen = evidence(edge, track, device.picture)
            self.responsibility.after_hold(
                device.name, device.picture.unit, edge, seen, why, told, due=due, now=now
            )

    def _on_duty(self, person: str, now: int) -> str | None:
        known = person in self._site.people and self._site.rota.is_on_duty(person, now)
        return person if known else None

    # ---- state ---------------------------------------------------------------------------------------------------

    def restore(self, device: str, held: tuple[Hold, ...]) -> None:
        """Be again what `of` gave."""
        if held != self.of(device):
            self._keep(device, held)
            for hold in held:
                if hold.until is not None:
                    self._timers.put(hold.until, Kind.HOLD, device)

    def forget(self, device: str) -> None:
        """Nothing is known of this device any more."""
        if device in self._held:
            self._keep(device, ())

    def take_rows(self) -> dict[tuple[str, str], str | None]:
        """The rows to store with a transaction."""
        rows: dict[tuple[str, str], str | None] = {}
        for name in self.dirty:
            held = self.of(name)
            rows["hold", name] = json.dumps([VERSION, held], separators=(",", ":")) if held else None
        self.dirty.clear()
        return rows

    def load(self, rows: Mapping[str, str]) -> None:
        """Go on with what is stored."""
        for name, text in rows.items():
            self._held[name] = tuple(Hold(*hold) for hold in json.loads(text)[1])
            for hold in self._held[name]:
                if hold.until is not None:
                    self._timers.put(hold.until, Kind.HOLD, name)

    def resume(self, now: int) -> None:
        """After a start: a rule may no longer be quieted by what is held, as its file has changed."""
        for name in sorted(self._held):
            device = self.device(name)
            if device is None:
                continue
            for rule in device.rules:
                known = self.responsibility.of_subject.get(name, {}).get(rule.id)
                open_or_withdrawn = known is not None and (known.live or known.holding)
                if open_or_withdrawn or rule.id not in device.subject.tops:
                    continue
                if self.quiets(name, rule) is None:
                    self._tell(device, rule, "raised", None, now, now)

    def _keep(self, device: str, held: tuple[Hold, ...]) -> None:
        if held:
            self._held[device] = held
        else:
            self._held.pop(device, None)
        self.dirty.add(device)

    def _note(self, event: str, hold: Hold, now: int, **detail: object) -> None:
        self._journal.note(
            event, now=now, device=hold.device, person=hold.person, detail={"kind": hold.kind, **detail}
        )


def _like(kind: str) -> tuple[str, ...]:
    """The sorts of which one takes the place of another."""
    return (HOLD, FEED_ENDED) if kind in (HOLD, FEED_ENDED) else (kind,)


def _begun(hold: Hold) -> int:
    return hold.since if hold.first is None else hold.first


def _serves(hold: Hold, picture: Picture) -> bool:
    """Whether a pump that was said to be out of service is heard feeding again."""
    if picture.activity != "feeding" or picture.acted <= hold.since:
        return False
    return hold.stopped or picture.acted - hold.since >= STILL_FEEDING


def _fed(hold: Hold, device: Device, at: int) -> bool:
    """Whether it has delivered again for a while, and no rule bridges the gap: what stops it then is new."""
    since = device.picture.delivering_since
    for_long = since is not None and at - since >= FED_AGAIN
    bridged = any(rule.about == "delivery" and rule.id in device.subject.tops for rule in device.rules)
    return for_long and not bridged and (hold.stopped or at - hold.since >= STILL_FEEDING)


def _quiets(hold: Hold, rule: CompiledRule) -> bool:
    return hold.kind == OUT_OF_SERVICE or hold.kind in rule.source.quieted_by
