"""Scenarios in TOML: who is fed by which pump, how often things go wrong by chance, and what happens when.

`load` takes a shipped name or a path and returns a frozen `Scenario`; everything wrong with it is told at
once, each with file, key, value and what was expected.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import timedelta
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError, model_validator

from simulators.generated import Generated, generate
from simulators.happenings import AnyHappening, BridgeLost, Clock, Several, Word
from simulators.hardware import Hardware, Positive, Share
from simulators.instants import DAY, HOUR, from_datetime, whole_ms
from simulators.world_figures import NightFigures

NotNegative = Annotated[float, Field(ge=0, lt=1_000_000, allow_inf_nan=False)]
Kind = Literal["downstream-occlusion", "upstream-occlusion", "set-misloaded", "sensor-fault", "drive-fault"]


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")


class PumpPlan(_Table):
    """One pump and its feed; *starts* are the times of day at which a fresh feed is begun."""

    id: Word
    place: Annotated[str, Field(min_length=1, max_length=80)]
    unit: Word
    bridge: Word
    rate_ml_h: Annotated[Positive, Field(le=1000)] = 80.0
    target_ml: Positive | None = None
    delivered_ml: NotNegative = 0.0
    container_ml: Positive = 1000.0
    container_left_ml: NotNegative | None = None
    feeding: bool = True
    starts: Several[Clock] = ()
    flush_every_h: Positive | None = None
    flush_ml: Positive = 30.0  # ESPEN guidance
    mains: bool = True
    battery_charge: Share = 1.0
    battery_health: Annotated[Share, Field(gt=0)] = 1.0
    # What a monitor's feeding plan needs; `bolus_ml` is what each of several feeds of a day gives.
    windows: Several[tuple[Clock, Clock]] = ()
    bolus_ml: Positive | None = None
    highest_rate_ml_h: Positive | None = None
    kcal_per_ml: Positive | None = None
    glucose_risk: bool = False
    feed_kind: Literal["closed", "decanted", "powder", "infant"] | None = None
    nurse: Word = "nurse-1"  # who answers by the button at this bedside
    heard: bool = True  # a spare that no bridge has ever heard is listed all the same


class Carers(_Table):
    """How the people at the bedside behave when no happening says otherwise.

    Median and sigma of the lognormal delay until an alarm is cleared: fitted to Vitoux 2018.
    """

    median_s: Positive = 46.0
    sigma: NotNegative = 1.58
    longest_s: Positive | None = None
    mutes_first: Share = 0.25
    leaves_unmended: Share = 0.0
    forgets_restart: Share = 0.0
    forgets_plug: Share = 0.0
    hands_s: Positive = 40.0


class Background(_Table):
    """What goes wrong by chance: causes per hour of feeding, their mix, and beds moved per pump and day."""

    troubles_per_pump_hour: NotNegative = 0.0
    moves_per_pump_day: NotNegative = 0.0
    mix: dict[Kind, NotNegative] = {"downstream-occlusion": 1.0}


class Scenario(_Table):
    """One named and seeded course of events, complete and checked."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,64}$")]
    about: str = ""
    seed: int
    site: Word
    prefix: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,64}(/[A-Za-z0-9_-]{1,64})*$")] = "secondbell/v1"
    start: AwareDatetime
    hours: Annotated[Positive, Field(le=24 * 366)]
    bridges: Annotated[Several[Word], Field(min_length=1)]
    report_every_s: Annotated[Positive, Field(ge=1, le=86_400)] = 60.0
    hardware: Hardware = Hardware()
    carers: Carers = Carers()
    background: Background = Background()
    pumps: Several[PumpPlan]
    happenings: Several[AnyHappening] = ()
    # Only study worlds have these: chance then follows the figures, not `carers` and `background`.
    figures: NightFigures | None = None

    @property
    def start_ms(self) -> int:
        """Return the scenario's own start as an instant."""
        return from_datetime(self.start)

    @property
    def length_ms(self) -> int:
        """Return how long it runs."""
        return whole_ms(self.hours * HOUR)

    @property
    def units(self) -> tuple[str, ...]:
        """Return the units that its pumps are in."""
        return tuple(dict.fromkeys(pump.unit for pump in self.pumps))

    def offset_ms(self, clock: str, day: int = 0) -> int:
        """Return how long after the start the time of day *clock* comes round, *day* days on."""
        hour, minute, second = (int(part) for part in f"{clock}:00".split(":")[:3])
        moment = self.start.replace(hour=hour, minute=minute, second=second, microsecond=0)
        offset = (moment - self.start) // timedelta(milliseconds=1)
        return (offset + DAY if offset < 0 else offset) + day * DAY

    @model_validator(mode="after")
    def _knows_whom_it_names(self) -> Scenario:
        """Refuse a pump listed twice, and a bridge, pump or unit that is not there."""
        known = {pump.id for pump in self.pumps}
        if len(known) != len(self.pumps):
            raise ValueError("every pump id once")
        for pump in self.pumps:
            if pump.bridge not in self.bridges:
                raise ValueError(f"pump {pump.id}: bridge {pump.bridge!r}: one of {', '.join(self.bridges)}")
            # The contract keeps these two names for itself.
            if pump.unit in ("bridge", "monitor"):
                raise ValueError(f"pump {pump.id}: unit {pump.unit!r}: any other name, this one is reserved")
        for place, happening in enumerate(self.happenings):
            if isinstance(happening, BridgeLost):
                if happening.bridge not in self.bridges:
                    raise ValueError(f"happenings.{place}.bridge {happening.bridge!r}: a listed bridge")
            elif happening.pump not in known:
                raise ValueError(f"happenings.{place}.pump {happening.pump!r}: the id of a pump")
        return self


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing wrong with a scenario."""

    file: str
    key: str
    value: str
    expected: str

    def __str__(self) -> str:
        return f"{self.file}: {self.key}: {self.value}: expected {self.expected}"


class ScenarioError(ValueError):
    """A scenario that cannot be used; *problems* lists all that is wrong with it."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = problems


