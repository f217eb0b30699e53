"""Reads a site file table by table, so that one mistake hides no other: every table is judged by itself."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from monitor.adapters import plugins
from monitor.adapters.carriers import one_line
from monitor.core.problems import Problem, ProblemsFound, show_key
from monitor.core.topics import RESERVED_UNITS, is_level
from monitor.sitefile.carrier_tables import KINDS, CarrierTable, EmailTable, PluginTable
from monitor.sitefile.device_list import COLUMNS, read_devices
from monitor.sitefile.drill_table import DrillTable
from monitor.sitefile.heads_table import HeadsTable, TrailTable
from monitor.sitefile.health_table import HealthTable
from monitor.sitefile.load_table import LoadTable
from monitor.sitefile.pages_table import PagesTable
from monitor.sitefile.problems import keys_of, problems_in, show_value, unknown_key
from monitor.sitefile.shifts_table import HandoverTable, ShiftTable
from monitor.sitefile.tables import (
    SECTIONS,
    BrokerTable,
    DeviceTable,
    DutyTable,
    LadderTable,
    PersonTable,
    RuleTable,
    SiteTable,
    UnitTable,
)
from monitor.sitefile.times import TimesTable
from monitor.sitefile.values import LEVEL_WANTED, PERSON_WANTED, is_person

T = TypeVar("T", bound=BaseModel)
_PARTS = re.compile(r"[.\[]")


class Unreadable(ProblemsFound):
    """The file cannot be read at all, or is not TOML."""


@dataclass(kw_only=True)
class SiteFile:
    """The tables of a site file that are right in themselves, and what is wrong with the others.

    `written` has the names under people, units, carriers and devices as they stand in the file, good or not: a
    table with a mistake of its own is still there for those who name it. `broken` are sections with such a table.
    `devices` has those of its table of devices too, of which `csv_lines` has the lines.
    """

    path: Path
    text: str
    site: SiteTable | None = None
    broker: BrokerTable | None = None
    carriers: dict[str, CarrierTable] = field(default_factory=dict)
    people: dict[str, PersonTable] = field(default_factory=dict)
    units: dict[str, UnitTable] = field(default_factory=dict)
    ladders: dict[int, LadderTable] = field(default_factory=dict)  # by their place in the file
    duty: dict[int, DutyTable] = field(default_factory=dict)
    devices: dict[str, DeviceTable] = field(default_factory=dict)
    rules: dict[str, RuleTable] = field(default_factory=dict)
    load: LoadTable = field(default_factory=LoadTable)
    times: TimesTable = field(default_factory=TimesTable)
    shifts: dict[str, ShiftTable] = field(default_factory=dict)
    handover: HandoverTable = field(default_factory=HandoverTable)
    heads: HeadsTable = field(default_factory=HeadsTable)
    trail: TrailTable = field(default_factory=TrailTable)
    drills: dict[int, DrillTable] = field(default_factory=dict)  # by their place in the file
    pages: PagesTable | None = None
    health: HealthTable | None = None
    written: dict[str, frozenset[str]] = field(default_factory=dict)
    broken: set[str] = field(default_factory=set)
    csv_file: str = ""
    csv_text: str = ""
    csv_lines: dict[str, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    @property
    def file(self) -> str:
        """The file as problems name it."""
        return str(self.path)

    def of_device(self, device: str, key: str) -> tuple[str, str]:
        """The file and the key that a problem of a device names: line and column, if it is of the table of devices."""
        if (line := self.csv_lines.get(device)) is None:
            return self.file, f"devices.{device}.{key}"
        column = next((part for part in _PARTS.split(key) if part in COLUMNS), key)
        return self.csv_file, f"line {line}, column {column}"

    def beside(self, name: str) -> Path:
        """A path of the file: relative ones start where the file lies."""
        return self.path.parent / name


def read(path: Path) -> SiteFile:
    """Read a site file; Unreadable if it cannot be read or is not TOML, all else stands in `problems`."""
    text, data = read_toml(path)
    return Reader(SiteFile(path=path, text=text), data).read()


def read_toml(path: Path) -> tuple[str, dict[str, Any]]:
    """The text of a file, and what it says; Unreadable if it cannot be read or is not TOML."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise Unreadable([Problem(str(path), "", "", f"cannot be read: {error.strerror}")]) from None
    except UnicodeDecodeError as error:
        raise Unreadable([Problem(str(path), "", "", f"not UTF-8 text (at byte {error.start})")]) from None
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise Unreadable([Problem(str(path), "", "", "not valid TOML: nested too deep")]) from None
    except ValueError as error:
        raise Unreadable([_syntax(path, str(error))]) from None
    return text, data


