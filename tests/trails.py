"""Stores with a trail, names and signed heads, as a service leaves them; and every single-byte change of one."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from monitor.adapters.lockfile import site_key
from monitor.adapters.store import SqliteStore
from monitor.adapters.store_errors import StoreError
from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from monitor.adapters.trail_keys import TrailKey, next_key, take_next, trail_key
from monitor.core.changes import Changes
from monitor.core.heads import KEY_CHANGED, Head
from monitor.core.instants import MINUTE, parse
from monitor.core.site import Site
from monitor.core.trail import Frontier, entry
from monitor.record import changed, sign_head
from monitor.trail.check import Verdict, verify

AT = parse("2026-03-14T22:00:00Z")
PEOPLE = ("nurse-1", "nurse-2", "charge")


class Book:
    """A store of a site in a folder, written as a service writes it; close it before anybody else changes it."""

    def __init__(self, folder: Path, site: str = "larkfield") -> None:
        self.folder = folder
        self.store = SqliteStore.open(folder, site=site)
        self.site = Site(name=site, key=site_key(folder), last_resort="charge")
        self.frontier = Frontier.from_text(self.store.load().frontier)
        self.now = AT
        self.key: TrailKey = trail_key(folder)

    def close(self) -> None:
        """Let go of it."""
        self.store.close()

    def write(self, count: int) -> None:
        """So many entries, about two pumps and three people."""
        entries, names = [], {}
        for _ in range(count):
            n = self.frontier.size
            self.now += MINUTE
            device, person = f"pump-010{n % 2}", PEOPLE[n % 3]
            told = entry(
                n=n, at=self.now, event="told" if n % 2 else "raised", concern=f"k{n // 4}" if n % 5 else None,
                device=self.site.opaque("device", device), person=self.site.opaque("person", person),
                rule="unattended", priority="high",
                detail={
                    "carrier": "pager", "delivered_ml": 412.5, "place": "bay 3 × bed 12",
                    "notice": hashlib.sha256(b"%d" % n).hexdigest()[:20],
                },
            )  # fmt: skip
            names[told.text.decode().split('"device":"')[1][:18]] = ("device", device)
            names[self.site.opaque("person", person)] = ("person", person)
            entries.append(told)
            self.frontier.append(told.leaf)
        self.store.commit(Changes(entries=entries, frontier=self.frontier.to_text(), names=names))  # type: ignore[arg-type]

    def note(self, event: str, **detail: object) -> None:
        """One entry of this event."""
        told = entry(n=self.frontier.size, at=self.now, event=event, detail=detail)
        self.frontier.append(told.leaf)
        self.store.commit(Changes(entries=[told], frontier=self.frontier.to_text()))

    def sign(self) -> Head:
        """A head of what is stored."""
        self.now += MINUTE
        return sign_head(self.store, self.key, self.now)

    def rotate(self) -> None:
        """Another key from now on, as the service and the command do it."""
        new = next_key(self.folder)
        self.note(KEY_CHANGED, **changed(self.store.site, self.key, new))
        take_next(self.folder, new.id)
        self.key = trail_key(self.folder)


def checked(folder: Path, **more: object) -> Verdict:
    """What the verification says, the site's secret at hand."""
    with StoreReader(folder) as reader:
        opaque = Site(name="", key=site_key(folder), last_resort="").opaque
        return verify(reader, opaque=opaque, **more)  # type: ignore[arg-type]


@contextmanager
def raw(folder: Path) -> Iterator[sqlite3.Connection]:
    """The same file past the store, each statement by itself."""
    with closing(sqlite3.connect(folder / FILE_NAME, isolation_level=None)) as db:
        db.execute("PRAGMA synchronous = OFF")
        yield db


class Byte(NamedTuple):
    """One byte of one value: table, key columns' condition, column, which byte, and the SQL type of the value."""

    table: str
    where: str
    column: str
    place: int
    kind: str


TABLES = {
    "trail": ("n", ("site", "n", "at", "event", "concern", "text", "leaf")),
    "tree": ("site", ("site", "frontier")),
    "heads": ("n", ("site", "n", "text")),
    "names": ("key", ("site", "key", "kind", "name")),
    "meta": ("key", ("key", "value")),
}


def every_byte(folder: Path) -> list[Byte]:
    """Every byte of every value of the trail's tables; of an integer those that it uses, and one."""
    found = []
    with raw(folder) as db:
        for table, (key, columns) in TABLES.items():
            for column in columns:
                rows = db.execute(
                    f"SELECT quote({key}), CAST({column} AS BLOB), typeof({column}) FROM {table}"
                )
                for named, value, kind in rows.fetchall():
                    length = len(value or b"")
                    if kind == "integer":
                        length = min(8, int(value).bit_length() // 8 + 1)
                    found += [Byte(table, f"{key} = {named}", column, place, kind) for place in range(length)]
    return found


@contextmanager
def altered(folder: Path, byte: Byte, turn: int) -> Iterator[None]:
    """That byte with other bits, and afterwards as it was."""
    with raw(folder) as db:
        table, where, column, place, kind = byte
        [(before, row)] = db.execute(
            f"SELECT {column}, CAST({column} AS BLOB) FROM {table} WHERE {where}"
        ).fetchall()
        after: object
        if kind == "integer":
            number = int(before) ^ turn << 8 * place
            after = number - 2**64 if number >= 2**63 else number
        else:
            after = bytes((*row[:place], row[place] ^ turn, *row[place + 1 :]))
        typed = {"text": "CAST(? AS TEXT)", "blob": "CAST(? AS BLOB)", "integer": "?"}[kind]
        db.execute(f"UPDATE {table} SET {column} = {typed} WHERE {where}", (after,))
        changed_row: str = where
        values: tuple[object, ...] = ()
        if where.startswith(f"{column} = "):  # it was the row's own key
            changed_row, values = f"CAST({column} AS BLOB) = CAST(? AS BLOB)", (after,)
        try:
            yield
        finally:
            value = before if kind == "integer" else row
            db.execute(f"UPDATE {table} SET {column} = {typed} WHERE {changed_row}", (value, *values))


def found(folder: Path) -> bool:
    """Whether anything is found: by the verification, or because the store is refused by name."""
    try:
        return bool(checked(folder).findings)
    except StoreError:
        return True


def assert_found(folder: Path, byte: Byte, turn: int) -> None:
    """That byte with these bits turned is found; a key that another row has is refused by the table itself."""
    with suppress(sqlite3.IntegrityError), altered(folder, byte, turn):
        assert found(folder), (byte, turn)
