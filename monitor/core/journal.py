"""What happened, in order: for the trail, for replay's output, and for whoever watches."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from typing import Literal, NamedTuple

from monitor.core.changes import TrailEntry
from monitor.core.concern import Concern
from monitor.core.site import Site
from monitor.core.trail import Frontier, entry


class Happening(NamedTuple):
    """One thing decided, sent or answered. `at` is when it counts, `now` when it was noted (ms UTC)."""

    at: int
    now: int
    event: str
    concern: str | None
    rule: str | None
    device: str | None
    person: str | None
    priority: str | None
    detail: Mapping[str, object]


MOST_AN_HOUR = 60
# What a sick or hostile sender can bring about at will: so often an hour for each device or bridge, then only counted.
LIMITED = {
    "fields-dropped": MOST_AN_HOUR,
    "bridge-presence": MOST_AN_HOUR,
    "plan-changed": MOST_AN_HOUR,
    "device-moved": MOST_AN_HOUR,
    "clock-doubtful": MOST_AN_HOUR,
    "return-unknown": MOST_AN_HOUR,  # of all together
    "notice-returned": 10,  # for each notice, as the next two
    "automatic-reply": 10,
    "reply-not-read": 10,
    "answer-refused": MOST_AN_HOUR,  # for each person and device
    "link-refused": MOST_AN_HOUR,  # for each person, and of all that name nobody, as the next two
    "code-refused": MOST_AN_HOUR,
    "form-refused": MOST_AN_HOUR,
    "quieted": MOST_AN_HOUR,
    "claimed-by-two": 1,
    "device-forgotten": MOST_AN_HOUR,  # of all together, as the next three
    "bridge-forgotten": MOST_AN_HOUR,
    "units-full": 1,
}
TOGETHER = frozenset({"device-forgotten", "bridge-forgotten", "units-full"})
MOST_REMEMBERED = 50_000  # limits in force; beyond, those of past hours are forgotten
HOUR = 3_600_000


class Journal:
    """Turns happenings into trail entries, with opaque keys for persons and devices."""

    def __init__(
        self, site: Site, *, size: int = 0, frontier: Frontier | None = None, trail: bool = True
    ) -> None:
        self.site = site
        self._n = size
        self._frontier = frontier or Frontier()
        self._trail = trail
        self._entries: list[TrailEntry] = []
        self._names: dict[str, tuple[Literal["person", "device"], str]] = {}
        self._happened: list[Happening] = []
        self._said: dict[tuple[str, str], tuple[int, int]] = {}
        self.listener: Callable[[Happening], None] | None = (
            None  # hears of each at once; may note nothing itself
        )
        self.noted: Counter[str] = Counter()  # entries by event

    def note(
        self,
        event: str,
        *,
        now: int,
        at: int | None = None,
        concern: str | None = None,
        rule: str | None = None,
        device: str | None = None,
        person: str | None = None,
        priority: str | None = None,
        detail: Mapping[str, object] | None = None,
        limit: str = "",
        **more: object,
    ) -> None:
        """Note something; `detail` and `more` hold facts of the pump and keys only, as the trail takes them as is.

        `limit` says whose limit counts, where that is neither the device's nor the bridge's.
        """
        told = {**(detail or {}), **more}
        if event in LIMITED:
            who = limit or device or str(told.get("bridge", ""))
            if not self._may_say(event, who, now, told):
                return
        happening = Happening(
            now if at is None else at, now, event, concern, rule, device, person, priority, dict(told)
        )
        self._happened.append(happening)
        if self.listener is not None:
            self.listener(happening)
        if not self._trail:
            return
        if happening.at != now:
            told["noted"] = now
        written = entry(
            n=self._n,
            at=happening.at,
            event=event,
            concern=concern,
            device=None if device is None else self.key("device", device),
            person=None if person is None else self.key("person", person),
            rule=rule,
            priority=priority,
            detail=told or None,
        )
        self._n += 1
        self.noted[event] += 1
        self._frontier.append(written.leaf)
        self._entries.append(written)

    def _may_say(self, event: str, who: str, now: int, told: dict[str, object]) -> bool:
        """Whether this goes in; the first of a new hour says how many did not."""
        who, most = "" if event in TOGETHER else who, LIMITED[event]
        began, count = self._said.get((event, who), (now, 0))
        if now - began >= HOUR:
            if count > most:
                told["unsaid"] = count - most
            began, count = now, 0
        self._said[event, who] = (began, count + 1)
        if len(self._said) > MOST_REMEMBERED:
            self._said = {key: said for key, said in self._said.items() if now - said[0] < HOUR}
        return count < most

    def about(
        self,
        event: str,
        concern: Concern,
        now: int,
        *,
        at: int | None = None,
        person: str | None = None,
        **detail: object,
    ) -> None:
        """Note something about a concern; details that are None are left out."""
        self.note(
            event,
            now=now,
            at=at,
            concern=concern.id,
            rule=concern.rule,
            device=concern.subject,
            person=person,
            priority=concern.priority,
            detail={key: value for key, value in detail.items() if value is not None},
        )

    def key(self, kind: Literal["person", "device"], name: str) -> str:
        """The opaque key of a name, remembered in the erasable table."""
        key = self.site.opaque(kind, name)
        self._names[key] = (kind, name)
        return key

    def erase(self, kind: Literal["person", "device"], key: str) -> None:
        """Let the name behind an opaque key be erased with the next transaction."""
        self._names[key] = (kind, "")

    def take(self) -> list[Happening]:
        """What happened since the last call."""
        happened, self._happened = self._happened, []
        return happened

    def take_entries(
        self,
    ) -> tuple[list[TrailEntry], str | None, dict[str, tuple[Literal["person", "device"], str]]]:
        """Entries since the last call, the frontier after them (None if there are none), and names used."""
        entries, self._entries = self._entries, []
        names, self._names = self._names, {}
        return entries, self._frontier.to_text() if entries else None, names
