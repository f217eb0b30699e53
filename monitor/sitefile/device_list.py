"""Reads the table of devices beside a site file (`devices_csv`): one device a line, as a spreadsheet saves it.

UTF-8 with or without a byte order mark, comma or semicolon; numbers with a point. Every mistake is named with its line
and column. What a cell may say is what the same key of [devices.ID] may say.
"""

from __future__ import annotations

import contextlib
import csv
import re
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from pydantic import ValidationError

from monitor.core.problems import Problem
from monitor.core.topics import is_level
from monitor.sitefile.problems import problems_in, show_value
from monitor.sitefile.tables import DeviceTable, PlanTable, WindowTable
from monitor.sitefile.values import LEVEL_WANTED

NEEDED: Final = ("id", "unit")
COLUMNS: Final = (
    "id", "unit", "place", "pager_place", "windows", "target_ml", "rate_ml_h", "highest_rate_ml_h", "kcal_per_ml",
    "glucose_risk", "feed_kind", "container_hung", "set_hung",
)  # fmt: skip
WINDOWS_WANTED: Final = 'times of the local day, such as "20:00-06:00; 12:00-13:00"'
_PLAN: Final = COLUMNS[4:]
_FLAGS: Final = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}
_NUMBER: Final = re.compile(r"[0-9]{1,12}(?:\.[0-9]{1,12})?", re.ASCII)
_WINDOW: Final = re.compile(r"\s*(\S+?)\s*[-–]\s*(\S+?)\s*", re.ASCII)


class DeviceList(NamedTuple):
    """The devices of such a table with the line of each; `written`: the ids that stand in it, good or not."""

    text: str
    devices: dict[str, DeviceTable]
    lines: dict[str, int]
    written: frozenset[str]
    problems: list[Problem]


def read_devices(path: Path, listed: Mapping[str, object], site_file: str) -> DeviceList:
    """Read the table; `listed` are the devices that the site file itself has. OSError if it cannot be read."""
    content = path.read_bytes()
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        wrong = Problem(str(path), f"line {line}", "", "UTF-8 text; save it as UTF-8")
        return DeviceList("", {}, {}, frozenset(), [wrong])
    return _Reader(str(path), text, listed, site_file).read()


