"""What is kept on disk, in one SQLite file: state rows, the audit trail and its tree, names, quarantine.

One transaction stores what one batch did, whole or not at all; only after `commit` returned may anything be
acknowledged. There is one writer (`lockfile.py`). Tables: `store_schema.py`; readers: `store_reader.py`.

Editing rules: nothing here knows what a row means; a column changes here and in the schema together.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Protocol

from monitor.adapters.store_errors import (
    StoreDamaged,
    StoreError,
    StoreFull,
    StoreLocked,
    StoreMissing,
    StoreNewer,
    StoreOtherSite,
    StoreReadOnly,
    named,
)
from monitor.adapters.store_mark import Mark, read_mark
from monitor.adapters.store_names import erase_names, fold_in_log
from monitor.adapters.store_pruning import Pruned, delete, prune
from monitor.adapters.store_schema import (
    FILE_NAME,
    SCHEMA,
    create_file,
    prepare,
    refuse_emptied,
    refuse_read_only,
    wal_of,
)
from monitor.core.changes import KINDS, REPORTED, STATE_VERSION, Changes, TrailEntry
from monitor.core.tree import Frontier

__all__ = [
    "FILE_NAME",
    "SCHEMA",
    "Loaded",
    "Pruned",
    "QuarantineCount",
    "SqliteStore",
    "Store",
    "StoreDamaged",
    "StoreError",
    "StoreFull",
    "StoreLocked",
    "StoreMissing",
    "StoreNewer",
    "StoreOtherSite",
    "StoreReadOnly",
]

# Columns of a table and what an insert does when its key is there.
_WRITES: dict[str, tuple[tuple[str, ...], str]] = {
    "state": (
        ("site", "kind", "key", "version", "body"),
        "ON CONFLICT (site, kind, key) DO UPDATE SET version = excluded.version, body = excluded.body",
    ),
    "trail": (("site", "n", "at", "event", "concern", "text", "leaf"), ""),
    "names": (("site", "key", "kind", "name"), "ON CONFLICT (site, key) DO NOTHING"),
    "quarantine": (
        ("site", "day", "reason", "topic", "slot", "at", "length", "sha256", "detail", "payload"),
        "ON CONFLICT (site, day, reason, topic, slot) DO UPDATE SET at = excluded.at,"
        " length = excluded.length, sha256 = excluded.sha256, detail = excluded.detail,"
        " payload = excluded.payload",
    ),
}
# Few sizes, so that prepared statements are reused. One step of many rows lets go of the interpreter's lock
# for long, where a row at a time would starve beside a busy loop.
_ROWS_A_STATEMENT = (512, 128, 32, 8, 1)
_LOST = (
    "entries {first} to {last} of the trail are lost: what was stored last is not there, as after a torn or missing "
    "write-ahead log, or with an old backup"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class QuarantineCount:
    """How much of one reason, topic and day is kept in quarantine; instants in ms UTC, `size` in bytes."""

    day: str
    reason: str
    topic: str
    kept: int
    size: int
    first_at: int
    last_at: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """What a store held when it was opened: rows as kind -> key -> JSON text, and where the trail goes on.

    `doubt` says what is wrong with the trail, if that shows already; the trail goes on all the same, since a
    monitor that does not start tells nobody of a blocked line.
    """

    rows: dict[str, dict[str, str]]
    frontier: str
    next_entry: int
    names: dict[str, tuple[str, str]]
    quarantine: list[QuarantineCount] = field(default_factory=list)
    doubt: str | None = None


class Store(Protocol):
    """One writer's durable memory; every method raises a StoreError by name."""

    def load(self) -> Loaded:
        """All that was committed."""

    def commit(self, changes: Changes) -> None:
        """Store all of it or nothing; after an error the same changes may be committed again unchanged."""

    def prune(
        self,
        *,
        rows: Iterable[tuple[str, str]] = (),
        ranges: Iterable[tuple[str, str, str]] = (),
        quarantine_before: str = "",
    ) -> Pruned:
        """Remove (kind, key) rows, those of (kind, first key, end), and what was quarantined before a day."""

    def close(self) -> None:
        """Let go of it."""


