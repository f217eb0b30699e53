"""The SQLite store on real files: what was committed is there, what failed left nothing, by name."""

from __future__ import annotations

import dataclasses
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.adapters.store import (
    FILE_NAME,
    QuarantineCount,
    SqliteStore,
    StoreDamaged,
    StoreError,
    StoreFull,
    StoreLocked,
    StoreMissing,
    StoreNewer,
    StoreOtherSite,
    StoreReadOnly,
)
from monitor.adapters.store_reader import StoreReader, read_trail
from monitor.core.changes import Changes, Quarantined, TrailEntry
from monitor.core.trail import Frontier, entry

NOBODY = 65_534
UNREAD = Quarantined(
    day="2026-03-14",
    reason="not-json",
    topic="secondbell/v1/north/w1/pump-1/state",
    slot=0,
    at=1773450729500,
    length=70_000,
    sha256="ab" * 32,
    payload=b"\xff\x00{",
    detail="line 1: no JSON",
)


class Night:
    """Makes changes whose trail entries follow each other."""

    def __init__(self) -> None:
        self.frontier = Frontier()

    def changes(self, count: int = 2, **rows: str | None) -> Changes:
        """Device rows, and so many entries."""
        entries: list[TrailEntry] = []
        for _ in range(count):
            n = self.frontier.size
            told = entry(n=n, at=1773450729500 + n, event="raised", concern=f"k{n % 3}", detail={"n": n})
            entries.append(told)
            self.frontier.append(told.leaf)
        return Changes(
            rows={("device", key): body for key, body in rows.items()},
            entries=entries,
            frontier=self.frontier.to_text(),
        )


@contextmanager
def opened(folder: Path, *, busy_timeout_ms: int = 2_000) -> Iterator[SqliteStore]:
    """The store of the site north."""
    with closing(SqliteStore.open(folder, site="north", busy_timeout_ms=busy_timeout_ms)) as store:
        yield store


@contextmanager
def raw(folder: Path) -> Iterator[sqlite3.Connection]:
    """The same file past the store, each statement by itself."""
    with closing(sqlite3.connect(folder / FILE_NAME, isolation_level=None)) as db:
        yield db


def devices(store: SqliteStore) -> dict[str, str]:
    """The device rows that are on disk."""
    return store.load().rows.get("device", {})


def assert_whole(folder: Path, entries: int) -> None:
    """The trail has so many entries and verifies."""
    with StoreReader(folder) as reader:
        assert reader.verify() is None
        assert reader.frontier().size == entries == len(list(reader.entries()))


def test_a_new_store_is_empty(tmp_path: Path) -> None:
    """Nothing is in a new store, its trail begins at 0, and only the owner may read it."""
    with opened(tmp_path / "new") as store:
        loaded = store.load()
        assert (loaded.rows, loaded.names, loaded.quarantine, loaded.doubt) == ({}, {}, [], None)
        assert (loaded.frontier, loaded.next_entry) == ("0:", 0)
    assert (tmp_path / "new" / FILE_NAME).stat().st_mode & 0o777 == 0o600
    assert (tmp_path / "new").stat().st_mode & 0o777 == 0o700


def test_what_was_committed_is_loaded(tmp_path: Path) -> None:
    """Rows, trail, names and quarantine come back after closing, from a commit in another thread too."""
    night = Night()
    changes = night.changes(3, a='{"v":1}', b='{"place":"bay 3 × bed 12 \\u0000"}')
    changes.rows[("concern", "k0")] = "{}"
    changes.names = {"p:1": ("person", "Nurse One"), "d:9f2": ("device", "pump-0042")}
    changes.quarantined = [UNREAD]
    with opened(tmp_path) as store, ThreadPoolExecutor(1) as thread:
        thread.submit(store.commit, changes).result()
    with opened(tmp_path) as store:
        loaded = store.load()
    assert loaded.rows == {
        "device": {"a": '{"v":1}', "b": '{"place":"bay 3 × bed 12 \\u0000"}'},
        "concern": {"k0": "{}"},
    }
    assert (loaded.frontier, loaded.next_entry, loaded.doubt) == (night.frontier.to_text(), 3, None)
    assert loaded.names == changes.names
    assert loaded.quarantine == [
        QuarantineCount(
            day=UNREAD.day,
            reason=UNREAD.reason,
            topic=UNREAD.topic,
            kept=1,
            size=3,
            first_at=UNREAD.at,
            last_at=UNREAD.at,
        )
    ]
    assert list(read_trail(tmp_path)) == changes.entries


