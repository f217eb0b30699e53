"""The store's file and its tables: made, recognised, refused if they are not ours.

Editing rules: plain SQL that a second back end could keep, keys begin with the site, instants are BIGINT in
milliseconds UTC; a changed table raises `SCHEMA` and brings a migration.
"""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path
from typing import Final

from monitor.adapters.lockfile import sync_folder
from monitor.adapters.store_errors import StoreDamaged, StoreNewer, StoreOtherSite, StoreReadOnly
from monitor.adapters.store_migrations import HEADS, migrate
from monitor.core.tree import Frontier

FILE_NAME: Final = "secondbell.db"
SCHEMA: Final = 2

_TABLES = (
    "CREATE TABLE meta (key TEXT NOT NULL PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
    """CREATE TABLE state (site TEXT NOT NULL, kind TEXT NOT NULL, key TEXT NOT NULL,
        version INTEGER NOT NULL, body TEXT NOT NULL, PRIMARY KEY (site, kind, key)) WITHOUT ROWID""",
    """CREATE TABLE trail (site TEXT NOT NULL, n BIGINT NOT NULL, at BIGINT NOT NULL, event TEXT NOT NULL,
        concern TEXT, text BLOB NOT NULL, leaf BLOB NOT NULL, PRIMARY KEY (site, n)) WITHOUT ROWID""",
    "CREATE INDEX trail_concern ON trail (site, concern, n) WHERE concern IS NOT NULL",
    "CREATE TABLE tree (site TEXT NOT NULL PRIMARY KEY, frontier TEXT NOT NULL) WITHOUT ROWID",
    """CREATE TABLE names (site TEXT NOT NULL, key TEXT NOT NULL, kind TEXT NOT NULL, name TEXT NOT NULL,
        PRIMARY KEY (site, key)) WITHOUT ROWID""",
    """CREATE TABLE quarantine (site TEXT NOT NULL, day TEXT NOT NULL, reason TEXT NOT NULL,
        topic TEXT NOT NULL, slot INTEGER NOT NULL, at BIGINT NOT NULL, length BIGINT NOT NULL,
        sha256 TEXT NOT NULL, detail TEXT NOT NULL, payload BLOB NOT NULL,
        PRIMARY KEY (site, day, reason, topic, slot))""",
    HEADS,
)


def create_file(path: Path) -> None:
    """An empty file for the owner alone, whose name outlives a power cut."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    os.close(os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600))
    sync_folder(path.parent)


def refuse_read_only(path: Path) -> None:
    """StoreReadOnly if the file or its folder may not be written.

    Asked before SQLite opens it: that would leave a write-ahead log of the same mode, unwritable for ever.
    """
    for needed in (path, path.parent):
        if not os.access(needed, os.W_OK, effective_ids=True):
            raise StoreReadOnly(f"{path}: {'it' if needed == path else 'its folder'} may not be written")


def wal_of(path: Path) -> Path:
    """The write-ahead log of a store."""
    return path.with_name(f"{path.name}-wal")


def refuse_emptied(path: Path, entries: int) -> None:
    """StoreDamaged if the file is gone or empty, but had had so many entries of a trail.

    Asked before SQLite opens it: that would take it for a new one, and throw its write-ahead log away.
    """
    size = path.stat().st_size if path.exists() else -1
    log = wal_of(path)
    if size <= 0 and (entries or (log.exists() and log.stat().st_size)):
        is_so = "it is empty" if size == 0 else "it is not there"
        held = f"had held {entries} entries of the trail" if entries else "its write-ahead log is there"
        raise StoreDamaged(f"{path}: {is_so}, but {held}")


def prepare(db: sqlite3.Connection, path: Path, site: str, *, new: bool) -> None:
    """Make the tables of a store that may be `new` or recognise those of an old one, and set it up to write."""
    if db.execute("SELECT 1 FROM sqlite_master").fetchall() or not new:
        new = False
        check_meta(db, path, site)
        migrate(db, SCHEMA)
    # else it was also left empty by an earlier kill
    [(mode,)] = db.execute("PRAGMA journal_mode = WAL")
    if mode != "wal":
        raise StoreReadOnly(f"{path}: it cannot have a write-ahead log")
    db.execute("PRAGMA synchronous = FULL")  # an acknowledged message is on disk, power cut or not
    db.execute("PRAGMA wal_autocheckpoint = 10000")  # pages; measured: 2.5 times the rows of the default
    db.execute("BEGIN IMMEDIATE")
    if not new:
        db.execute(
            "UPDATE meta SET value = value"
        )  # it shows now, not at the first message, if it is read-only
        db.execute("ROLLBACK")  # a full disk is no reason not to start
        return
    for table in _TABLES:
        db.execute(table)
    db.executemany("INSERT INTO meta VALUES (?, ?)", (("schema", str(SCHEMA)), ("site", site)))
    db.execute("INSERT INTO tree VALUES (?, ?)", (site, Frontier().to_text()))
    db.execute("COMMIT")


def check_meta(db: sqlite3.Connection, path: Path, site: str | None) -> str:
    """The site whose store this is; StoreNewer, StoreOtherSite or StoreDamaged if it is not ours to read."""
    if not db.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'meta'").fetchall():
        raise StoreDamaged(f"{path}: it is not a store of Second Bell")
    meta: dict[str, str] = dict(db.execute("SELECT key, value FROM meta").fetchall())
    schema = meta.get("schema", "")
    if not schema.isdecimal() or "site" not in meta:
        raise StoreDamaged(f"{path}: it does not say its schema number and site")
    if int(schema) > SCHEMA:
        raise StoreNewer(f"{path}: a newer Second Bell wrote it (schema {schema}, this one knows {SCHEMA})")
    if site is not None and meta["site"] != site:
        raise StoreOtherSite(f"{path}: it belongs to the site {meta['site']!r}, not to {site!r}")
    return meta["site"]
