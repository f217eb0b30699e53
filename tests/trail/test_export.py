"""Entries exported for others: which, how, with names or without; what a spreadsheet must not run."""

from __future__ import annotations

import csv
import gzip
import io
import json
import shutil
from pathlib import Path

import pytest

from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from monitor.core.instants import MINUTE, show
from monitor.trail.export import COLUMNS, Unknown, Wanted, export, keys_in_unit, keys_named
from tests.adapters.test_store_migrations import OLD
from tests.commands import Run
from tests.trails import AT, Book, raw


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """A trail of 12 entries, one a minute: pump-0100 in even ones, pump-0101 in odd ones; three people in turn."""
    book = Book(tmp_path)
    book.write(12)
    book.close()
    return tmp_path


def exported(state: Path, *, table: bool = False, named: bool = False, **wanted: object) -> str:
    """What is written."""
    out = io.StringIO(newline="")
    with StoreReader(state) as reader:
        names = reader.names()
        for kind in ("device", "person"):
            if kind in wanted:
                wanted["keys"] = (keys_named(names, kind, str(wanted.pop(kind))),)
        export(reader, out, Wanted(**wanted), table=table, named=names if named else None)  # type: ignore[arg-type]
    return out.getvalue()


def numbers(text: str) -> list[int]:
    """The numbers of JSON lines."""
    return [json.loads(line)["n"] for line in text.splitlines()]


def test_lines_are_what_was_hashed(state: Path) -> None:
    """Every entry, byte for byte, and no name."""
    text = exported(state)
    with StoreReader(state) as reader:
        assert text.encode() == b"".join(entry.text + b"\n" for entry in reader.entries())
    assert "nurse" not in text
    assert "pump-" not in text


def test_names_only_if_asked_for(state: Path) -> None:
    """With names, the keys are gone."""
    text = exported(state, named=True)
    assert {json.loads(line)["person"] for line in text.splitlines()} == {"nurse-1", "nurse-2", "charge"}
    assert '"p:' not in text


def test_by_time_device_person_concern(state: Path) -> None:
    """From an instant on and until before one; one device, one person, one concern."""
    assert numbers(exported(state, first=AT + 3 * MINUTE, until=AT + 6 * MINUTE)) == [2, 3, 4]
    assert numbers(exported(state, device="pump-0101")) == [1, 3, 5, 7, 9, 11]
    assert numbers(exported(state, person="nurse-1")) == [0, 3, 6, 9]
    assert numbers(exported(state, concern="k1")) == [4, 6, 7]
    with StoreReader(state) as reader:
        key = next(key for key, known in reader.names().items() if known == ("person", "nurse-1"))
    assert numbers(exported(state, person=key)) == [0, 3, 6, 9]


def test_what_the_trail_does_not_know_is_said(state: Path) -> None:
    """An unknown name is no empty answer: it may be misspelt."""
    with StoreReader(state) as reader:
        names = reader.names()
        with pytest.raises(Unknown, match="knows no person by the name 'nurse-9'"):
            keys_named(names, "person", "nurse-9")
        with pytest.raises(Unknown, match="knows no device by the name 'nurse-1'"):
            keys_named(names, "device", "nurse-1")
        with pytest.raises(Unknown, match="no device in the unit 'oak'"):
            keys_in_unit(reader, names, "oak")


def test_by_unit(tmp_path: Path) -> None:
    """Of a real night: what is about a pump that is in the unit by what it reported last, and nothing else."""
    with gzip.open(OLD) as packed, (tmp_path / FILE_NAME).open("wb") as file:
        shutil.copyfileobj(packed, file)
    out = io.StringIO()
    with StoreReader(tmp_path) as reader:
        names = reader.names()
        count, gone = export(
            reader, out, Wanted(keys=(keys_in_unit(reader, names, "elm"),)), table=False, named=names
        )
    told = [json.loads(line) for line in out.getvalue().splitlines()]
    assert (count, gone) == (len(told), 0)
    assert {entry["device"] for entry in told} == {"pump-0101"}
    assert {"raised", "told", "accepted", "settled"} <= {entry["event"] for entry in told}


def test_a_table(state: Path) -> None:
    """One line an entry under its columns, instants in RFC 3339, details as JSON (RFC 4180: lines end in CRLF)."""
    text = exported(state, table=True)
    assert text.count("\r\n") == 13
    rows = list(csv.DictReader(io.StringIO(text)))
    assert list(rows[0]) == list(COLUMNS)
    assert (rows[2]["n"], rows[2]["at"], rows[2]["event"]) == ("2", show(AT + 3 * MINUTE), "raised")
    assert json.loads(rows[2]["detail"])["delivered_ml"] == 412.5


@pytest.mark.parametrize("begin", ["=", "+", "-", "@", "\t", "\r"])
def test_no_cell_is_a_formula(state: Path, begin: str) -> None:
    """Whatever stands in the store, no cell begins so that a spreadsheet would run it."""
    evil = f"{begin}cmd|' /C calc'!A0"
    with raw(state) as db:
        db.execute("UPDATE names SET name = ?", (evil,))
    rows = list(csv.reader(io.StringIO(exported(state, table=True, named=True), newline="")))
    cells = [cell for row in rows for cell in row]
    assert f"'{evil}" in cells
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]


def test_an_altered_entry_is_exported_as_it_is(state: Path) -> None:
    """Bytes that are no text do not end it, in either form."""
    with raw(state) as db:
        db.execute("UPDATE trail SET text = x'ff00fe' WHERE n = 3")
    assert "\N{REPLACEMENT CHARACTER}" in exported(state)
    row = list(csv.reader(io.StringIO(exported(state, table=True, named=True))))[4]
    assert row[:3] == ["3", "", "cannot be read"]


def test_the_command(state: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Bounds and names by options, an empty span is no error, a file is for its owner and never overwritten."""
    place = ("--state", str(state))
    with Run(capsys) as run:
        status, out, err = run(
            "trail", "export", "--from", show(AT + 3 * MINUTE), "--to", show(AT + 6 * MINUTE), *place
        )
        assert (status, numbers(out), err) == (0, [2, 3, 4], "")
        status, out, err = run("trail", "export", "--from", "2030-01-01T00:00:00Z", *place)
        assert (status, out, err) == (0, "", "secondbell: 0 entries\n")
        early, late = show(AT), show(AT + MINUTE)
        status, out, err = run("trail", "export", "--from", late, "--to", early, *place)
        assert (status, out, err) == (2, "", f"secondbell: --to {early}: not earlier than --from\n")
        file = tmp_path / "out.csv"
        arguments = (
            "trail",
            "export",
            "--format",
            "csv",
            "--device",
            "pump-0101",
            "--names",
            "--out",
            str(file),
            *place,
        )
        status, out, err = run(*arguments)
        assert (status, out, err) == (0, f"6 entries in {file}\n", "")
        assert file.stat().st_mode & 0o777 == 0o600
        assert file.read_bytes().count(b"\r\n") == 7
        status, out, err = run(*arguments)
        assert (status, err) == (2, f"secondbell: {file}: File exists\n")
        status, out, err = run("trail", "export", "--person", "nobody", *place)
        assert (status, "knows no person" in err) == (1, True)
        status, out, err = run("trail", "export", "--from", "yesterday", *place)
        assert (status, "--from 'yesterday'" in err) == (2, True)
        status, out, err = run("trail", "export", "--unit", "elm", *place)
        assert (status, "no device in the unit 'elm'" in err) == (1, True)