def test_rows_are_replaced_and_deleted(tmp_path: Path) -> None:
    """A row given again replaces the old one, None takes it away, a name once stored stays."""
    with opened(tmp_path) as store:
        store.commit(Changes(rows={("device", key): "1" for key in "abc"}, names={"p:1": ("person", "One")}))
        store.commit(
            Changes(
                rows={("device", "a"): "2", ("device", "b"): None, ("device", "never"): None},
                names={"p:1": ("person", "Two")},
            )
        )
        assert devices(store) == {"a": "2", "c": "1"}
        assert store.load().names == {"p:1": ("person", "One")}


@pytest.mark.parametrize("count", [1, 7, 8, 9, 127, 128, 512, 513, 2_000, 2_345])
def test_any_number_of_rows_is_written(tmp_path: Path, count: int) -> None:
    """However a batch divides into statements, every row and entry of it is stored."""
    changes = Night().changes(count, **{f"pump{number}": f'{{"n":{number}}}' for number in range(count)})
    with opened(tmp_path) as store:
        store.commit(changes)
        assert devices(store) == {key: body for (_, key), body in changes.rows.items()}
        store.commit(Changes(rows=dict.fromkeys(changes.rows)))
        assert devices(store) == {}
    assert_whole(tmp_path, count)


def test_no_changes_are_empty() -> None:
    """Only changes with nothing to store are empty."""
    assert Changes().empty()
    assert Changes(frontier="0:").empty()
    assert not Changes(rows={("device", "a"): None}).empty()
    assert not Changes(quarantined=[UNREAD]).empty()
    assert not Changes(names={"p:1": ("person", "One")}).empty()
    assert not Night().changes(1).empty()


def test_quarantine_slots_are_reused(tmp_path: Path) -> None:
    """The same place in quarantine is overwritten, another day, reason, topic or slot is kept beside it."""
    later = dataclasses.replace(UNREAD, at=UNREAD.at + 5, payload=b"later")
    others = [
        dataclasses.replace(UNREAD, slot=1),
        dataclasses.replace(UNREAD, topic="other"),
        dataclasses.replace(UNREAD, day="2026-03-15"),
    ]
    with opened(tmp_path) as store:
        store.commit(Changes(quarantined=[UNREAD, *others]))
        store.commit(Changes(quarantined=[later]))
        counts = {(count.day, count.topic): (count.kept, count.size) for count in store.load().quarantine}
    assert counts == {
        ("2026-03-14", UNREAD.topic): (2, len(b"later") + 3),
        ("2026-03-14", "other"): (1, 3),
        ("2026-03-15", UNREAD.topic): (1, 3),
    }


def test_pruning_takes_what_it_was_told(tmp_path: Path) -> None:
    """Given rows and quarantine before a day go, all else stays, and the counts are told."""
    with opened(tmp_path) as store:
        rows: dict[tuple[str, str], str | None] = {("notice", str(n)): "{}" for n in range(4_500)}
        store.commit(Changes(rows=rows, quarantined=[UNREAD, dataclasses.replace(UNREAD, day="2026-03-15")]))
        pruned = store.prune(
            rows=[("notice", str(n)) for n in range(4_499)] + [("device", "4499")],
            quarantine_before="2026-03-15",
        )
        loaded = store.load()
    assert (pruned.rows, pruned.quarantined) == (4_499, 1)
    assert loaded.rows == {"notice": {"4499": "{}"}}
    assert [count.day for count in loaded.quarantine] == ["2026-03-15"]


