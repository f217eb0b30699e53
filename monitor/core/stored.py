"""What of the engine is stored with a transaction, and how it is again what was stored.

Editing rules: whatever matters after a restart is in a row; a changed row raises the version of what it holds, and an
older one still loads. A new kind of row needs its word in `changes.KINDS`.
"""

from __future__ import annotations

import json
from collections.abc import Container, Iterable, Mapping
from typing import Any

from pydantic_core import from_json, to_json

from monitor.core.changes import ASIDE, Changes
from monitor.core.concern import Concern
from monitor.core.device import Device, Subject
from monitor.core.outbox import Notice
from monitor.core.parts import Loaded, Parts
from monitor.core.picture import Picture
from monitor.core.quarantine import Quarantine
from monitor.core.timers import Kind


class Stored(Parts):
    """The engine's rows."""

    def take_changes(self) -> Changes:
        """What has to be stored before any of the effects may be performed."""
        changes = Changes()
        devices, rows = self.fleet.devices, changes.rows
        for name in self.fleet.dirty:
            device = devices[name]
            state = (Picture.VERSION, device.picture.dump(), device.subject.dump(device.rules))
            rows["device", name] = to_json(state).decode()
        rows.update(self.fleet.marks)
        self.fleet.marks.clear()
        for name in self.lookout.dirty:
            unit = self.lookout.units[name]
            changes.rows["unit", name] = _text(
                [
                    unit.picture.sight_lost,
                    unit.picture.glucose_risk,
                    unit.subject.dump(self.site.unit_rules(name)),
                    unit.picture.drill_missed,
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
                self.returns.remember(notice)
            self.books.noted(notice)
        changes.rows.update(self.technical.take_rows())
        changes.rows.update(self.outbox.take_rows())
        changes.rows.update(self.returns.take_rows())
        changes.rows.update(self.holds.take_rows())
        changes.rows.update(self.places.take_rows())
        changes.rows.update(self.duties.take_rows())
        changes.rows.update(self._kept)
        self._kept.clear()
        changes.rows.update(self.drills.take_rows())
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

    def _dump(self) -> dict[str, Any]:
        return {
            "now": self.now,
            "counters": self.counters,
            "sight": self.sight.dump(),
            "quarantine": self._quarantine.dump(),
            "answers_forgotten": self.answers.forgotten,
            "answer_limits": self.answers.limits(self.now),
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
            self.answers.limit_as(state.get("answer_limits", {}))
            self.responsibility.duty_seen = state["duty_seen"]
            self.teller.published = state["published"]
            self.memo = state["memo"]
        self.duties.load(loaded.rows.get("rota", {}), self.now)
        changed: dict[str, list[str]] = {}
        for name, text in loaded.rows.get("unit", {}).items():
            unit = self.lookout.unit(name)
            if unit.name != name:
                continue
            unit.picture.sight_lost, unit.picture.glucose_risk, subject, *more = json.loads(text)
            unit.picture.drill_missed = bool(more and more[0])
            unit.subject, afresh = Subject.load(subject, self.site.unit_rules(name))
            for rule in afresh:
                changed.setdefault(rule, []).append(unit.key)
                unit.subject.stepped = 0  # to be looked at anew, as whatever it remembered is gone
            self.lookout.queue(unit)
        self.holds.load(loaded.rows.get("hold", {}))
        let_go = self.places.load(loaded.rows.get("place", {}), self.now)
        devices = loaded.rows.get("device", {})
        for name in list(devices):
            text = devices.pop(name) if loaded.once and isinstance(devices, dict) else devices[name]
            self._load_device(name, text, changed, let_go)
        self.drills.load(loaded.rows.get("drill", {}))
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
        self.returns.load(loaded.rows.get("sent-mail", {}))
        self.outbox.load(loaded.rows)
        for rule, names in changed.items():
            self.journal.note("rule-changed", now=self.now, rule=rule, devices=len(names))

    def _load_device(
        self, name: str, text: str, changed: dict[str, list[str]], let_go: Container[str]
    ) -> None:
        # Without a cache of strings: those that are alike are made one by the picture itself.
        _, picture, subject = from_json(text, cache_strings="keys")
        device = Device(name, Picture.load(picture), ())
        device.picture.zone = self.site.zone
        device.rules = self.site.rules_for(device.picture.unit, name)
        device.subject, afresh = Subject.load(subject, device.rules)
        device.subject.share(device.picture.time, device.picture.receipt)
        self.fleet.devices[name] = device
        if name in let_go:
            device.picture.plan_sent = False
        self.fleet.take_site_plan(device, self.now)
        self.fleet.count(device)
        self.lookout.unit(device.picture.unit)
        for rule in afresh:
            changed.setdefault(rule, []).append(name)
        self.fleet.queue(device)

    def _load_concern(self, concern: Concern, changed: Mapping[str, Iterable[str]]) -> None:
        self.responsibility.concerns[concern.id] = concern
        known: dict[str, Concern] = {}  # a drill that is over is not what the next one falls back to
        if concern.live or not self.site.is_drill(concern.subject):
            known = self.responsibility.of_subject.setdefault(concern.subject, {})
        newest = known.get(concern.rule)
        if newest is None or (newest.live, newest.raised_at) < (concern.live, concern.raised_at):
            known[concern.rule] = concern
        if concern.live and concern.subject in changed.get(concern.rule, ()):
            concern.rule_changed = True
        if concern.settled_at is not None and not concern.live:
            self._timers.put(concern.settled_at + self.site.times.keep_settled, Kind.RETIRE, concern.id)
        self.responsibility.queue(concern)
        if concern.live and not concern.holding and (device := self.fleet.get(concern.subject)) is not None:
            self.fleet.await_calm(device)
            self.fleet.queue(device)


_text = json.JSONEncoder(separators=(",", ":"), allow_nan=False).encode  # one encoder for all rows
