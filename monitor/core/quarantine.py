"""Where an unreadable message is kept, and when it is only counted: the quarantine is bounded, whoever sends.

A place is a (day, reason, topic); its book and each day's are rows of their own, stored when they have changed. The
totals say what has become of every message: kept, kept in the place of an older one, or not kept.
"""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Mapping
from typing import Any

from monitor.core.changes import QUARANTINE_KEEPS, Quarantined
from monitor.core.messages import Rejection

KEEP_FIRST = 100
KEEP_LAST = 100
MOST_BYTES = 256 * 1024 * 1024
OVERHEAD = 200  # bytes that a message takes besides its payload, topic and detail; estimated
KEEP_DAYS = 30  # after which the daily chore has removed a day's messages
MOST_PLACES = (
    1_000  # topics of one reason a day; beyond, those of a sender of ever new topics share one place
)
HOUR = 3_600_000
OTHER_TOPICS = "(other topics)"
PLACE, DAY = "quarantine-place", "quarantine-day"  # kinds of rows

Place = tuple[str, str]  # reason and topic


class Quarantine:
    """The bookkeeping of today's unreadable messages, and of the room that all that are kept take."""

    def __init__(self) -> None:
        self.day = ""
        self.sizes: dict[Place, list[int]] = {}  # today's, by slot
        self.counts: dict[Place, int] = {}  # today's
        self.bytes: dict[str, int] = {}  # by day
        self.held: dict[
            str, int | None
        ] = {}  # messages kept, by day; None: begun by a version that did not count
        self.kept = self.replaced = self.dropped = 0  # what has become of all that ever came
        self.not_kept = 0  # since that was last said
        self.said_at = 0
        self._topics: dict[str, int] = {}  # today's places, by reason
        self._dirty: dict[tuple[str, str], None] = {}  # (kind, key) of the rows that have changed
        self._first = False

    def place(self, rejection: Rejection, payload: bytes, now: int) -> Quarantined | None:
        """Where to keep this one, or None if it is only counted (`not_kept`)."""
        self._begin_day(now)
        place = self._find(str(rejection.reason), rejection.topic[:512])
        reason, topic = place
        count = self.counts.get(place, 0)
        self._first = not count
        if self._first:
            self._topics[reason] = self._topics.get(reason, 0) + 1
        self.counts[place] = count + 1
        self._dirty[PLACE, self._key(place)] = None
        slot = count if count < KEEP_FIRST else KEEP_FIRST + count % KEEP_LAST
        sizes = self.sizes.setdefault(place, [])
        kept = payload[:QUARANTINE_KEEPS]
        size = OVERHEAD + len(topic) + len(rejection.detail) + len(kept)
        while len(sizes) <= slot:
            sizes.append(0)
        more = size - sizes[slot]
        if sum(self.bytes.values()) + more > MOST_BYTES:
            self.not_kept += 1
            self.dropped += 1
            return None
        if sizes[slot]:
            self.replaced += 1
        else:
            self.kept += 1
            held = self.held.get(self.day, 0)
            self.held[self.day] = None if held is None else held + 1
        self.bytes[self.day] = self.bytes.get(self.day, 0) + more
        sizes[slot] = size
        self._dirty[DAY, self.day] = None
        return Quarantined(
            day=self.day,
            reason=reason,
            topic=topic,
            slot=slot,
            at=now,
            length=len(payload),
            sha256=hashlib.sha256(payload).hexdigest(),
            payload=kept,
            detail=rejection.detail,
        )

    def first_of_its_kind(self) -> bool:
        """Whether the message just placed was the day's first with its reason and topic."""
        return self._first

    def say(self, now: int) -> int:
        """How many were not kept since this was last said; 0 if it was said within the hour."""
        if not self.not_kept or now - self.said_at < HOUR:
            return 0
        said, self.not_kept, self.said_at = self.not_kept, 0, now
        return said

    def _begin_day(self, now: int) -> None:
        today = datetime.datetime.fromtimestamp(now / 1000, datetime.UTC).date()
        if (day := today.isoformat()) == self.day:
            return
        for place in self.counts:
            self._dirty[PLACE, self._key(place)] = None
        self.day, self.counts, self.sizes, self._topics = day, {}, {}, {}
        oldest = (today - datetime.timedelta(days=KEEP_DAYS)).isoformat()
        for old in [day for day in {*self.bytes, *self.held} if day < oldest]:
            self.bytes.pop(old, None)
            self.held.pop(old, None)
            self._dirty[DAY, old] = None

    def _find(self, reason: str, topic: str) -> Place:
        """The place of a topic, or the one that all those beyond the bound share."""
        place = (reason, topic)
        if place not in self.counts and self._topics.get(reason, 0) >= MOST_PLACES:
            return reason, OTHER_TOPICS
        return place

    def _key(self, place: Place) -> str:
        reason, topic = place
        return f"{self.day} {reason} {topic}"

    # ---- rows --------------------------------------------------------------------------------------------------------

    def take_rows(self) -> dict[tuple[str, str], str | None]:
        """The rows that have changed since the last call, by (kind, key); None: it is to be removed."""
        rows: dict[tuple[str, str], str | None] = {}
        for kind, key in self._dirty:
            rows[kind, key] = self._day_row(key) if kind == DAY else self._place_row(key)
        self._dirty = {}
        return rows

    def _day_row(self, day: str) -> str | None:
        if day not in self.bytes and day not in self.held:
            return None
        return json.dumps([self.bytes.get(day, 0), self.held.get(day)])

    def _place_row(self, key: str) -> str | None:
        day, reason, topic = key.split(" ", 2)
        if day != self.day:
            return None
        return json.dumps([self.counts[reason, topic], self.sizes[reason, topic]])

    def dump(self) -> dict[str, Any]:
        """What is not in rows of its own, as JSON values."""
        return {
            "day": self.day,
            "not_kept": self.not_kept,
            "said": self.said_at,
            "totals": [self.kept, self.replaced, self.dropped],
        }

    @classmethod
    def load(cls, state: dict[str, Any], rows: Mapping[str, Mapping[str, str]]) -> Quarantine:
        """The bookkeeping from what `dump` gave and from the rows, by kind and key."""
        found = cls()
        found.day, found.not_kept, found.said_at = state["day"], state["not_kept"], state["said"]
        if "counts" in state:  # as it was written before its places had rows of their own
            found._take_over(state)
        else:
            found.kept, found.replaced, found.dropped = state["totals"]
        for key, text in rows.get(PLACE, {}).items():
            day, reason, topic = key.split(" ", 2)
            if day != found.day:
                found._dirty[PLACE, key] = None
                continue
            found.counts[reason, topic], found.sizes[reason, topic] = json.loads(text)
        for day, text in rows.get(DAY, {}).items():
            found.bytes[day], found.held[day] = json.loads(text)
        for reason, _ in found.counts:
            found._topics[reason] = found._topics.get(reason, 0) + 1
        return found

    def _take_over(self, state: dict[str, Any]) -> None:
        """Take bookkeeping that was one field of the engine's row."""
        for reason, topic, count, sizes in state["counts"]:
            self.counts[reason, topic], self.sizes[reason, topic] = count, sizes
            self._dirty[PLACE, self._key((reason, topic))] = None
        for day, size in state["bytes"].items():
            self.bytes[day], self.held[day] = size, None
            self._dirty[DAY, day] = None
