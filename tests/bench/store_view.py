"""What a running service has committed, read from its store: the only place where that can be known for sure."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from types import TracebackType

from monitor.adapters.store import FILE_NAME

NOT_ACTING = ("late", "duplicate")
"""The engine's counters of readable snapshots that change nothing; all others count as `snapshots`."""


class StoreView:
    """A reader of a service's store."""

    def __init__(self, state_dir: Path) -> None:
        """Open it as soon as it is there."""
        self._path = state_dir / FILE_NAME
        self._db: sqlite3.Connection | None = None

    def __enter__(self) -> StoreView:
        """Use it."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close it."""
        if self._db is not None:
            self._db.close()

    def entries(self) -> int:
        """How many entries the trail has."""
        return _number(self._one("SELECT coalesce(max(n) + 1, 0) FROM trail"))

    def noted(self, event: str, after: int = 0) -> bool:
        """Whether something stands in the trail, from an entry on."""
        return bool(self._one("SELECT count(*) FROM trail WHERE event = ? AND n >= ?", event, after))

    def counters(self) -> dict[str, int]:
        """The engine's counters as committed."""
        body = self._one("SELECT body FROM state WHERE kind = 'engine' AND key = 'engine'")
        return dict(json.loads(str(body))["counters"]) if body else {}

    def taken(self) -> int:
        """How many readable snapshots have been taken and committed."""
        counters = self.counters()
        return sum(counters.get(key, 0) for key in ("snapshots", *NOT_ACTING))

    def open_notices(self) -> int:
        """How many notices are neither sent nor given up; 1 too if there is none at all yet."""
        rows = "SELECT count(*) FROM state WHERE kind IN ('notice', 'notice-over')"
        over = " AND json_extract(body, '$[1].state') IN ('sent', 'failed', 'dropped')"
        found, ended = _number(self._one(rows)), _number(self._one(rows + over))
        return found - ended if found else 1

    def _one(self, query: str, *values: object) -> object:
        try:
            if self._db is None:
                if not self._path.exists():
                    return None
                self._db = sqlite3.connect(f"file:{self._path}?mode=ro", uri=True, timeout=1)
            row = self._db.execute(query, values).fetchone()
        except sqlite3.OperationalError:  # not made yet, or locked for a moment
            return None
        return None if row is None else row[0]


def _number(value: object) -> int:
    return value if isinstance(value, int) else 0