def test_what_is_over_is_put_aside(tmp_path: Path) -> None:
    """A start does not load months of notices that are over; readers find them with the others."""
    with opened(tmp_path) as store:
        store.commit(Changes(rows={("notice", "n1"): "1", ("notice", "n2"): "2"}))
        store.commit(Changes(rows={("notice", "n1"): None, ("notice-over", "n1"): "1"}))
        assert store.load().rows == {"notice": {"n2": "2"}}
    with StoreReader(tmp_path) as reader:
        assert reader.rows("notice") == {"n1": "1", "n2": "2"}


# --- a commit that fails ---


def test_a_constraint_in_the_middle_leaves_nothing(tmp_path: Path) -> None:
    """What was written before the failing row is rolled back, and the mended changes go in."""
    night = Night()
    with opened(tmp_path) as store:
        store.commit(night.changes(2, a="1"))
        changes = night.changes(2, a=None, b="2")
        changes.quarantined = [dataclasses.replace(UNREAD, detail=None)]  # type: ignore[arg-type]
        with pytest.raises(StoreError, match="NOT NULL"):
            store.commit(changes)
        assert devices(store) == {"a": "1"}
        assert_whole(tmp_path, 2)
        changes.quarantined = []
        store.commit(changes)
        assert devices(store) == {"b": "2"}
    assert_whole(tmp_path, 4)


def test_a_full_disk_is_named_and_overcome(tmp_path: Path) -> None:
    """Without room nothing is stored and the error says so; with room the same changes go in."""
    night = Night()
    with opened(tmp_path) as store:
        store.commit(night.changes(2, a="1"))
        [(pages,)] = store._db.execute("PRAGMA page_count")
        store._db.execute(f"PRAGMA max_page_count = {pages}")  # SQLite's own limit, as a full disk answers
        changes = night.changes(2, **{f"pump{number}": "x" * 400 for number in range(500)})
        for _ in range(3):
            with pytest.raises(StoreFull, match=rf"{FILE_NAME}: no space"):
                store.commit(changes)
            assert devices(store) == {"a": "1"}
            assert (tmp_path / f"{FILE_NAME}-wal").stat().st_size == 0  # what could be freed was
        store._db.execute("PRAGMA max_page_count = 100000")
        store.commit(changes)
        assert len(devices(store)) == 501
    assert_whole(tmp_path, 4)


def test_a_store_turned_read_only_is_named_and_overcome(tmp_path: Path) -> None:
    """A store that may no longer be written says so and goes on when it may."""
    night = Night()
    with opened(tmp_path) as store:
        store.commit(night.changes(2, a="1"))
        store._db.execute("PRAGMA query_only = ON")  # SQLite refuses as on a read-only medium
        changes = night.changes(2, a="2")
        with pytest.raises(StoreReadOnly, match=rf"{FILE_NAME}: it may not be written"):
            store.commit(changes)
        store._db.execute("PRAGMA query_only = OFF")
        assert devices(store) == {"a": "1"}
        store.commit(changes)
        assert devices(store) == {"a": "2"}
    assert_whole(tmp_path, 4)


def test_a_locked_store_is_named_and_overcome(tmp_path: Path) -> None:
    """While another program writes for longer than the time-out, the commit fails by name; then it works."""
    night = Night()
    with opened(tmp_path, busy_timeout_ms=20) as store, raw(tmp_path) as other:
        store.commit(night.changes(2, a="1"))
        changes = night.changes(2, a="2")
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreLocked, match=rf"{FILE_NAME}: another program holds it"):
            store.commit(changes)
        other.execute("ROLLBACK")
        assert devices(store) == {"a": "1"}
        store.commit(changes)
    assert_whole(tmp_path, 4)


