"""Older stores brought up to date: a real one of schema 1, written by a service of 0.1.0, and what may come between."""

from __future__ import annotations

import gzip
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from monitor.adapters import store_migrations
from monitor.adapters.store import SCHEMA, SqliteStore, StoreError, StoreNewer
from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from monitor.core.changes import KINDS
from monitor.trail.check import verify

OLD = (
    Path(__file__).parent.parent / "stores" / "schema-1.db.gz"
)  # a ward's night: raised, told, accepted, settled
TABLES = ("state", "trail", "tree", "names", "quarantine")


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A state directory with that store."""
    with gzip.open(OLD) as packed, (tmp_path / FILE_NAME).open("wb") as file:
        shutil.copyfileobj(packed, file)
    return tmp_path


def content(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table but `meta`."""
    with closing(sqlite3.connect(folder / FILE_NAME)) as db:
        return {table: sorted(db.execute(f"SELECT * FROM {table}"), key=repr) for table in TABLES}


def schema(folder: Path) -> int:
    """The schema number that the store says."""
    with closing(sqlite3.connect(folder / FILE_NAME)) as db:
        [(number,)] = db.execute("SELECT value FROM meta WHERE key = 'schema'")
        return int(number)


def test_there_is_a_step_from_every_older_schema() -> None:
    """From 1 to the present one, none missing."""
    assert sorted(store_migrations.STEPS) == list(range(1, SCHEMA))


def test_a_store_of_schema_1_goes_on(old: Path) -> None:
    """Opened to write it is of today's schema, every row is as it was, and the trail goes on."""
    before = content(old)
    assert (schema(old), len(before["trail"])) == (1, 25)
    store = SqliteStore.open(old, site="larkfield")
    loaded = store.load()
    store.close()
    assert schema(old) == SCHEMA
    assert content(old) == before
    assert (loaded.next_entry, loaded.doubt) == (25, None)
    with StoreReader(old) as reader:
        assert verify(reader).findings == []


def test_it_has_the_tables_of_a_new_store(old: Path, tmp_path: Path) -> None:
    """However a store came to this schema, its tables are the same."""

    def tables(folder: Path) -> dict[str, str]:
        with closing(sqlite3.connect(folder / FILE_NAME)) as db:
            return dict(db.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL"))

    SqliteStore.open(old, site="larkfield").close()
    SqliteStore.open(tmp_path / "new", site="larkfield").close()
    assert tables(old) == tables(tmp_path / "new")


def test_a_reader_takes_an_old_store_as_it_is(old: Path) -> None:
    """Reading changes nothing: the trail of an old store is verified, without heads, and it stays of schema 1."""
    before = (old / FILE_NAME).read_bytes()
    with StoreReader(old) as reader:
        verdict = verify(reader)
        assert (verdict.findings, verdict.size, verdict.heads) == ([], 25, [])
        assert {kind for kind in KINDS if reader.rows(kind)} >= {"device", "concern", "notice", "engine"}
    assert (old / FILE_NAME).read_bytes() == before


def test_a_step_that_fails_has_not_happened(old: Path) -> None:
    """Half of a step is never left: the store is of schema 1 and as it was."""
    before = content(old)
    with closing(sqlite3.connect(old / FILE_NAME)) as db:
        db.execute("CREATE TABLE heads (other TEXT)")  # the step's own table cannot be made
    with pytest.raises(Exception, match="already exists"):
        SqliteStore.open(old, site="larkfield")
    assert schema(old) == 1
    assert content(old) == before
    with closing(sqlite3.connect(old / FILE_NAME)) as db:
        db.execute("DROP TABLE heads")
    SqliteStore.open(old, site="larkfield").close()
    assert schema(old) == SCHEMA


def test_half_a_step_is_undone(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a later statement of a step fails, what the earlier ones did is gone too."""
    before = (schema(old), content(old))
    monkeypatch.setitem(store_migrations.STEPS, 1, (store_migrations.HEADS, "no statement"))
    with pytest.raises(StoreError):
        SqliteStore.open(old, site="larkfield")
    with closing(sqlite3.connect(old / FILE_NAME)) as db:
        assert db.execute("SELECT 1 FROM sqlite_master WHERE name = 'heads'").fetchall() == []
    assert (schema(old), content(old)) == before


def test_a_newer_store_is_refused(old: Path) -> None:
    """What a newer version wrote is neither read nor changed."""
    with closing(sqlite3.connect(old / FILE_NAME)) as db:
        db.execute("UPDATE meta SET value = ? WHERE key = 'schema'", (str(SCHEMA + 1),))
        db.commit()
    for opened in (lambda: SqliteStore.open(old, site="larkfield"), lambda: StoreReader(old)):
        with pytest.raises(StoreNewer, match=f"schema {SCHEMA + 1}, this one knows {SCHEMA}"):
            opened()