class _Reader:
    """Reads one table, row by row."""

    def __init__(self, file: str, text: str, listed: Mapping[str, object], site_file: str) -> None:
        self._file, self._text, self._listed, self._site_file = file, text, listed, site_file
        self._problems: list[Problem] = []
        self._plans: dict[tuple[str, ...], PlanTable | None] = {}  # many pumps have the same
        self._windows: dict[str, tuple[WindowTable, ...]] = {}

    def read(self) -> DeviceList:
        """All rows that are right, and what is wrong with the others."""
        devices: dict[str, DeviceTable] = {}
        first: dict[str, int] = {}
        columns: list[str] | None = None
        for line, cells in self._rows():
            if columns is None:
                if not self._header(line, columns := [cell.strip().lower() for cell in cells]):
                    break  # no line can be read without its columns
                continue
            if len(cells) != len(columns):
                self._wrong(line, "", f"{len(columns)} cells, as the first line has; there are {len(cells)}")
                continue
            row = {name: cell.strip() for name, cell in zip(columns, cells, strict=True)}
            device = row["id"]
            is_new, table = self._is_new(line, device, first), self._device(line, row)
            if is_new and table is not None:
                devices[device] = table
        if columns is None and not self._problems:
            self._wrong(1, "", f"a first line with the columns: {', '.join(COLUMNS)}")
        lines = {device: first[device] for device in devices}
        return DeviceList(self._text, devices, lines, frozenset(first), self._problems)

    def _rows(self) -> Iterator[tuple[int, list[str]]]:
        """The rows that are not empty, each with the line that it begins at."""
        head = self._text.lstrip("\r\n").partition("\n")[0]
        reader = csv.reader(
            self._text.splitlines(keepends=True), delimiter=";" if ";" in head else ",", strict=True
        )
        while True:
            line = reader.line_num + 1
            try:
                cells = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                self._wrong(line, "", f"comma or semicolon separated values: {error}")
                return
            if any(cell.strip() for cell in cells):
                yield line, cells

    def _header(self, line: int, columns: list[str]) -> bool:
        before = len(self._problems)
        for number, name in enumerate(columns):
            if name not in COLUMNS:
                self._wrong(line, name or str(number + 1), f"one of {', '.join(COLUMNS)}", show_value(name))
            elif name in columns[:number]:
                self._wrong(line, name, "each column once")
        for name in NEEDED:
            if name not in columns:
                self._wrong(line, name, "is missing: each device has one")
        return len(self._problems) == before

    def _is_new(self, line: int, device: str, first: dict[str, int]) -> bool:
        """Whether this id can be one and was not there before."""
        if is_level(device) is None:
            self._wrong(line, "id", f"a name of {LEVEL_WANTED}", show_value(device))
        elif device in self._listed:
            wanted = f"an id of its own; devices.{device} of {self._site_file} has it too"
            self._wrong(line, "id", wanted, show_value(device))
        elif (earlier := first.setdefault(device, line)) != line:
            self._wrong(line, "id", f"an id of its own; line {earlier} has it too", show_value(device))
        else:
            return True
        return False

    def _device(self, line: int, row: Mapping[str, str]) -> DeviceTable | None:
        before = len(self._problems)
        table: dict[str, Any] = {name: row[name] for name in ("place", "pager_place") if row.get(name)}
        table["unit"] = row["unit"]
        cells = tuple([row.get(name, "") for name in _PLAN])
        if cells in self._plans:
            if (known := self._plans[cells]) is not None:
                table["plan"] = known
        else:
            plan = {
                name: value
                for name, text in zip(_PLAN, cells, strict=True)
                if (value := self._cell(line, name, text)) is not None
            }
            if plan.keys() - {"glucose_risk"} or plan.get("glucose_risk"):
                table["plan"] = plan  # a cell that says there is no risk makes no plan
        try:
            found = DeviceTable.model_validate(table)
        except ValidationError as error:
            self._told(line, row, error, before)
            return None
        if len(self._problems) != before:
            return None
        self._plans[cells] = found.plan
        return found

    def _told(self, line: int, row: Mapping[str, str], error: ValidationError, before: int) -> None:
        """Name each column with a mistake once: windows may be wrong in several ways."""
        told = {problem.key for problem in self._problems[before:]}
        for problem in problems_in(self._file, DeviceTable, error, ()):
            parts = re.split(r"[.\[]", problem.key)
            column = next((name for name in COLUMNS if name in parts), problem.key)
            if (where := f"line {line}, column {column}") not in told:
                told.add(where)
                value = show_value(row.get(column, "")) if problem.value else ""
                wanted = WINDOWS_WANTED if column == "windows" and problem.value else problem.expected
                self._wrong(line, column, wanted, value)

    def _cell(self, line: int, name: str, text: str) -> object:
        """What a cell of the plan says, for the model to judge; None for an empty one or one that is wrong."""
        if not text:
            return None
        if name == "windows" and text in self._windows:
            return self._windows[text]
        read, wanted = _READERS.get(name, (str, ""))
        value: object = read(text)
        if value is None:
            self._wrong(line, name, wanted, show_value(text))
        elif isinstance(value, tuple):
            with contextlib.suppress(ValidationError):  # which the whole table is about to tell
                value = self._windows[text] = tuple([WindowTable.model_validate(window) for window in value])
        return value

    def _wrong(self, line: int, column: str, expected: str, value: str = "") -> None:
        where = f"line {line}, column {column}" if column else f"line {line}"
        self._problems.append(Problem(self._file, where, value, expected))


def _number(text: str) -> float | None:
    return float(text) if _NUMBER.fullmatch(text) else None


def _flag(text: str) -> bool | None:
    return _FLAGS.get(text.lower())


def _windows(text: str) -> tuple[dict[str, str], ...] | None:
    found = [_WINDOW.fullmatch(part) for part in text.split(";") if part.strip()]
    if not found or None in found:
        return None
    return tuple({"from": window[1], "to": window[2]} for window in found if window is not None)


_NUMBER_WANTED: Final = "a number, with a point if it has decimals"
_READERS: Final[Mapping[str, tuple[Callable[[str], object], str]]] = {
    "windows": (_windows, WINDOWS_WANTED),
    "glucose_risk": (_flag, "true or false, or yes or no"),
    **dict.fromkeys(
        ("target_ml", "rate_ml_h", "highest_rate_ml_h", "kcal_per_ml"), (_number, _NUMBER_WANTED)
    ),
}