def names() -> list[str]:
    """Return the names of the shipped scenarios."""
    folder = resources.files("simulators") / "scenarios"
    return sorted(
        entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml")
    )


def load(
    name_or_path: str | Path, *, pumps: int | None = None, hours: float | None = None, seed: int | None = None
) -> Scenario:
    """Read a scenario by shipped name or by path; the keywords override what it says.

    More *pumps* than it has are generated, fewer leave out the last and what would happen to them.
    Raises ScenarioError, naming file, key, value and what was expected.
    """
    file, text = _read(str(name_or_path))
    return parse(text, file=file, pumps=pumps, hours=hours, seed=seed)


def parse(
    text: str,
    *,
    file: str = "scenario",
    pumps: int | None = None,
    hours: float | None = None,
    seed: int | None = None,
) -> Scenario:
    """Read a scenario from TOML text; as `load`."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError((_problem(file, "(whole file)", "", f"TOML; {error}"),)) from None
    if hours is not None:
        table["hours"] = hours
    if seed is not None:
        table["seed"] = seed
    try:
        return Scenario.model_validate(_expanded(table, pumps))
    except ValidationError as error:
        raise ScenarioError(_problems(file, error)) from None


def _read(name: str) -> tuple[str, str]:
    if name in names():
        return f"{name}.toml", (resources.files("simulators") / "scenarios" / f"{name}.toml").read_text(
            "utf-8"
        )
    try:
        return name, Path(name).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not UTF-8"
        expected = f"a readable scenario file, or one of {', '.join(names())} ({reason})"
        raise ScenarioError((_problem(name, "SCENARIO", name, expected),)) from None


def _expanded(table: dict[str, Any], wanted: int | None) -> dict[str, Any]:
    """Fill in each pump's unit and bridge, and write out the generated pumps: the model holds them all."""
    units = _strings(table.pop("units", None)) or ["ward"]
    bridges = _strings(table.get("bridges")) or ["bridge-1"]
    generated = Generated.model_validate(table.pop("generate", {}))
    listed = table.pop("pumps", [])
    if not isinstance(listed, list) or not all(isinstance(pump, dict) for pump in listed):
        return table | {"pumps": listed}
    pumps = [{"unit": units[0], "bridge": bridges[0]} | pump for pump in listed]
    total = len(pumps) + generated.count if wanted is None else max(0, wanted)
    for number in range(total - len(pumps)):
        unit, bridge = units[number % len(units)], bridges[number % len(bridges)]
        pumps.append(generate(generated, number, seed=table.get("seed"), unit=unit, bridge=bridge))
    pumps = pumps[:total]
    left_out = {pump.get("id") for pump in listed[total:]}
    happenings = table.get("happenings", [])
    if left_out and isinstance(happenings, list):
        happenings = [
            one for one in happenings if not (isinstance(one, dict) and one.get("pump") in left_out)
        ]
    return table | {"pumps": pumps, "happenings": happenings}


def _strings(value: object) -> list[str]:
    return [entry for entry in value if isinstance(entry, str)] if isinstance(value, list) else []


def _problems(file: str, error: ValidationError) -> tuple[Problem, ...]:
    found = []
    for one in error.errors(include_url=False):
        # The table of generated pumps is checked before the rest, on its own.
        steps = ("generate", *one["loc"]) if error.title == Generated.__name__ else one["loc"]
        key = ".".join(str(step) for step in steps) or "(scenario)"
        value = "" if one["type"] in ("missing", "value_error") else repr(one["input"])[:80]
        found.append(_problem(file, key, value, one["msg"].removeprefix("Value error, ")))
    return tuple(found)


def _problem(file: str, key: str, value: str, expected: str) -> Problem:
    return Problem(file=file, key=key, value=value or "(nothing)", expected=expected)
