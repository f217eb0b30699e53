"""Entries of the trail for others: JSON lines as they were hashed, or a table; by time, unit, device, person, concern.

Without `names` persons and devices stand there by their opaque keys. A cell of a table that a spreadsheet would take
for a formula begins with an apostrophe (common practice against formula injection, no standard): = + - @ tab, return.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import IO, Any, Final

from monitor.adapters.store_reader import StoreReader
from monitor.core.changes import TrailEntry
from monitor.core.instants import show
from monitor.core.picture import Picture

COLUMNS: Final = ("n", "at", "event", "concern", "rule", "device", "person", "priority", "detail")
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
_KEY: Final = re.compile(r"[pd]:[0-9a-f]{16}")
_UNREADABLE: Final = (ValueError, TypeError, KeyError, AttributeError, IndexError, RecursionError)

Names = Mapping[str, tuple[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which entries: from an instant on, until before one (ms UTC), about one concern, holding one of these keys."""

    first: int | None = None
    until: int | None = None
    concern: str | None = None
    keys: tuple[frozenset[str], ...] = ()  # one of each

    def takes(self, entry: TrailEntry) -> bool:
        """Whether an entry is wanted."""
        if not _within(entry.at, self.first, self.until):
            return False
        if not self.keys:
            return True
        found = set(_KEY.findall(entry.text.decode(errors="replace")))
        return all(found & keys for keys in self.keys)


def _within(at: object, first: int | None, until: int | None) -> bool:
    if not isinstance(at, int):  # somebody has changed it: better shown than left out
        return True
    return (first is None or at >= first) and (until is None or at < until)


class Unknown(Exception):
    """The trail knows nothing by this name; says so."""


def keys_named(names: Names, kind: str, name: str) -> frozenset[str]:
    """The opaque keys of a person or device, by name or by the key itself; Unknown if there is none."""
    found = frozenset(key for key, known in names.items() if known == (kind, name))
    if not found and _KEY.fullmatch(name) and name[0] == kind[0]:
        found = frozenset({name})
    if not found:
        raise Unknown(
            f"the trail knows no {kind} by the name {name!r} (or the name was erased: give its key)"
        )
    return found


def keys_in_unit(reader: StoreReader, names: Names, unit: str) -> frozenset[str]:
    """The keys of the devices that are in a unit by what they reported last, and of the unit itself."""
    devices = {f"unit:{unit}"}
    for name, text in reader.rows("device").items():
        try:
            if Picture.load(json.loads(text)[1]).unit == unit:
                devices.add(name)
        except _UNREADABLE:
            continue
    found = frozenset(key for key, (kind, name) in names.items() if kind == "device" and name in devices)
    if not found:
        raise Unknown(f"the trail knows no device in the unit {unit!r}")
    return found


def export(
    reader: StoreReader, out: IO[str], wanted: Wanted, *, table: bool, named: Names | None
) -> tuple[int, int]:
    """Write the entries; how many, and how many more there were whose text was taken away by policy."""
    write = _table(out) if table else _lines(out, as_hashed=named is None)
    count = gone = 0
    for entry in reader.entries(concern=wanted.concern):
        if not entry.text:
            gone += 1
        elif wanted.takes(entry):
            write(entry, named)
            count += 1
    return count, gone


Write = Callable[[TrailEntry, Names | None], None]


def _lines(out: IO[str], *, as_hashed: bool) -> Write:
    def write(entry: TrailEntry, named: Names | None) -> None:
        text = entry.text.decode(errors="replace")
        if not as_hashed and named is not None:
            with suppress(*_UNREADABLE):  # somebody has changed it: as it is
                text = json.dumps(_with_names(json.loads(text), named), ensure_ascii=False)
        out.write(text + "\n")

    return write


def _table(out: IO[str]) -> Write:
    writer = csv.writer(out, lineterminator="\r\n")  # RFC 4180 §2
    writer.writerow(COLUMNS)

    def write(entry: TrailEntry, named: Names | None) -> None:
        try:
            told: dict[str, Any] = json.loads(entry.text)
            told = _with_names(told, named) if named is not None else told
            at = show(told["at"])
            rest = json.dumps(told["detail"], ensure_ascii=False, sort_keys=True) if "detail" in told else ""
            cells = [told["n"], at, *(told.get(column, "") for column in COLUMNS[2:-1]), rest]
        except _UNREADABLE:
            cells = [entry.n, "", "cannot be read", *[""] * 5, entry.text.decode(errors="replace")]
        writer.writerow(_safe(cells))

    return write


def _safe(cells: Iterable[object]) -> Iterator[object]:
    for cell in cells:
        yield f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell


def _with_names(value: Any, names: Names) -> Any:
    """The same with names for opaque keys, wherever they stand."""
    if isinstance(value, str):
        return names[value][1] if value in names else value
    if isinstance(value, list):
        return [_with_names(item, names) for item in value]
    if isinstance(value, dict):
        return {key: _with_names(item, names) for key, item in value.items()}
    return value
