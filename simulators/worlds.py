"""Study worlds: a ward, or a home-feeding service, as a file of figures; one seed is one night with people of its own.

Editing rules: every number stands in the file with its range and its source or assumption; here is only what a file
may say, and how a night is made of it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from hashlib import sha256
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Final, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field, ValidationError

from simulators.figures import CarrierFigures, Figure, PeopleFigures, RotaFigures
from simulators.happenings import Several, Word
from simulators.instants import DAY
from simulators.population import pumps
from simulators.scenario import Carers, Problem, Scenario, ScenarioError
from simulators.world_figures import NightFigures, WorldFigures

# Any day will do on which no clock is changed.
_DAY: Final = (2026, 2, 3)
_SECTIONS: Final = ("people", "carriers", "rota", "pumps", "bedside", "deliberate", "causes")


def _zone(name: str) -> str:
    """Accept a zone that is known and keeps its offset over the night that is played."""
    try:
        zone = ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ValueError("the name of a time zone, such as Europe/London") from None
    noon = datetime(*_DAY, 12, tzinfo=zone)
    if noon.utcoffset() != (noon + timedelta(days=1)).utcoffset():
        raise ValueError("a time zone without a change of the clock on 3 February 2026")
    return name


class _File(WorldFigures):
    """A whole world file."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,64}$")]
    about: Annotated[str, Field(min_length=1, max_length=400)]
    setting: Literal["ward", "home"]
    zone: Annotated[str, AfterValidator(_zone)]
    site: Word
    units: Annotated[Several[Word], Field(min_length=1, max_length=20)]


@dataclass(frozen=True, slots=True, kw_only=True)
class WorldFile:
    """One world, complete and checked; *figures* are all its numbers by dotted name, in the file's order."""

    name: str
    about: str
    setting: Literal["ward", "home"]
    zone: str
    digest: str
    people: PeopleFigures
    carriers: CarrierFigures
    rota: RotaFigures
    figures: Mapping[str, Figure]
    _site: str
    _units: tuple[str, ...]
    _night: NightFigures

    def scenario(self, seed: int) -> Scenario:
        """Return the people and pumps of one seed, from noon to noon."""
        bridges = tuple(f"{unit}-1" for unit in self._units)
        noon = datetime(*_DAY, 12, tzinfo=ZoneInfo(self.zone))
        offset = noon.utcoffset() or timedelta()
        figures = self._night
        return Scenario(
            name=self.name,
            about=self.about,
            seed=seed,
            site=self._site,
            # A fixed offset: the scenario counts times of day from its start.
            start=noon.replace(tzinfo=timezone(offset) if offset else UTC),
            hours=24,
            bridges=bridges,
            report_every_s=figures.pumps.report_s.value,
            carers=Carers(hands_s=figures.bedside.hands_s.value),
            pumps=pumps(figures.pumps, seed=seed, setting=self.setting, units=self._units, bridges=bridges),
            figures=figures,
        )

    def night(self, scenario: Scenario) -> tuple[int, int]:
        """Return the night of a scenario, 20:00 to 08:00 local, as instants."""
        begin = scenario.start_ms + scenario.offset_ms("20:00")
        return begin, begin + DAY // 2

    def set(self, name: str, value: float) -> WorldFile:
        """Return another world with one figure changed; its range is widened if the value lies outside it.

        Raises ScenarioError if there is no such figure, or it cannot have this value.
        """
        section, _, key = name.partition(".")
        if name not in self.figures:
            raise ScenarioError(
                (_problem(self.name, name, repr(value), "the name of a figure of this world"),)
            )
        tables: dict[str, dict[str, Any]] = {}
        for dotted, figure in self.figures.items():
            of, _, one = dotted.partition(".")
            tables.setdefault(of, {})[one] = figure.model_dump(exclude_none=True)
        changed = tables[section][key]
        changed["value"] = value
        changed["low"], changed["high"] = min(changed["low"], value), max(changed["high"], value)
        about = {
            "name": self.name,
            "about": self.about,
            "setting": self.setting,
            "zone": self.zone,
            "site": self._site,
            "units": list(self._units),
        }
        return _world(
            about | tables, self.name, sha256(f"{self.digest} {name} = {value!r}".encode()).hexdigest()
        )


def names() -> list[str]:
    """Return the names of the shipped worlds."""
    folder = resources.files("simulators") / "worlds"
    return sorted(
        entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml")
    )


def load(name_or_path: str | Path) -> WorldFile:
    """Read a world by shipped name or by path; raises ScenarioError, naming file, key, value and expected."""
    file, text = _read(str(name_or_path))
    return parse(text, file=file)


def parse(text: str, *, file: str = "world") -> WorldFile:
    """Read a world from TOML text; as `load`."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError((_problem(file, "(whole file)", "", f"TOML; {error}"),)) from None
    return _world(table, file, sha256(text.encode()).hexdigest())


def _world(table: dict[str, Any], file: str, digest: str) -> WorldFile:
    try:
        read = _File.model_validate(table)
    except ValidationError as error:
        raise ScenarioError(tuple(_problems(file, error))) from None
    figures = {
        f"{section}.{key}": figure
        for section in _SECTIONS
        for key in table[section]
        if isinstance(figure := getattr(getattr(read, section), key), Figure)
    }
    return WorldFile(
        name=read.name,
        about=read.about,
        setting=read.setting,
        zone=read.zone,
        digest=digest,
        people=read.people,
        carriers=read.carriers,
        rota=read.rota,
        figures=figures,
        _site=read.site,
        _units=read.units,
        _night=NightFigures(
            pumps=read.pumps, bedside=read.bedside, deliberate=read.deliberate, causes=read.causes
        ),
    )


def _read(name: str) -> tuple[str, str]:
    if name in names():
        return f"{name}.toml", (resources.files("simulators") / "worlds" / f"{name}.toml").read_text("utf-8")
    try:
        return name, Path(name).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError, ValueError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or "not UTF-8"
        expected = f"a readable world file, or one of {', '.join(names())} ({reason})"
        raise ScenarioError((_problem(name, "WORLD", name, expected),)) from None


def _problems(file: str, error: ValidationError) -> list[Problem]:
    found = []
    for one in error.errors(include_url=False):
        key = ".".join(str(step) for step in one["loc"]) or "(world)"
        value = "" if one["type"] == "missing" else repr(one["input"])[:80]
        found.append(_problem(file, key, value, one["msg"].removeprefix("Value error, ")))
    return found


def _problem(file: str, key: str, value: str, expected: str) -> Problem:
    return Problem(file=file, key=key, value=value or "(nothing)", expected=expected)
