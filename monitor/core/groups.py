"""Groups: many concerns of one rule in one unit at about the same time, told to each person as one.

More than `ALONE` called within `WITHIN` are a group; each keeps its own record, and what is told later of several of
them at once is one notice again. A person's code of a group answers what the notices listed that she was sent.

Editing rules: whether something is told is decided elsewhere; here only what belongs together. A group's id follows
from what it is about, so that the core needs no chance.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Container, Iterable, Sequence
from typing import Any

from monitor.core.concern import Concern
from monitor.core.site import SECOND, Site

ALONE = 5  # concerns that are told one by one
WITHIN = 60 * SECOND
LONGEST = 30 * SECOND  # between two notices of one group to one person; common practice, no source

ONSETS = frozenset({"raised", "relapsed", "priority-raised"})
"""The reasons for a call that begin something: a group that is over does not take them in."""


class Group:
    """The record of one group; `listed` has for each person the places in `members` that her notices listed."""

    FIELDS = ("id", "unit", "rule", "first", "last", "members", "left", "listed", "sent", "threads")
    VERSION = 1
    __slots__ = (*FIELDS, "places")

    def __init__(self, id: str, *, unit: str = "", rule: str = "", first: int = 0) -> None:
        self.id = id
        self.unit, self.rule = unit, rule  # of a summary: both empty
        self.first = self.last = first
        self.members: list[str] = []
        self.places: dict[str, int] = {}  # where a member stands in `members`
        self.left: list[str] = []  # members that began anew, by themselves or in another group
        self.listed: dict[str, list[int]] = {}
        self.sent: dict[
            str, list[int]
        ] = {}  # "person|kind" -> how many notices one after the other, and the last
        self.threads: dict[str, str] = {}  # person -> Message-ID of the first mail

    def join(self, concern: str) -> int:
        """Take a concern in; its place."""
        place = self.places.get(concern)
        if place is None:
            place = self.places[concern] = len(self.members)
            self.members.append(concern)
        return place

    def dump(self) -> dict[str, Any]:
        """The record as JSON values."""
        return {field: getattr(self, field) for field in self.FIELDS}

    @classmethod
    def load(cls, state: dict[str, Any]) -> Group:
        """The record from what `dump` gave."""
        group = cls("")
        for field in cls.FIELDS:
            setattr(group, field, state[field])
        group.places = {concern: place for place, concern in enumerate(group.members)}
        return group


class Groups:
    """All groups of which a concern is still kept, and what was called lately."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self.known: dict[str, Group] = {}
        self.dirty: set[str] = set()
        self._of: dict[str, str] = {}  # concern -> the group that it was last in
        self._lately: dict[
            tuple[str, str], dict[str, int]
        ] = {}  # (unit, rule) -> concern -> called when, in order
        self._changed: set[tuple[str, str]] = set()
        self._growing: dict[tuple[str, str], str] = {}  # the group that may still grow

    def called(self, concern: Concern, why: str, now: int) -> tuple[Group | None, bool]:
        """The group that this call belongs to, and whether it has just come to be one."""
        unit = (
            concern.unit if concern.unit in self._site.units else ""
        )  # those that the site does not know share one
        key = (unit, concern.rule)
        group = self.of(concern.id)
        growing = self.known.get(self._growing.get(key, ""))
        if growing is not None and now - growing.last > WITHIN:
            growing = None
            del self._growing[key]
        if group is not None and (why not in ONSETS or group is growing):
            if group is growing and why in ONSETS:
                self._take(group, concern.id, now)
            return group, False
        if growing is not None:
            self._take(growing, concern.id, now)
            return growing, False
        self._leave(concern.id)
        lately = self._lately.setdefault(key, {})
        lately.pop(concern.id, None)
        lately[concern.id] = now
        while now - lately[oldest := next(iter(lately))] > WITHIN:
            del lately[oldest]
        self._changed.add(key)
        if len(lately) <= ALONE:
            return None, False
        first = next(iter(lately.values()))
        group = Group(self._id(unit, concern.rule, first), unit=concern.unit, rule=concern.rule, first=first)
        self.known[group.id] = group
        for member in lately:
            self._take(group, member, now)
        self._growing[key] = group.id
        lately.clear()
        return group, True

    def of(self, concern: str) -> Group | None:
        """The group that a concern was last in."""
        return self.known.get(self._of.get(concern, ""))

    def gather(self, group: str, person: str, kind: str, now: int) -> int:
        """How long to wait for more before a group's next notice to a person, in ms.

        The first waits for the usual time; while one follows the other each waits twice as long as the one before it.
        """
        found = self.known.get(group)
        count, last = (0, 0) if found is None else found.sent.get(f"{person}|{kind}", (0, 0))
        usual = self._site.times.gather
        if not count or now - last > WITHIN:
            return usual
        return max(usual, min(usual << min(count, 10), LONGEST))

    def told(self, group: Group, person: str, kind: str, now: int) -> None:
        """A notice of a group goes to a person."""
        count, last = group.sent.get(f"{person}|{kind}", (0, 0))
        group.sent[f"{person}|{kind}"] = [count + 1 if now - last <= WITHIN else 1, now]
        self.dirty.add(group.id)

    def lists(self, reference: str, person: str, concerns: Iterable[str], now: int) -> Group:
        """A notice to a person lists these concerns under one code; `reference` is a group, or a notice of several."""
        group = self.known.get(reference)
        if group is None:
            group = self.known[reference] = Group(reference, first=now)
        listed = dict.fromkeys(group.listed.get(person, ()))
        listed.update(dict.fromkeys(group.join(concern) for concern in concerns))
        group.listed[person] = list(listed)
        self.dirty.add(group.id)
        return group

    def listed(self, reference: str, person: str) -> tuple[str, ...]:
        """The concerns that a group's notices have listed for a person."""
        group = self.known.get(reference)
        return () if group is None else tuple(group.members[place] for place in group.listed.get(person, ()))

    def find(self, code: str, person: str) -> tuple[str, ...] | None:
        """The concerns that a person's code of a group answers; None if it is no such code."""
        found = self.find_group(code, person)
        return None if found is None else self.listed(found.id, person)

    def find_group(self, code: str, person: str) -> Group | None:
        """The group that a person's code is of; its id serves as well, as a concern's does."""
        named = self.known.get(code.strip().lower())
        if named is not None and person in named.listed:
            return named
        for group in self.known.values():
            if person in group.listed and self._site.code(group.id, person) == code.strip().upper():
                return group
        return None

    def forget(self, gone: Sequence[str], kept: Container[str]) -> None:
        """These concerns are not kept any more; nor is a group of which none of `kept` is a member."""
        for concern in gone:
            self._of.pop(concern, None)
        for group in [g for g in self.known.values() if any(concern in g.places for concern in gone)]:
            if not any(concern in kept for concern in group.members):
                del self.known[group.id]
                self.dirty.add(group.id)

    # ---- the store -------------------------------------------------------------------------------------------------

    def take_rows(self) -> dict[tuple[str, str], str | None]:
        """What has changed since the last call: groups, and what was called lately of which none has come yet."""
        rows: dict[tuple[str, str], str | None] = {}
        for key in self.dirty:
            group = self.known.get(key)
            rows["group", key] = None if group is None else _text([Group.VERSION, "group", group.dump()])
        for unit, rule in self._changed:
            lately = [unit, rule, self._lately[unit, rule]]
            rows["group", f"{unit}|{rule}"] = _text([Group.VERSION, "lately", lately]) if lately[2] else None
        self.dirty.clear()
        self._changed.clear()
        return rows

    def load(self, rows: Iterable[str]) -> None:
        """Take what `take_rows` gave."""
        groups = []
        for text in rows:
            _, what, state = json.loads(text)
            if what == "lately":
                unit, rule, lately = state
                self._lately[unit, rule] = dict(sorted(lately.items(), key=lambda called: called[1]))
            else:
                groups.append(Group.load(state))
        for group in sorted(groups, key=lambda group: (group.last, group.first, group.id)):
            self.known[group.id] = group
            if group.rule:
                self._of.update(dict.fromkeys(group.places.keys() - group.left, group.id))
                unit = group.unit if group.unit in self._site.units else ""
                self._growing[unit, group.rule] = group.id

    def _take(self, group: Group, concern: str, now: int) -> None:
        if self._of.get(concern) != group.id:
            self._leave(concern)
            if concern in group.left:
                group.left.remove(concern)
            self._of[concern] = group.id
        group.join(concern)
        group.last = now
        self.dirty.add(group.id)

    def _leave(self, concern: str) -> None:
        before = self.known.get(self._of.pop(concern, ""))
        if before is not None:
            before.left.append(concern)
            self.dirty.add(before.id)

    def _id(self, unit: str, rule: str, first: int) -> str:
        about = f"group|{self._site.name}|{unit}|{rule}|{first}"
        return hashlib.sha256(about.encode()).hexdigest()[:20]


_text = json.JSONEncoder(separators=(",", ":")).encode
