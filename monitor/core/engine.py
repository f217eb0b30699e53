"""The engine: messages, answers and instants in; changes to store and effects out. Heap and dispatch only.

`receive(event, now)` takes one input, `advance(now)` lets pass what is due, `due()` tells the next instant that may
matter. Nothing has an effect before the caller has stored what `take_changes()` returned; only then may it perform
`take_effects()`. `now` is passed in and never runs back. The same engine runs live, in replay and in the demo.

Editing rules: no rule, no wording, no state of a concern is decided here.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple

from pydantic_core import from_json, to_json

from monitor.core.answers import Answers
from monitor.core.books import Books
from monitor.core.changes import ASIDE, Changes, Quarantined
from monitor.core.concern import Concern
from monitor.core.device import Device, Subject
from monitor.core.effects import (
    Asked,
    Attempted,
    Effect,
    LinkDown,
    LinkUp,
    MarkerBack,
    StoreRefused,
    StoreWorks,
    TroubleSeen,
)
from monitor.core.fleet import STEP, Fleet
from monitor.core.journal import Happening, Journal
from monitor.core.lookout import Lookout
from monitor.core.messages import (
    AnswerMessage,
    Cleared,
    Decoded,
    PlanMessage,
    PresenceMessage,
    Reason,
    Rejection,
    Snapshot,
)
from monitor.core.outbox import Notice, Outbox
from monitor.core.phrases import one_line
from monitor.core.picture import Picture
from monitor.core.quarantine import Quarantine
from monitor.core.responsibility import Responsibility
from monitor.core.sight import SightState
from monitor.core.site import Site
from monitor.core.technical import Technical
from monitor.core.teller import Teller
from monitor.core.timers import Kind, Timers
from monitor.core.trail import Frontier
from monitor.core.troubles import QUARANTINE_FULL

TOLD = 20  # what a concern that is written into a notice costs, in devices only looked at


class Rejected(NamedTuple):
    """A message that could not be read, with its bytes."""

    rejection: Rejection
    payload: bytes


class Loaded(NamedTuple):
    """What a store gave back: rows by kind and key, the trail's frontier and size.

    `once`: the rows are for this engine only, which lets go of those of devices as it reads them; there may be many.
    """

    rows: Mapping[str, Mapping[str, str]]
    frontier: Frontier | None
    size: int
    once: bool = False


class Engine:
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
        self.site = site
        self.now = now
        self.counters: Counter[str] = Counter()
        self.memo: dict[str, str] = {}  # what the service wants to find again after a restart
        self._only_rules = only_rules
        self._timers = timers = Timers()
        frontier, size = (loaded.frontier, loaded.size) if loaded else (None, 0)
        self.journal = journal = Journal(site, size=size, frontier=frontier, trail=trail)
        self.sight = SightState(link=link)
        self.lookout = Lookout(site, journal, timers, self.sight)
        self.fleet = Fleet(
            site,
            journal,
            timers,
            self.sight,
            self.counters,
            new_unit=self.lookout.unit,
            only_rules=only_rules,
        )
        self.responsibility = Responsibility(site, journal, timers, self.fleet)
        self.fleet.responsibility = self.lookout.responsibility = self.responsibility
        self.lookout.fleet = self.fleet
        self.answers = Answers(site, journal, self.responsibility, self.fleet)
        self.teller = Teller(site, journal, self.responsibility, self.fleet, self.lookout)
        self.outbox = Outbox(
            site, journal, timers, self.teller.compose, self.teller.news, self.responsibility.notice_ended
        )
        self.responsibility.outbox = self.outbox
        self.technical = Technical(site, journal, timers, self.outbox.without_address)
        self.outbox.technical = self.technical
        self.books = Books(self.counters, journal.noted)
        self._quarantine = Quarantine()
        self._quarantined: list[Quarantined] = []
        self._counted = 0  # messages of which the counts are stored
        self._effects: list[Effect] = []
        self.responsibility.duty_seen = now
        if loaded is not None:
            self._load(loaded)
        self.fleet.unseen.begin(self.fleet.get, self.now)
        if not only_rules:
            if link or loaded is None:  # else the link will say which: a start is not yet a loss of sight
                self.lookout.look_at_units(self.now)
            self._plan_duty()

    @property
    def devices(self) -> Mapping[str, Device]:
        """The devices that have been heard of."""
        return self.fleet.devices

    # ---- in ------------------------------------------------------------------------------------------------------

    def receive(self, event: object, now: int) -> None:
        """Take one input at instant `now`."""
        self.now = max(self.now, now)
        kind = type(event)
        if kind is Snapshot and self._repeats(event):
            return
        outcome = self._HANDLERS[kind](self, event, self.now)
        if kind in _MESSAGES:  # counted once, when all of it is done: `reconcile` compares the sums
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
        except (
            Exception
        ):  # nothing has been changed by then: the long way comes to the same fault, and undoes it
            return False
        counters = self.counters
        counters["messages"] += 1
        counters["snapshots"] += 1
        return True

    def _refused(self, message: Decoded, now: int) -> Rejection | None:
        """Why a message that can be read is not taken, if so: there is no room, and nobody who could make some."""
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
            elif (concern := self.responsibility.concerns.get(key)) is not None:
                self.responsibility.retire(concern, self.now)

    def due(self) -> int | None:
        """The next instant at which `advance` may have something to do."""
        return self._timers.next()

    def note(self, event: str, **detail: object) -> None:
        """Put something that the service did into the journal (started, stopped, configuration)."""
        self.journal.note(event, now=self.now, detail=detail)

    def resume(self) -> None:
        """After a start with a store: put notices back on their way, publish the lists of concerns again."""
        self.outbox.resume(self.now)
        self.technical.resume(self.now)
        self.responsibility.look_again(self.now)

    # ---- out -----------------------------------------------------------------------------------------------------

    def take_changes(self) -> Changes:
        """What has to be stored before any of the effects may be performed."""
        changes = Changes()
        devices, rows = self.fleet.devices, changes.rows
        for name in self.fleet.dirty:
            device = devices[name]
            state = (Picture.VERSION, device.picture.dump(), device.subject.dump(device.rules))
            rows["device", name] = to_json(state).decode()
        for name in self.lookout.dirty:
            unit = self.lookout.units[name]
            changes.rows["unit", name] = _text(
                [
                    unit.picture.sight_lost,
                    unit.picture.glucose_risk,
                    unit.subject.dump(self.site.unit_rules(name)),
                ]
            )
        for key, seen in self.answers.changed.items():
            changes.rows["answer", key] = None if seen is None else _text(seen)
        for key in self.responsibility.dirty:
            concern = self.responsibility.concerns.get(key)
            changes.rows["concern", key] = (
                None if concern is None else _text([Concern.VERSION, concern.dump()])
            )
            if concern is None:
                self.counters["concerns no longer kept"] += 1
        for key in self.outbox.dirty:
            waiting = self.outbox.notices.get(key)
            notice = waiting or self.outbox.over[key]
            text = _text([Notice.VERSION, notice.dump()])
            changes.rows["notice", key] = text if waiting else None
            if not waiting:
                changes.rows[ASIDE["notice"], key] = text
            self.books.noted(notice)
        changes.rows.update(self.technical.take_rows())
        if not self._only_rules:
            self._effects += self.teller.lists(self.now)
        changes.entries, changes.frontier, changes.names = self.journal.take_entries()
        changes.quarantined, self._quarantined = self._quarantined, []
        changes.rows |= {("device", name): None for name in self.fleet.gone if name not in self.fleet.devices}
        changes.rows |= self._quarantine.take_rows()
        # A batch of nothing but duplicates changes the counts alone, and they go with what is acknowledged.
        if self.sight.changed or self.counters["messages"] != self._counted or not changes.empty():
            self.sight.changed, self._counted = False, self.counters["messages"]
            changes.rows |= self.books.take_rows(changed=bool(changes.entries))
            changes.rows["engine", "engine"] = _text(self._dump())
        for dirty in (self.fleet.dirty, self.lookout.dirty, self.responsibility.dirty, self.outbox.dirty):
            dirty.clear()
        self.answers.changed.clear()
        self.outbox.over.clear()
        self.fleet.gone.clear()
        return changes

    def take_effects(self) -> list[Effect]:
        """What is to be performed once the changes are stored."""
        effects: list[Effect] = [
            *self._effects,
            *self.lookout.effects,
            *self.outbox.effects,
            *self.technical.effects,
            *self.answers.effects,
        ]
        taken: list[Any]
        for taken in (
            self._effects, self.lookout.effects, self.outbox.effects, self.technical.effects, self.answers.effects
        ):  # fmt: skip
            taken.clear()
        return effects

    def take_happenings(self) -> list[Happening]:
        """What happened, for whoever shows it."""
        return self.journal.take()

    # ---- dispatch ------------------------------------------------------------------------------------------------

    def _on_snapshot(self, snapshot: Snapshot, now: int) -> str:
        known = self.fleet.get(snapshot.device)
        before = None if known is None else (known.picture.unit, known.picture.bridge)
        outcome = self.fleet.take(snapshot, now)
        if not self._only_rules:
            self.lookout.came(self.fleet.devices[snapshot.device], before, now)
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

    def _on_attempted(self, event: Attempted, now: int) -> None:
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

    def _concern_due(self, key: str) -> None:
        concern = self.responsibility.concerns.get(key)
        if concern is None:
            return
        concern.queued = None
        if not self.fleet.backlogged(concern.subject):  # while a backlog is read nobody is told anything new
            self.responsibility.fire(concern, self.now)
            self.responsibility.queue(concern)

    def _plan_duty(self) -> None:
        change = self.site.rota.next_change(self.responsibility.duty_seen)
        if change is not None:
            self._timers.put(change, Kind.DUTY, "")

    _HANDLERS: Mapping[type, Callable[[Engine, Any, int], str | None]] = {
        Snapshot: _on_snapshot,
        PlanMessage: _on_plan,
        PresenceMessage: _on_presence,
        AnswerMessage: _on_answer,
        Cleared: _on_cleared,
        Rejected: _on_rejected,
        Asked: _on_asked,
        Attempted: _on_attempted,
        LinkUp: _on_link_up,
        LinkDown: _on_link_down,
        MarkerBack: _on_marker_back,
        StoreRefused: _on_store_refused,
        StoreWorks: _on_store_works,
        TroubleSeen: _on_trouble_seen,
    }

    # ---- state ---------------------------------------------------------------------------------------------------

    def _dump(self) -> dict[str, Any]:
        return {
            "now": self.now,
            "counters": self.counters,
            "sight": self.sight.dump(),
            "quarantine": self._quarantine.dump(),
            "answers_forgotten": self.answers.forgotten,
            "duty_seen": self.responsibility.duty_seen,
            "published": self.teller.published,
            "memo": self.memo,
        }

    def _load(self, loaded: Loaded) -> None:
        if (text := loaded.rows.get("engine", {}).get("engine")) is not None:
            state = json.loads(text)
            self.now = max(self.now, state["now"])
            self.counters.update(state["counters"])
            self._counted = self.counters["messages"]
            self.sight.restore(state["sight"])
            self._quarantine = Quarantine.load(state["quarantine"], loaded.rows)
            self.answers.forgotten = state.get("answers_forgotten", 0)
            self.responsibility.duty_seen = state["duty_seen"]
            self.teller.published = state["published"]
            self.memo = state["memo"]
        changed: dict[str, list[str]] = {}
        for name, text in loaded.rows.get("unit", {}).items():
            unit = self.lookout.unit(name)
            if unit.name != name:
                continue
            unit.picture.sight_lost, unit.picture.glucose_risk, subject = json.loads(text)
            unit.subject, afresh = Subject.load(subject, self.site.unit_rules(name))
            for rule in afresh:
                changed.setdefault(rule, []).append(unit.key)
                unit.subject.stepped = 0  # to be looked at anew, as whatever it remembered is gone
            self.lookout.queue(unit)
        devices = loaded.rows.get("device", {})
        for name in list(devices):
            text = devices.pop(name) if loaded.once and isinstance(devices, dict) else devices[name]
            self._load_device(name, text, changed)
        for text in loaded.rows.get("concern", {}).values():
            self._load_concern(Concern.load(json.loads(text)[1]), changed)
        answered = [(json.loads(text), key) for key, text in loaded.rows.get("answer", {}).items()]
        self.answers.seen.update((key, seen) for seen, key in sorted(answered))
        self.lookout.begin_again(self.now)
        for text in loaded.rows.get("notice", {}).values():
            notice = Notice.load(json.loads(text)[1])
            if notice.state not in ("sent", "failed", "dropped"):
                self.outbox.notices[notice.id] = notice
        self.books.load(loaded.rows, loaded.size, set(self.outbox.notices), self.now)
        self.technical.load(loaded.rows.get("technical", {}))
        for rule, names in changed.items():
            self.journal.note("rule-changed", now=self.now, rule=rule, devices=len(names))

    def _load_device(self, name: str, text: str, changed: dict[str, list[str]]) -> None:
        # Without a cache of strings: those that are alike are made one by the picture itself.
        _, picture, subject = from_json(text, cache_strings="keys")
        device = Device(name, Picture.load(picture), ())
        device.picture.zone = self.site.zone
        device.rules = self.site.rules_for(device.picture.unit, name)
        device.subject, afresh = Subject.load(subject, device.rules)
        device.subject.share(device.picture.time, device.picture.receipt)
        self.fleet.devices[name] = device
        self.fleet.take_site_plan(device, self.now)
        self.fleet.count(device)
        self.lookout.unit(device.picture.unit)
        for rule in afresh:
            changed.setdefault(rule, []).append(name)
        self.fleet.queue(device)

    def _load_concern(self, concern: Concern, changed: Mapping[str, Iterable[str]]) -> None:
        known = self.responsibility.of_subject.setdefault(concern.subject, {})
        newest = known.get(concern.rule)
        self.responsibility.concerns[concern.id] = concern
        if newest is None or newest.raised_at < concern.raised_at:
            known[concern.rule] = concern
        if concern.live and concern.subject in changed.get(concern.rule, ()):
            concern.rule_changed = True
        if concern.settled_at is not None and not concern.live:
            self._timers.put(concern.settled_at + self.site.times.keep_settled, Kind.RETIRE, concern.id)
        self.responsibility.queue(concern)
        if concern.live and not concern.holding and (device := self.fleet.get(concern.subject)) is not None:
            self.fleet.await_calm(device)
            self.fleet.queue(device)


_MESSAGES = frozenset({Snapshot, PlanMessage, PresenceMessage, AnswerMessage, Cleared, Rejected})
_text = json.JSONEncoder(separators=(",", ":"), allow_nan=False).encode  # one encoder for all rows
