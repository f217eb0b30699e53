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
MOST_PLACES = 20_000  # (reason, topic) pairs a day; a sender of ever new topics is counted under one name
HOUR = 3_600_000
OTHER_TOPICS = "(other topics)"


class Quarantine:
    """The bookkeeping of one day's unreadable messages."""

    def __init__(self) -> None:
        self.day = ""
        self.counts: dict[tuple[str, str], int] = {}
        self.bytes = 0
        self.not_kept = 0
        self.said_at = 0

    def place(self, rejection: Rejection, payload: bytes, now: int) -> Quarantined | None:
        """Where to keep this one, or None if it is only counted (`not_kept`)."""
        day = datetime.datetime.fromtimestamp(now / 1000, datetime.UTC).date().isoformat()
        if day != self.day:
            self.day, self.counts = day, {}
        topic = rejection.topic[:512]
        if (rejection.reason, topic) not in self.counts and len(self.counts) >= MOST_PLACES:
            topic = OTHER_TOPICS
        count = self.counts.get((rejection.reason, topic), 0)
        self.counts[rejection.reason, topic] = count + 1
        slot = count if count < KEEP_FIRST else KEEP_FIRST + count % KEEP_LAST
        kept = payload[:QUARANTINE_KEEPS]
        replaces = count >= KEEP_FIRST + KEEP_LAST
        if not replaces:
            if self.bytes + len(kept) > MOST_BYTES:
                self.not_kept += 1
                return None
            self.bytes += len(kept)
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
        counts = [[*place, count] for place, count in self.counts.items()]
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
        found.counts = {(reason, topic): count for reason, topic, count in state["counts"]}
        return found
