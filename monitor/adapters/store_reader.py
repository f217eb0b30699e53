"""Reading a store from outside, while its writer may be at work: trail, names, rows, quarantine.

Opened read-only; all that one reader returns belongs to one instant.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType

from monitor.adapters.store import QuarantineCount, count_quarantine, read_frontier
from monitor.adapters.store_errors import StoreDamaged, StoreMissing, named
from monitor.adapters.store_schema import FILE_NAME, check_meta
from monitor.core.changes import ASIDE, TrailEntry
from monitor.core.heads import PRUNED
from monitor.core.trail import Finding, Frontier, check

_PROGRESS_EVERY = 1_000


class StoreReader:
    """What a store held at the instant of opening; use it as a context manager."""

    def __init__(self, folder: Path, *, site: str | None = None, busy_timeout_ms: int = 2_000) -> None:
        """Open the store in `folder` read-only; `site` None takes the one it is of."""
        self.path = folder / FILE_NAME
        if not self.path.exists():
            raise StoreMissing(f"{self.path}: there is no store")
        with named(self.path):
            uri = f"{self.path.absolute().as_uri()}?mode=ro"
            self._db = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False)
            try:
                # A damaged byte must be found, not stop the search for it.
                self._db.text_factory = lambda raw: raw.decode("utf-8", "replace")
                self._db.execute(f"PRAGMA busy_timeout = {busy_timeout_ms:d}")
                self._db.execute("BEGIN")  # one snapshot: entries and tree head of the same commit
                self.site = check_meta(self._db, self.path, site)
            except BaseException:
                self._db.close()
                raise

    def __enter__(self) -> StoreReader:
        """The reader itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close it."""
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def entries(
        self,
        *,
        concern: str | None = None,
        events: Sequence[str] = (),
        first: int | None = None,
        after: int | None = None,
    ) -> Iterator[TrailEntry]:
        """The trail in the order of its numbers; or what of it is about one concern, of these events, of these numbers.

        `first` is included, `after` is not.
        """
        where, values = ["site = ?"], [self.site]
        bounds: list[str | int] = []
        if concern is not None:
            where, values = [*where, "concern = ?"], [*values, concern]
        if events:
            where, values = [*where, f"event IN ({', '.join('?' * len(events))})"], [*values, *events]
        for bound, test in ((first, "n >= ?"), (after, "n < ?")):
            if bound is not None:
                where.append(test)
                bounds.append(bound)
        with named(self.path):
            found = self._db.execute(
                "SELECT n, at, event, concern, CAST(text AS BLOB), CAST(leaf AS BLOB) FROM trail"
                f" WHERE {' AND '.join(where)} ORDER BY n",
                [*values, *bounds],
            )
            for n, at, event, about, text, leaf in found:
                number = n if isinstance(n, int) else -1  # no number at all: `check` calls it misplaced
                yield TrailEntry(n=number, at=at, event=event, concern=about, text=text, leaf=leaf)

    def leaves(self, size: int) -> list[bytes]:
        """The first `size` leaf hashes."""
        with named(self.path):
            found = self._db.execute(
                "SELECT CAST(leaf AS BLOB) FROM trail WHERE site = ? AND n >= 0 AND n < ? ORDER BY n",
                (self.site, size),
            )
            return [leaf for (leaf,) in found]

    def frontier(self) -> Frontier:
        """The stored tree head; StoreDamaged if it cannot be read."""
        with named(self.path):
            frontier = read_frontier(self._db, self.site)
        if frontier is None:
            raise StoreDamaged(f"{self.path}: the trail's tree head cannot be read")
        return frontier

    def verify(self, progress: Callable[[int, int], None] | None = None) -> Finding | None:
        """The first wrong place of the trail, None if it is whole; `progress` hears how far of what."""
        with named(self.path):
            frontier = read_frontier(self._db, self.site)
        if frontier is None:
            return Finding(n=0, wrong="tree", sentence="the stored tree head cannot be read")
        return check(self.reported(progress, frontier.size), frontier, pruned=self.pruned_before())

    def reported(
        self, progress: Callable[[int, int], None] | None = None, total: int | None = None
    ) -> Iterator[TrailEntry]:
        """All entries; `progress` hears how far of what."""
        if progress is not None and total is None:
            total = self.frontier().size
        for done, entry in enumerate(self.entries()):
            if progress is not None and done % _PROGRESS_EVERY == 0:
                progress(done, total or 0)
            yield entry

    def pruned_before(self) -> int:
        """Below which number texts may be gone, as the trail's own entries say: those are checked like all others."""
        highest = 0
        for entry in self.entries(events=(PRUNED,)):
            with suppress(ValueError, TypeError, KeyError, OverflowError, RecursionError):
                highest = max(highest, int(json.loads(entry.text)["detail"]["before"]))
        return highest

    def heads(self) -> list[tuple[object, object]]:
        """Number and text (bytes) of each signed head, as stored; none in a store from before there were any."""
        with named(self.path):
            if not self._has("heads"):
                return []
            return self._db.execute(
                "SELECT n, CAST(text AS BLOB) FROM heads WHERE site = ? ORDER BY n", (self.site,)
            ).fetchall()

    def doubts(self) -> list[str]:
        """What is wrong with the tables of the trail beside their rows, each as a sentence."""
        found = []
        with named(self.path):
            [(schema,)] = self._db.execute("SELECT value FROM meta WHERE key = 'schema'")
            if self._has("heads") != (int(schema) >= 2):
                found.append(f"the store says that its schema is {schema}, its tables are of another")
            for table in ("trail", "tree", "names", *(("heads",) if self._has("heads") else ())):
                [(others,)] = self._db.execute(f"SELECT count(*) FROM {table} WHERE site <> ?", (self.site,))
                if others:
                    found.append(f"{others} rows of the table {table!r} are of another site")
                # An index could hide an entry from whoever looks it up. Measured: 0.13 s for 200 000 entries.
                [(said,)] = self._db.execute(f"PRAGMA integrity_check({table})").fetchmany(1)
                if said != "ok":
                    found.append(f"the table {table!r} and its index do not fit together: {said}")
        return found

    def _has(self, table: str) -> bool:
        return bool(
            self._db.execute(
                "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", (table,)
            ).fetchall()
        )

    def names(self) -> dict[str, tuple[str, str]]:
        """What each opaque key stands for: ("person" or "device", name)."""
        with named(self.path):
            found = self._db.execute("SELECT key, kind, name FROM names WHERE site = ?", (self.site,))
            return {key: (kind, name) for key, kind, name in found}

    def rows(self, kind: str) -> dict[str, str]:
        """The JSON texts of one kind of row by key, those put aside too."""
        with named(self.path):
            found = self._db.execute(
                "SELECT key, body FROM state WHERE site = ? AND kind IN (?, ?)",
                (self.site, kind, ASIDE.get(kind, kind)),
            )
            return dict(found.fetchall())

    def rows_between(self, kind: str, first: str, end: str) -> list[tuple[str, str]]:
        """The rows of a kind with keys from `first` until before `end`, in the order of their keys."""
        return self._ordered(kind, first, end, "")

    def row_before(self, kind: str, first: str, end: str) -> list[tuple[str, str]]:
        """The last row of a kind with a key from `first` until before `end`, if there is one."""
        return self._ordered(kind, first, end, "DESC LIMIT 1")

    def row_from(self, kind: str, first: str, end: str) -> list[tuple[str, str]]:
        """The first row of a kind with a key from `first` until before `end`, if there is one."""
        return self._ordered(kind, first, end, "LIMIT 1")

    def _ordered(self, kind: str, first: str, end: str, which: str) -> list[tuple[str, str]]:
        with named(self.path):
            return self._db.execute(
                "SELECT key, body FROM state WHERE site = ? AND kind = ? AND key >= ? AND key < ?"
                f" ORDER BY key {which}",
                (self.site, kind, first, end),
            ).fetchall()

    def firsts(self, kind: str, mark: str) -> Iterator[str]:
        """The first key of each group of a kind: those with the same text before `mark`, which no group's name has.

        Each costs one look into the index, however many rows the group has.
        """
        after = ""
        with named(self.path):
            while found := self._db.execute(
                "SELECT key FROM state WHERE site = ? AND kind = ? AND key > ? ORDER BY key LIMIT 1",
                (self.site, kind, after),
            ).fetchall():
                [(first,)] = found
                yield first
                after = first.partition(mark)[0] + chr(ord(mark) + 1)

    def quarantine(self) -> list[QuarantineCount]:
        """What is kept in quarantine, by day, reason and topic."""
        with named(self.path):
            return count_quarantine(self._db, self.site)


def read_trail(folder: Path, *, concern: str | None = None) -> Iterator[TrailEntry]:
    """The trail of the store in `folder`, or what of it is about one concern."""
    with StoreReader(folder) as reader:
        yield from reader.entries(concern=concern)
