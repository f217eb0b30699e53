"""Where an unreadable message is kept, and when it is only counted: the quarantine is bounded, whoever sends."""

from __future__ import annotations

import datetime
import hashlib
from typing import Any

from monitor.core.changes import QUARANTINE_KEEPS, Quarantined
from monitor.core.messages import Rejection

KEEP_FIRST = 100
KEEP_LAST = 100
MOST_BYTES = 256 * 1024 * 1024
OVERHEAD = 200  # bytes that a message takes besides its payload, topic and detail; estimated
KEEP_DAYS = 30  # after which the daily chore has removed a day's messages
MOST_PLACES = 20_000  # (reason, topic) pairs a day; a sender of ever new topics is counted under one name
HOUR = 3_600_000
OTHER_TOPICS = "(other topics)"


class Quarantine:
    """The bookkeeping of today's unreadable messages, and of the room that all that are kept take."""

    def __init__(self) -> None:
        self.day = ""
        self.sizes: dict[tuple[str, str], list[int]] = {}  # today's, by (reason, topic) and slot
        self.counts: dict[tuple[str, str], int] = {}
        self.bytes: dict[str, int] = {}  # by day
        self.not_kept = 0
        self.said_at = 0

    def place(self, rejection: Rejection, payload: bytes, now: int) -> Quarantined | None:
        """Where to keep this one, or None if it is only counted (`not_kept`)."""
        today = datetime.datetime.fromtimestamp(now / 1000, datetime.UTC).date()
        if (day := today.isoformat()) != self.day:
            self.day, self.counts, self.sizes = day, {}, {}
            oldest = (today - datetime.timedelta(days=KEEP_DAYS)).isoformat()
            self.bytes = {kept: size for kept, size in self.bytes.items() if kept >= oldest}
        topic = rejection.topic[:512]
        if (rejection.reason, topic) not in self.counts and len(self.counts) >= MOST_PLACES:
            topic = OTHER_TOPICS
        place = (str(rejection.reason), topic)
        count = self.counts.get(place, 0)
        self.counts[place] = count + 1
        slot = count if count < KEEP_FIRST else KEEP_FIRST + count % KEEP_LAST
        sizes = self.sizes.setdefault(place, [])
        if slot == len(sizes):
            sizes.append(0)
        kept = payload[:QUARANTINE_KEEPS]
        size = OVERHEAD + len(topic) + len(rejection.detail) + len(kept)
        more = size - sizes[slot]
        if sum(self.bytes.values()) + more > MOST_BYTES:
            self.not_kept += 1
            return None
        self.bytes[day] = self.bytes.get(day, 0) + more
        sizes[slot] = size
        return Quarantined(
            day=day,
            reason=str(rejection.reason),
            topic=topic,
            slot=slot,
            at=now,
            length=len(payload),
            sha256=hashlib.sha256(payload).hexdigest(),
            payload=kept,
            detail=rejection.detail,
        )

    def first_of_its_kind(self, rejection: Rejection) -> bool:
        """Whether the message just placed was the day's first with its reason and topic."""
        return self.counts.get((rejection.reason, rejection.topic[:512])) == 1

    def say(self, now: int) -> int:
        """How many were not kept since this was last said; 0 if it was said within the hour."""
        if not self.not_kept or now - self.said_at < HOUR:
            return 0
        said, self.not_kept, self.said_at = self.not_kept, 0, now
        return said

    def dump(self) -> dict[str, Any]:
        """The bookkeeping as JSON values."""
        counts = [[*place, count, self.sizes[place]] for place, count in self.counts.items()]
        return {
            "day": self.day,
            "counts": counts,
            "bytes": self.bytes,
            "not_kept": self.not_kept,
            "said": self.said_at,
        }

    @classmethod
    def load(cls, state: dict[str, Any]) -> Quarantine:
        """The bookkeeping from what `dump` gave."""
        found = cls()
        found.day, found.bytes = state["day"], state["bytes"]
        found.not_kept, found.said_at = state["not_kept"], state["said"]
        for reason, topic, count, sizes in state["counts"]:
            found.counts[reason, topic], found.sizes[reason, topic] = count, sizes
        return found