def test_the_same_changes_may_be_committed_again(tmp_path: Path) -> None:
    """When the outcome of a commit was unknown, giving it again changes nothing."""
    night = Night()
    with opened(tmp_path) as store:
        store.commit(night.changes(2, a="1"))
        changes = night.changes(3, a=None, b="2")
        store.commit(changes)
        store.commit(changes)
        assert devices(store) == {"b": "2"}
        store.commit(night.changes(1))
    assert_whole(tmp_path, 6)


def test_other_entries_of_the_same_numbers_are_refused(tmp_path: Path) -> None:
    """The trail is never rewritten: differing, older, partly known or later entries are refused."""
    night, other = Night(), Night()
    with opened(tmp_path) as store:
        first, second = night.changes(2, a="1"), night.changes(2)
        store.commit(first)
        store.commit(second)
        third = night.changes(1)
        other.changes(2)
        differing = other.changes(2)
        differing.entries[1] = entry(n=3, at=0, event="accepted")
        headed = dataclasses.replace(second, frontier=Frontier([b"x" * 32] * 4).to_text())
        both = Changes(entries=second.entries + third.entries, frontier=third.frontier)
        for changes in (differing, headed, first, both, night.changes(1)):
            changes.rows[("device", "a")] = "2"
            with pytest.raises(StoreDamaged, match="goes on at entry 4"):
                store.commit(changes)
        assert devices(store) == {"a": "1"}
    assert_whole(tmp_path, 4)


def test_entries_that_do_not_fit_their_frontier_are_a_mistake(tmp_path: Path) -> None:
    """A frontier left out or of another size, or a hole in the numbers, never reaches the disk."""
    with opened(tmp_path) as store:
        changes = Night().changes(3)
        for wrong in (
            dataclasses.replace(changes, frontier=None),
            dataclasses.replace(changes, frontier="0:"),
            dataclasses.replace(changes, entries=[changes.entries[0], changes.entries[2]]),
        ):
            with pytest.raises(ValueError, match="do not belong together"):
                store.commit(wrong)
        store.commit(changes)
    assert_whole(tmp_path, 3)


def test_a_closed_store_says_so(tmp_path: Path) -> None:
    """Using a store after closing it is a named error, not a traceback of another library."""
    store = SqliteStore.open(tmp_path, site="north")
    store.close()
    with pytest.raises(StoreError, match="closed"):
        store.commit(Night().changes(1))


# --- files that are not ours, or not whole ---


