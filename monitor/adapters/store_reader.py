"""Reading a store from outside, while its writer may be at work: trail, names, rows, quarantine.

Opened read-only; all that one reader returns belongs to one instant.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType

from monitor.adapters.store import QuarantineCount, count_quarantine, read_frontier
from monitor.adapters.store_errors import StoreDamaged, StoreMissing, named
from monitor.adapters.store_schema import FILE_NAME, check_meta
from monitor.core.changes import ASIDE, TrailEntry
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

    def entries(self, *, concern: str | None = None) -> Iterator[TrailEntry]:
        """The trail in the order of its numbers, or what of it is about one concern."""
        where, values = "site = ?", [self.site]
        if concern is not None:
            where, values = "site = ? AND concern = ?", [self.site, concern]
        with named(self.path):
            found = self._db.execute(
                "SELECT n, at, event, concern, CAST(text AS BLOB), CAST(leaf AS BLOB) FROM trail"
                f" WHERE {where} ORDER BY n",
                values,
            )
            for n, at, event, about, text, leaf in found:
                number = n if isinstance(n, int) else -1  # no number at all: `check` calls it misplaced
                yield TrailEntry(n=number, at=at, event=event, concern=about, text=text, leaf=leaf)

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
        return check(self._reported(progress, frontier.size), frontier)

    def _reported(self, progress: Callable[[int, int], None] | None, total: int) -> Iterator[TrailEntry]:
        for done, entry in enumerate(self.entries()):
            if progress is not None and done % _PROGRESS_EVERY == 0:
                progress(done, total)
            yield entry

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

    def quarantine(self) -> list[QuarantineCount]:
        """What is kept in quarantine, by day, reason and topic."""
        with named(self.path):
            return count_quarantine(self._db, self.site)


def read_trail(folder: Path, *, concern: str | None = None) -> Iterator[TrailEntry]:
    """The trail of the store in `folder`, or what of it is about one concern."""
    with StoreReader(folder) as reader:
        yield from reader.entries(concern=concern)