class SqliteStore:
    """The store in `secondbell.db` of the state directory; blocking, so the service gives it a thread."""

    def __init__(self, db: sqlite3.Connection, path: Path, site: str) -> None:
        self._db = db
        self.path = path
        self.site = site
        self._entries = read_mark(path.parent)  # that the trail has had, as far as is known
        self._mark = Mark(path.parent)
        self._files = [(file, file.stat().st_ino) for file in (path, wal_of(path))]

    @classmethod
    def open(
        cls, folder: Path, *, site: str, create: bool = True, busy_timeout_ms: int = 2_000
    ) -> SqliteStore:
        """Open the store of `site` in `folder`, made if missing and `create`."""
        path = folder / FILE_NAME
        with named(path):
            refuse_emptied(path, read_mark(folder))
            if not path.exists():
                if not create:
                    raise StoreMissing(f"{path}: there is no store")
                create_file(path)
            refuse_read_only(path)
            # The service opens it in one thread and commits in another, never at once.
            db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            try:
                db.execute(f"PRAGMA busy_timeout = {busy_timeout_ms:d}")
                prepare(db, path, site, new=not read_mark(folder))
                return cls(db, path, site)
            except BaseException:
                db.close()
                raise

    def load(self) -> Loaded:
        """All that was committed and that somebody needs to go on."""
        with named(self.path), self._transaction("BEGIN"):
            rows: dict[str, dict[str, str]] = {}
            of_site = (self.site,)
            for kind in KINDS:
                if kind in REPORTED:
                    continue
                found = self._db.execute(
                    "SELECT key, version, body FROM state WHERE site = ? AND kind = ?", (self.site, kind)
                )
                for key, version, body in found:
                    if version > STATE_VERSION:
                        raise StoreNewer(f"{self.path}: {kind} {key} has the newer state version {version}")
                    rows.setdefault(kind, {})[key] = body
            names = {
                key: (kind, name)
                for key, kind, name in self._db.execute(
                    "SELECT key, kind, name FROM names WHERE site = ?", of_site
                )
            }
            frontier, doubt = self._frontier()
            if frontier.size < self._entries:
                doubt = doubt or _LOST.format(first=frontier.size, last=self._entries - 1)
            return Loaded(
                rows=rows,
                frontier=frontier.to_text(),
                next_entry=frontier.size,
                names=names,
                quarantine=count_quarantine(self._db, self.site),
                doubt=doubt,
            )

    def commit(self, changes: Changes) -> None:
        """Store all of it or nothing.

        If the outcome of a commit is unknown, committing the same changes again is right: entries that are
        there already are compared, not written twice.
        """
        if changes.empty():
            return
        self._refuse_moved()
        with named(self.path), self._transaction("BEGIN IMMEDIATE"):
            gone: dict[str, list[str]] = {}
            kept: list[tuple[object, ...]] = []
            for (kind, key), body in changes.rows.items():
                if body is None:
                    gone.setdefault(kind, []).append(key)
                else:
                    kept.append((self.site, kind, key, STATE_VERSION, body))
            for kind, keys in gone.items():
                delete(self._db, self.site, kind, keys)
            self._write("state", kept)
            if changes.entries:
                self._append(changes.entries, changes.frontier)
            self._write("names", [(self.site, key, *what) for key, what in changes.names.items() if what[1]])
            if erased := [key for key, what in changes.names.items() if not what[1]]:
                erase_names(self._db, self.site, erased)
            self._write(
                "quarantine",
                [
                    (
                        self.site,
                        q.day,
                        q.reason,
                        q.topic,
                        q.slot,
                        q.at,
                        q.length,
                        q.sha256,
                        q.detail,
                        q.payload,
                    )
                    for q in changes.quarantined
                ],
            )
        if changes.entries:
            self._mark.write(changes.entries[-1].n + 1)

        if erased:
            with named(self.path):
                fold_in_log(self._db)

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction of what is no batch of the engine's: heads, pruning (`store_heads.py`)."""
        with named(self.path), self._transaction("BEGIN IMMEDIATE"):
            yield self._db

    def _refuse_moved(self) -> None:
        """StoreDamaged if the file was taken away or replaced: SQLite would write on into what nobody finds again."""
        for file, number in self._files:
            try:
                same = file.stat().st_ino == number
            except FileNotFoundError:
                same = False
            except OSError as error:
                raise StoreError(f"{self.path}: {error.strerror}") from error
            if not same:
                raise StoreDamaged(f"{file}: it was taken away or replaced while in use")

    def prune(
        self,
        *,
        rows: Iterable[tuple[str, str]] = (),
        ranges: Iterable[tuple[str, str, str]] = (),
        quarantine_before: str = "",
    ) -> Pruned:
        """Remove these (kind, key) rows, and what was quarantined on days before this one (ISO 8601).

        Of `ranges`, (kind, first key, end), all rows with keys from the first until before the end are removed.
        """
        with named(self.path):
            return prune(self._db, self.site, self._transaction, rows, ranges, quarantine_before)

    def close(self) -> None:
        """Let go of the file; the write-ahead log is folded into it."""
        self._mark.close()
        with named(self.path):
            self._db.close()

    @contextmanager
    def _transaction(self, begin: str) -> Iterator[None]:
        if self._db.in_transaction:  # an earlier rollback failed: nothing of it may come in with this one
            self._db.execute("ROLLBACK")
        self._db.execute(begin)
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException as error:
            with suppress(sqlite3.Error):
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                if getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_FULL:
                    # The log may hold tens of MiB by itself: folding it in makes room for the next try.
                    self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            raise

    def _write(self, table: str, rows: Sequence[Sequence[object]]) -> None:
        start = 0
        for size in _ROWS_A_STATEMENT:
            while len(rows) - start >= size:
                values = [value for row in rows[start : start + size] for value in row]
                self._db.execute(_insert(table, size), values)
                start += size

    def _append(self, entries: list[TrailEntry], frontier: str | None) -> None:
        first, after = entries[0].n, entries[-1].n + 1
        numbers = [entry.n for entry in entries]
        size = (frontier or "").partition(":")[0]
        if numbers != list(range(first, after)) or size != str(after):
            raise ValueError(
                f"entries {first} to {after - 1} and the frontier {size!r} do not belong together"
            )
        stored = self._next_entry()
        if first == stored:
            rows = [(self.site, e.n, e.at, e.event, e.concern, e.text, e.leaf) for e in entries]
            self._write("trail", rows)
        elif after != stored or not self._same(entries, frontier):
            raise StoreDamaged(
                f"{self.path}: the trail goes on at entry {stored}, not with these {first} to {after - 1}"
            )
        self._db.execute(
            "INSERT INTO tree (site, frontier) VALUES (?, ?)"
            " ON CONFLICT (site) DO UPDATE SET frontier = excluded.frontier",
            (self.site, frontier),
        )

    def _same(self, entries: list[TrailEntry], frontier: str | None) -> bool:
        found = self._db.execute(
            "SELECT n, text, leaf FROM trail WHERE site = ? AND n BETWEEN ? AND ? ORDER BY n",
            (self.site, entries[0].n, entries[-1].n),
        )
        same = list(found) == [(entry.n, entry.text, entry.leaf) for entry in entries]
        head = read_frontier(self._db, self.site)
        return same and head is not None and head.to_text() == frontier

    def _next_entry(self) -> int:
        """After the last number ever given, even if entries or the head were taken away since."""
        entries, head = self._lengths()
        return max(entries, head.size if head else 0)

    def _lengths(self) -> tuple[int, Frontier | None]:
        [(entries,)] = self._db.execute(
            "SELECT coalesce(max(n) + 1, 0) FROM trail WHERE site = ?", (self.site,)
        )
        return entries, read_frontier(self._db, self.site)

    def _frontier(self) -> tuple[Frontier, str | None]:
        """Where the trail goes on, and what is wrong with it as far as its end shows."""
        entries, head = self._lengths()
        if head is not None and head.size >= entries:
            missing = f"entries {entries} to {head.size - 1} of the trail are missing"
            return head, missing if head.size > entries else None
        leaves = self._db.execute("SELECT leaf FROM trail WHERE site = ? ORDER BY n", (self.site,))
        rebuilt = Frontier(leaf for (leaf,) in leaves)
        if rebuilt.size != entries:
            raise StoreDamaged(f"{self.path}: the trail has lost its tree head and some of its entries")
        wrong = "cannot be read" if head is None else f"ends before entry {head.size}"
        return rebuilt, f"the trail's tree head {wrong}; it was rebuilt from {entries} entries"


def read_frontier(db: sqlite3.Connection, site: str) -> Frontier | None:
    """The stored tree head, None if it is missing or unreadable."""
    for (text,) in db.execute("SELECT frontier FROM tree WHERE site = ?", (site,)):
        with suppress(ValueError, TypeError, AttributeError):
            return Frontier.from_text(text)
    return None


def count_quarantine(db: sqlite3.Connection, site: str) -> list[QuarantineCount]:
    """What is kept in quarantine, by day, reason and topic."""
    found = db.execute(
        "SELECT day, reason, topic, count(*), sum(length(payload)), min(at), max(at) FROM quarantine"
        " WHERE site = ? GROUP BY day, reason, topic ORDER BY day, reason, topic",
        (site,),
    )
    return [
        QuarantineCount(
            day=day, reason=reason, topic=topic, kept=kept, size=size, first_at=first, last_at=last
        )
        for day, reason, topic, kept, size, first, last in found
    ]


@cache
def _insert(table: str, rows: int) -> str:
    columns, conflict = _WRITES[table]
    row = "(" + ", ".join("?" * len(columns)) + ")"
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES {', '.join([row] * rows)} {conflict}"