def test_no_store_where_none_is_wanted(tmp_path: Path) -> None:
    """Opening without making, and reading, say that there is none and make nothing."""
    with pytest.raises(StoreMissing, match=FILE_NAME):
        SqliteStore.open(tmp_path, site="north", create=False)
    with pytest.raises(StoreMissing, match=FILE_NAME):
        StoreReader(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_the_store_of_another_site_is_refused(tmp_path: Path) -> None:
    """One site never writes into another's record."""
    with opened(tmp_path):
        pass
    with pytest.raises(StoreOtherSite, match="'north', not to 'south'"):
        SqliteStore.open(tmp_path, site="south")
    with pytest.raises(StoreOtherSite, match="'north', not to 'south'"):
        StoreReader(tmp_path, site="south")


def test_a_newer_store_is_refused(tmp_path: Path) -> None:
    """A newer schema or a newer state is not guessed at."""
    with opened(tmp_path) as store:
        store.commit(Night().changes(1, a="1"))
        with raw(tmp_path) as db:
            db.execute("UPDATE state SET version = 99")
        with pytest.raises(StoreNewer, match="device a has the newer state version 99"):
            store.load()
    with raw(tmp_path) as db:
        db.execute("UPDATE meta SET value = '99' WHERE key = 'schema'")
    with pytest.raises(StoreNewer, match="schema 99"):
        SqliteStore.open(tmp_path, site="north")
    with pytest.raises(StoreNewer, match="schema 99"):
        StoreReader(tmp_path)


def test_a_foreign_file_is_refused_and_left_alone(tmp_path: Path) -> None:
    """Another program's SQLite file, or what is none at all, is named damaged and not touched."""
    with raw(tmp_path) as db:
        db.execute("CREATE TABLE recipes (name TEXT)")
    before = (tmp_path / FILE_NAME).read_bytes()
    with pytest.raises(StoreDamaged, match="not a store of Second Bell"):
        SqliteStore.open(tmp_path, site="north")
    assert (tmp_path / FILE_NAME).read_bytes() == before
    (tmp_path / FILE_NAME).write_bytes(b"a letter to the editor" * 100)
    with pytest.raises(StoreDamaged, match="not a SQLite file"):
        SqliteStore.open(tmp_path, site="north")


def test_an_empty_file_becomes_a_store(tmp_path: Path) -> None:
    """What a kill between making the file and its tables leaves is taken up."""
    (tmp_path / FILE_NAME).touch()
    with opened(tmp_path) as store:
        store.commit(Night().changes(1))
    assert_whole(tmp_path, 1)


@pytest.mark.parametrize("harm", ["cut", "overwritten"])
def test_a_torn_file_is_named(tmp_path: Path, harm: str) -> None:
    """A file cut short or with a page overwritten is damaged by name, never half a load."""
    with opened(tmp_path) as store:
        store.commit(Night().changes(50, **{f"pump{number}": "x" * 400 for number in range(2_000)}))
    path = tmp_path / FILE_NAME
    whole = path.read_bytes()
    middle = len(whole) // 2 // 4096 * 4096
    path.write_bytes(whole[:middle] + (b"" if harm == "cut" else b"\xa5" * 4096 + whole[middle + 4096 :]))
    with pytest.raises(StoreDamaged, match=FILE_NAME), opened(tmp_path) as store:
        store.load()


def test_a_torn_log_gives_the_last_whole_commit(tmp_path: Path) -> None:
    """Wherever the write-ahead log is cut, what is read is one commit, whole, with its trail."""
    night, sizes = Night(), set()
    with opened(tmp_path / "live") as store:
        for number in range(20):
            store.commit(night.changes(3, last=str(3 * number + 2)))
        for cut in random.Random(7).sample(range(5_000, 120_000), 25):
            copy = tmp_path / str(cut)
            copy.mkdir()
            shutil.copy(tmp_path / "live" / FILE_NAME, copy)
            log = (tmp_path / "live" / f"{FILE_NAME}-wal").read_bytes()
            (copy / f"{FILE_NAME}-wal").write_bytes(log[: min(cut, len(log))])
            try:
                with opened(copy) as torn:
                    loaded = torn.load()
            except StoreDamaged:  # pragma: no cover
                pytest.fail(f"cut at {cut} damaged it")
            assert loaded.doubt is None
            if loaded.next_entry:
                assert loaded.rows["device"]["last"] == str(loaded.next_entry - 1)
            assert_whole(copy, loaded.next_entry)
            sizes.add(loaded.next_entry)
    assert len(sizes) > 3  # the cuts did fall between commits


@contextmanager
def without_root(folder: Path) -> Iterator[None]:
    """Root may write anything: act as an ordinary user to whom the folder belongs."""
    if os.geteuid() != 0:
        yield
        return
    for path in (folder, *folder.iterdir()):
        os.chown(path, NOBODY, NOBODY)
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.mark.parametrize("what", ["file", "folder"])
def test_a_store_without_leave_to_write_is_named(what: str) -> None:
    """Opening a store whose file or folder is read-only says so at once."""
    with tempfile.TemporaryDirectory() as name:  # pytest's own is closed to others than its user
        folder = Path(name)
        with opened(folder) as store:
            store.commit(Night().changes(2, a="1"))
        path = folder / FILE_NAME if what == "file" else folder
        mode = path.stat().st_mode
        with without_root(folder):
            path.chmod(0o400 if what == "file" else 0o500)
            with pytest.raises(StoreReadOnly, match=f"{FILE_NAME}: (it|its folder) may not be written"):
                SqliteStore.open(folder, site="north")
            path.chmod(mode)
            with opened(folder) as store:
                assert devices(store) == {"a": "1"}


# --- the trail on disk ---


def test_readers_see_one_instant_while_the_writer_goes_on(tmp_path: Path) -> None:
    """A reader beside the writer sees one commit's entries, head and rows, a later one sees more."""
    night = Night()
    with opened(tmp_path) as store:
        store.commit(night.changes(4, a="1"))
        with StoreReader(tmp_path) as reader:
            store.commit(night.changes(3, a="2", b="2"))
            assert (len(list(reader.entries())), reader.frontier().size) == (4, 4)
            assert (reader.rows("device"), reader.rows("concern")) == ({"a": "1"}, {})
            assert reader.verify() is None
        with StoreReader(tmp_path) as reader:
            assert (reader.site, reader.frontier().root()) == ("north", night.frontier.root())
            assert [item.n for item in reader.entries(concern="k1")] == [1, 4]
            assert [item.n for item in read_trail(tmp_path, concern="k9")] == []
            assert reader.rows("device") == {"a": "2", "b": "2"}


def test_a_reader_cannot_write(tmp_path: Path) -> None:
    """Reading is opened read-only, so nothing outside the writer can change the record by accident."""
    with opened(tmp_path):
        pass
    with (
        StoreReader(tmp_path) as reader,
        pytest.raises(sqlite3.OperationalError, match="readonly"),
    ):
        reader._db.execute("DELETE FROM trail")


def test_verifying_tells_how_far_it_is(tmp_path: Path) -> None:
    """A long verification reports entries done and entries in all."""
    with opened(tmp_path) as store:
        store.commit(Night().changes(2_500))
    heard: list[tuple[int, int]] = []
    with StoreReader(tmp_path) as reader:
        assert reader.verify(lambda done, total: heard.append((done, total))) is None
    assert heard == [(0, 2_500), (1_000, 2_500), (2_000, 2_500)]


def test_any_changed_byte_in_the_tables_of_the_trail_is_found(tmp_path: Path) -> None:
    """Any one byte of any column of an entry or of the tree head set to another value is found."""
    columns = ["site", "at", "event", "concern", "text", "leaf", "frontier", "head site", "n"]
    with opened(tmp_path) as store:
        store.commit(Night().changes(11))

    @settings(max_examples=300)
    @given(st.sampled_from(columns), st.integers(0, 10), st.integers(0, 10_000), st.integers(1, 255))
    def changed(column: str, n: int, place: int, turn: int) -> None:
        table, where = ("tree", "1") if column in ("frontier", "head site") else ("trail", f"n = {n}")
        column = column.removeprefix("head ")
        with raw(tmp_path) as db:
            [(before, kind)] = db.execute(
                f"SELECT CAST({column} AS BLOB), typeof({column}) FROM {table} WHERE {where}"
            )
            after = bytearray(before)
            after[place % len(after)] ^= turn
            new: object = bytes(after)
            if kind == "integer":
                new = int(before) ^ (turn << 8)
            typed = f"CAST(? AS {'TEXT' if kind == 'text' else 'NUMERIC' if kind == 'integer' else 'BLOB'})"
            db.execute("BEGIN")
            db.execute(f"UPDATE {table} SET {column} = {typed} WHERE {where}", (new,))
            db.execute("COMMIT")
            with StoreReader(tmp_path) as reader:
                finding = reader.verify()
            [(ours,)] = db.execute("SELECT value FROM meta WHERE key = 'site'")
            if column == "n":
                where = f"n = {new}"
            if table == "trail" and column != "n":
                assert finding is not None
                assert finding.n == n
            db.execute(
                f"UPDATE {table} SET {column} = CAST(? AS {typed.split()[-1]} WHERE {where}", (before,)
            )
        assert ours == "north"
        assert finding is not None

    changed()
    assert_whole(tmp_path, 11)


def test_a_damaged_trail_is_doubted_and_goes_on(tmp_path: Path) -> None:
    """Entries cut off, a head unreadable or behind: loading says so, and new entries find their place."""
    night = Night()
    with opened(tmp_path) as store:
        store.commit(night.changes(5))
        with raw(tmp_path) as db:
            db.execute("UPDATE tree SET frontier = 'nonsense'")
        loaded = store.load()
        assert loaded.doubt == "the trail's tree head cannot be read; it was rebuilt from 5 entries"
        assert (loaded.frontier, loaded.next_entry) == (night.frontier.to_text(), 5)
        with raw(tmp_path) as db:
            db.execute("UPDATE tree SET frontier = ?", (Frontier([b"x" * 32]).to_text(),))
        loaded = store.load()
        assert loaded.doubt == "the trail's tree head ends before entry 1; it was rebuilt from 5 entries"
        store.commit(night.changes(1))
        assert_whole(tmp_path, 6)
        with raw(tmp_path) as db:
            db.execute("DELETE FROM trail WHERE n >= 4")
        loaded = store.load()
        assert loaded.doubt == "entries 4 to 5 of the trail are missing"
        assert (loaded.frontier, loaded.next_entry) == (night.frontier.to_text(), 6)
        store.commit(night.changes(2))
        with StoreReader(tmp_path) as reader:
            finding = reader.verify()
            assert finding is not None
            assert (finding.wrong, finding.n) == ("gap", 4)
        with raw(tmp_path) as db:
            db.execute("DELETE FROM tree")
        with pytest.raises(StoreDamaged, match="lost its tree head and some of its entries"):
            store.load()
        with StoreReader(tmp_path) as reader, pytest.raises(StoreDamaged, match="tree head cannot be read"):
            reader.frontier()


CHILD = """
import json, sys
from pathlib import Path
from monitor.adapters.store import SqliteStore
from monitor.core.changes import Changes
from monitor.core.trail import Frontier, entry

store = SqliteStore.open(Path(sys.argv[1]), site="north")
loaded = store.load()
frontier = Frontier.from_text(loaded.frontier)
while True:
    entries = [entry(n=frontier.size + more, at=frontier.size, event="told") for more in range(3)]
    for told in entries:
        frontier.append(told.leaf)
    rows = {("device", f"pump-{number}"): json.dumps({"size": frontier.size}) for number in range(40)}
    store.commit(Changes(rows=rows, entries=entries, frontier=frontier.to_text()))
    print(frontier.size, flush=True)
"""


def test_a_killed_writer_loses_nothing_it_reported(tmp_path: Path) -> None:
    """SIGKILL at any instant: every reported commit is there, each one whole, and the trail verifies."""
    chance = random.Random(20260314)
    before = 0
    for _ in range(6):
        with subprocess.Popen(
            [sys.executable, "-c", CHILD, str(tmp_path)], stdout=subprocess.PIPE, text=True
        ) as child:
            assert child.stdout is not None
            reported = before
            for _ in range(chance.randint(1, 80)):
                reported = int(child.stdout.readline())
            child.send_signal(signal.SIGKILL)
            rest = child.stdout.read().split("\n")[:-1]  # what it told before it died, whole lines only
            reported = int(rest[-1]) if rest else reported
        assert child.returncode == -signal.SIGKILL
        with StoreReader(tmp_path) as reader:  # beside the log that the dead writer left
            size = reader.frontier().size
            assert reader.verify() is None
            sizes = {json.loads(body)["size"] for body in reader.rows("device").values()}
        assert before < reported <= size <= reported + 3
        assert sizes == {size}
        with opened(tmp_path) as store:
            assert (store.load().next_entry, store.load().doubt) == (size, None)
        before = size
