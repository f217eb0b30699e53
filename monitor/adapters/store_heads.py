"""The trail's heads in the store, and its old texts taken away by policy; what is no batch of the engine's.

Editing rules: each function is one short transaction, or several that may be interrupted between and done again.
"""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Final

from monitor.adapters.store import SqliteStore, read_frontier
from monitor.adapters.store_errors import StoreDamaged
from monitor.core.heads import KEPT_EVENTS, KEY_CHANGED, KEY_LOST, PRUNED, Head, read
from monitor.core.tree import Frontier

BLANK: Final = b""
"""The text of an entry that was taken away by policy: no entry has it, so it can be told from any other."""
_AT_ONCE: Final = 2_000  # entries of one transaction


def add_head(store: SqliteStore, make: Callable[[Frontier, Head | None], Head]) -> Head:
    """Sign what is stored now: `make` gets the trail's frontier and the newest head; StoreDamaged if unreadable."""
    with store.writing() as db:
        frontier = read_frontier(db, store.site)
        if frontier is None:
            raise StoreDamaged(f"{store.path}: the trail's tree head cannot be read")
        number, newest = _newest(db, store.site)
        head = make(frontier, newest)
        db.execute(
            "INSERT INTO heads (site, n, text) VALUES (?, ?, ?)", (store.site, number, head.text.encode())
        )
    return head


def newest_head(store: SqliteStore) -> Head | None:
    """The newest head, if there is one that can be read."""
    with store.writing() as db:
        return _newest(db, store.site)[1]


def last_key(store: SqliteStore) -> str | None:
    """The key that signs, as the trail says: of its newest key entry, else of its first head; None if there is none."""
    with store.writing() as db:
        for (text,) in db.execute(
            "SELECT text FROM trail WHERE site = ? AND event IN (?, ?) ORDER BY n DESC LIMIT 1",
            (store.site, KEY_CHANGED, KEY_LOST),
        ):
            with suppress(ValueError, TypeError, KeyError):
                return str(json.loads(text)["detail"]["new"])
        for (text,) in db.execute("SELECT text FROM heads WHERE site = ? ORDER BY n LIMIT 1", (store.site,)):
            with suppress(ValueError):
                return read(text).key
    return None


def _newest(db: sqlite3.Connection, site: str) -> tuple[int, Head | None]:
    """The number that the next head gets, and the newest that can be read."""
    found = list(db.execute("SELECT n, text FROM heads WHERE site = ? ORDER BY n DESC LIMIT 1", (site,)))
    for n, text in found:
        try:
            return n + 1, read(text)
        except (
            ValueError
        ):  # somebody has changed it: `trail verify` says so, and a new head is made all the same
            return n + 1, None
    return 0, None


# ---- retention -------------------------------------------------------------------------------------------------------


def to_prune(store: SqliteStore, before: int) -> dict[str, Any] | None:
    """What a `trail-pruned` entry says of the entries older than an instant: None if none is left that old.

    Only a beginning of the trail goes, up to the first entry that is young enough.
    """
    with store.writing() as db:
        found = db.execute(
            "SELECT n FROM trail WHERE site = ? AND at >= ? ORDER BY n LIMIT 1", (store.site, before)
        ).fetchall()  # a blank one has the instant 0
        until = found[0][0] if found else 0
        events = Counter(
            dict(
                db.execute(
                    "SELECT event, count(*) FROM trail WHERE site = ? AND n < ? AND text <> ? GROUP BY event",
                    (store.site, until, BLANK),
                )
            )
        )
    for event in KEPT_EVENTS:
        del events[event]
    if not events:
        return None
    return {"before": until, "entries": events.total(), "events": dict(sorted(events.items()))}


def finish_pruning(store: SqliteStore) -> int:
    """Take away what the trail already says is gone: a kill may have come between the two; how many."""
    highest = 0
    with store.writing() as db:
        for (text,) in db.execute(
            "SELECT text FROM trail WHERE site = ? AND event = ?", (store.site, PRUNED)
        ):
            with suppress(ValueError, TypeError, KeyError):
                highest = max(highest, int(json.loads(text)["detail"]["before"]))
    return prune_texts(store, highest) if highest else 0


def prune_texts(store: SqliteStore, before: int) -> int:
    """Take the texts of entries below a number away, which a stored `trail-pruned` entry has told; how many."""
    gone = 0
    kept = sorted(KEPT_EVENTS)
    for start in range(0, before, _AT_ONCE):
        with store.writing() as db:
            gone += db.execute(
                "UPDATE trail SET text = ?, at = 0, event = '', concern = NULL"
                " WHERE site = ? AND n >= ? AND n < ? AND text <> ?"
                f" AND event NOT IN ({', '.join('?' * len(kept))})",
                (BLANK, store.site, start, min(before, start + _AT_ONCE), BLANK, *kept),
            ).rowcount
    return gone


# ---- names -----------------------------------------------------------------------------------------------------------


def keys_of(store: SqliteStore, name: str) -> dict[str, str]:
    """The opaque keys of a name, each with what it is: "person" or "device"."""
    with store.writing() as db:
        found = db.execute("SELECT key, kind FROM names WHERE site = ? AND name = ?", (store.site, name))
        return dict(found.fetchall())
