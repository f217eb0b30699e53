"""The books: how much has come in, was decided and went out, so that `reconcile` can compare it with what is stored.

Kept in the transaction that stores what is counted. A store from before there were books carries over what it held:
from then on every count must agree.
"""

from __future__ import annotations

import datetime
import json
from collections import Counter
from collections.abc import Mapping
from typing import Any

from monitor.core.outbox import Notice

KEY, NOTICE_DAY = "books", "notice-day"  # of the engine's rows; a kind of rows of its own
OUTCOMES = (
    "snapshots", "duplicate", "late", "contested", "plans", "plans unchanged", "presences", "presences unchanged",
    "answers", "answers repeated", "cleared", "drill over", "nothing",
)  # fmt: skip
"""What becomes of a message that can be read, as the engine counts it."""
REJECTED = "rejected "
"""How the count of those that cannot begins; the reason follows."""
OVER = frozenset({"sent", "failed", "dropped"})
"""The states in which a notice is over."""


class Books:
    """Since when is counted, what there was before, and which notices were not yet over."""

    def __init__(self, counters: Counter[str], events: Counter[str]) -> None:
        """`counters` and `events` (the trail's entries by event) are counted by whoever does the thing."""
        self._counters, self._events = counters, events
        self.since = 0  # entries of the trail before that
        self.opened = ""  # the day on which a store that was written without books got them
        self.carried: dict[str, int] = {}  # what there was then
        self._waiting: set[str] = set()  # notices that have been counted and are not over
        self._day, self._ended = (
            "",
            Counter[str](),
        )  # the newest day on which notices were over, and how many by state
        self._days: dict[str, str] = {}  # such days' rows that have changed
        self._changed = True

    def noted(self, notice: Notice) -> None:
        """Count a notice that is about to be stored."""
        if notice.id not in self._waiting:
            self._counters["notices"] += 1
            self._waiting.add(notice.id)
        if notice.state in OVER:
            assert notice.ended is not None
            self._waiting.discard(notice.id)
            self._counters[f"notices {notice.state}"] += 1
            if (day := day_of(notice.ended)) != self._day:
                self._day, self._ended = day, Counter()
            self._ended[notice.state] += 1
            self._days[day] = json.dumps(self._ended)

    def take_rows(self, *, changed: bool) -> dict[tuple[str, str], str | None]:
        """The rows to store with a transaction; `changed` says that it has entries for the trail."""
        rows: dict[tuple[str, str], str | None] = {(NOTICE_DAY, day): row for day, row in self._days.items()}
        self._days = {}
        if changed or self._changed:
            told = {
                "since": self.since, "opened": self.opened, "carried": self.carried, "events": self._events
            }  # fmt: skip
            rows["engine", KEY] = json.dumps(told, separators=(",", ":"))
            self._changed = False
        return rows

    def load(self, rows: Mapping[str, Mapping[str, str]], trail: int, waiting: set[str], now: int) -> None:
        """Go on with what is stored: its rows by kind and key, the entries of its trail, the notices not yet over."""
        self._waiting = waiting
        if days := rows.get(NOTICE_DAY):
            self._day = max(days)
            self._ended = Counter(json.loads(days[self._day]))
        kept = rows.get("engine", {})
        if (text := kept.get(KEY)) is not None:
            state: dict[str, Any] = json.loads(text)
            self.since, self.opened, self.carried = state["since"], state["opened"], state["carried"]
            self._events.update(state["events"])
            self._changed = False
        elif "engine" in kept:
            self._open(rows, trail)
            self.opened = day_of(now)

    def _open(self, rows: Mapping[str, Mapping[str, str]], trail: int) -> None:
        """Begin to count in a store that was written without."""
        counters = self._counters
        rejected = sum(count for name, count in counters.items() if name.startswith(REJECTED))
        counters["messages"] = rejected + sum(counters[name] for name in OUTCOMES)
        self.since = trail
        self.carried = {
            "rejected": rejected,
            "concerns": len(rows.get("concern", {})),
            "notices": len(self._waiting),
            "devices": len(rows.get("device", {})),
            "answers": len(rows.get("answer", {})),
        }


def day_of(at: int) -> str:
    """The UTC day of an instant, ISO 8601."""
    return datetime.datetime.fromtimestamp(at / 1000, datetime.UTC).date().isoformat()