def _syntax(path: Path, message: str) -> Problem:
    where = re.search(r" \(at line (\d+), column (\d+)\)$", message)
    if where is None:
        return Problem(str(path), "", "", f"not valid TOML: {message}")
    return Problem(
        str(path),
        f"line {where[1]}",
        "",
        f"not valid TOML: {message[: where.start()]} (at column {where[2]})",
    )


class Reader:
    """Fills a SiteFile from what TOML gave."""

    sections: Mapping[str, str] = SECTIONS

    def __init__(self, found: SiteFile, data: dict[str, Any]) -> None:
        self._found = found
        self._data = data

    def read(self) -> SiteFile:
        """All sections, each entry by itself."""
        found = self._found
        self._begin()
        found.site = self._one("site", SiteTable)
        found.broker = self._one("broker", BrokerTable)
        found.shifts = self._tables("shifts", ShiftTable, is_level, LEVEL_WANTED)
        found.handover = self._if_there("handover", HandoverTable) or HandoverTable()
        found.heads = self._if_there("heads", HeadsTable) or HeadsTable()
        found.trail = self._if_there("trail", TrailTable) or TrailTable()
        found.load = self._if_there("load", LoadTable) or LoadTable()
        found.times = self._if_there("times", TimesTable) or TimesTable()
        found.health = self._if_there("health", HealthTable)
        found.pages = self._if_there("pages", PagesTable)
        self._read_carriers()
        found.people = self._tables("people", PersonTable, is_person, PERSON_WANTED)
        found.units = self._tables("units", UnitTable, _is_unit, f"{LEVEL_WANTED}; not bridge or monitor")
        found.devices = self._tables("devices", DeviceTable, is_level, LEVEL_WANTED)
        self._read_device_list()
        found.rules = self._tables("rules", RuleTable, lambda _: True, "")
        found.ladders = self._listed("ladders", LadderTable)
        found.duty = self._listed("duty", DutyTable)
        found.drills = self._listed("drills", DrillTable)
        return found

    def _begin(self) -> None:
        """See to it that no password is there, and no section that means nothing."""
        found = self._found
        self._drop_passwords(self._data, ())
        for name in self._data:
            if name not in self.sections:
                found.problems.append(unknown_key(found.file, name, name, self.sections))

    def _read_carriers(self) -> None:
        for name, raw in self._named("carriers", is_level, LEVEL_WANTED).items():
            if (carrier := self._carrier(name, raw)) is not None:
                self._found.carriers[name] = carrier

    def _read_device_list(self) -> None:
        """Take the devices of the table beside the file in, as if they stood under [devices]."""
        found = self._found
        if found.site is None or found.site.devices_csv is None:
            return
        path = found.beside(found.site.devices_csv)
        found.csv_file = str(path)
        try:
            listed = read_devices(path, dict.fromkeys(found.written["devices"]), found.path.name)
        except OSError as error:
            wanted = f"a table of devices; {path} cannot be read: {error.strerror}"
            self._wrong(["site", "devices_csv"], show_value(found.site.devices_csv), wanted)
            return
        found.csv_text, found.csv_lines = listed.text, listed.lines
        found.devices.update(listed.devices)
        found.written["devices"] |= listed.written
        found.problems += listed.problems

    def _drop_passwords(self, table: Any, path: tuple[int | str, ...]) -> None:
        """Take passwords out before anything can show them."""
        if isinstance(table, list):
            for index, entry in enumerate(table):
                if isinstance(entry, list | dict):
                    self._drop_passwords(entry, (*path, index))
        else:
            for name in list(table):
                if name.lower() == "password":
                    del table[name]
                    wanted = "a password never stands in this file: use password_file or password_env"
                    self._wrong([*path, name], "", wanted)
                elif isinstance(table[name], list | dict):
                    self._drop_passwords(table[name], (*path, name))

    def _wrong(self, path: list[int | str], value: str, expected: str) -> None:
        self._found.problems.append(Problem(self._found.file, show_key(path), value, expected))

    def _table(self, model: type[T], raw: object, path: list[int | str]) -> T | None:
        if not isinstance(raw, dict):
            self._wrong(path, show_value(raw), "a table")
            self._found.broken.add(str(path[0]))
            return None
        try:
            return model.model_validate_json(_ENCODER.encode(raw))
        except ValidationError as error:
            self._found.problems += problems_in(self._found.file, model, error, path)
            self._found.broken.add(str(path[0]))
            if model is RuleTable and "off" in raw:  # its thresholds are still to be judged
                return self._table(model, {name: value for name, value in raw.items() if name != "off"}, path)
            return None

    def _one(self, name: str, model: type[T]) -> T | None:
        if name not in self._data:
            self._wrong([name], "", f"is missing: the table [{name}], {self.sections[name]}")
            return None
        return self._table(model, self._data[name], [name])

    def _if_there(self, name: str, model: type[T]) -> T | None:
        return self._one(name, model) if name in self._data else None

    def _named(self, section: str, good: Callable[[str], object], wanted: str) -> Mapping[str, object]:
        raw = self._data.get(section, {})
        if not isinstance(raw, dict):
            self._wrong([section], show_value(raw), f"tables, each under [{section}.NAME]")
            raw = {}
        self._found.written[section] = frozenset(raw)
        for name in raw:
            if not good(name):
                self._wrong([section, name], "", f"a name of {wanted}")
        return raw

    def _tables(
        self, section: str, model: type[T], good: Callable[[str], object], wanted: str
    ) -> dict[str, T]:
        raw = self._named(section, good, wanted)
        tables = {name: self._table(model, table, [section, name]) for name, table in raw.items()}
        return {name: table for name, table in tables.items() if table is not None}

    def _listed(self, section: str, model: type[T]) -> dict[int, T]:
        raw = self._data.get(section, [])
        if not isinstance(raw, list):
            self._wrong([section], show_value(raw), f"tables, each under [[{section}]]")
            self._found.broken.add(section)
            return {}
        tables = {index: self._table(model, table, [section, index]) for index, table in enumerate(raw)}
        return {index: table for index, table in tables.items() if table is not None}

    def _carrier(self, name: str, raw: object) -> CarrierTable | None:
        kind = raw.get("kind") if isinstance(raw, dict) else None
        path: list[int | str] = ["carriers", name]
        if not isinstance(raw, dict):
            return self._table(EmailTable, raw, path)  # says that it is no table
        if isinstance(kind, str) and kind in KINDS:
            return self._table(KINDS[kind], raw, path)
        try:
            plugin = plugins.find(kind) if isinstance(kind, str) else None
        except plugins.PluginBroken as error:
            self._wrong([*path, "kind"], show_value(kind), f"a plug-in that works; {error}")
            return None
        if plugin is not None:
            return self._plugin(plugin, raw, path)
        wanted = f"one of {', '.join(map(repr, sorted(KINDS)))}"
        there = ", ".join(map(repr, sorted(set(plugins.installed()) - set(KINDS))))
        wanted += f", or an installed plug-in: {there}" if there else "; no plug-in is installed"
        if kind is None:
            wanted = f"is missing: {wanted}"
        self._wrong([*path, "kind"], show_value(kind), wanted)
        return None

    def _plugin(
        self, plugin: plugins.CarrierPlugin, raw: dict[str, object], path: list[int | str]
    ) -> CarrierTable | None:
        """A plug-in's table: the keys that all carriers have, and its own."""
        shared, known = keys_of(PluginTable), keys_of(plugin.options)
        own = {key: value for key, value in raw.items() if key not in shared}
        if plugin.options.model_config.get("extra") != "allow":
            for key in own.keys() - known:
                del own[key]
                problem = unknown_key(self._found.file, show_key([*path, key]), key, [*shared, *known])
                self._found.problems.append(problem)
        table = self._table(PluginTable, {key: raw[key] for key in shared if key in raw}, path)
        try:
            options = self._table(plugin.options, own, path)
        except Exception as error:  # another's code: a reader of values that raises as none should
            fault = one_line(f"{type(error).__name__}: {error}")
            self._wrong(path, "", f"keys that its plug-in can read; it failed on them: {fault}")
            return None
        return None if table is None or options is None else table.of(plugin, options)


def _is_unit(name: str) -> bool:
    return is_level(name) is not None and name not in RESERVED_UNITS


def _as_text(value: object) -> str:
    """TOML's own times as RFC 3339."""
    return value.isoformat() if isinstance(value, datetime | date | time) else str(value)


_ENCODER = json.JSONEncoder(default=_as_text)  # one for all tables: a site may list many devices
