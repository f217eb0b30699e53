"""Reads the watch's own file: a small TOML with the tables [watch], [broker] and [carriers.NAME].

The last two are those of a site file, so that a carrier is written the same in both.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import BeforeValidator, Field

from monitor.adapters.zones import zone_table
from monitor.broker_settings import BrokerSettings, broker_settings
from monitor.carrier_settings import CarrierSettings, carrier_settings
from monitor.core.instants import SECOND
from monitor.core.problems import Problem, ProblemsFound
from monitor.sitefile import carrier_checks
from monitor.sitefile.problems import show_value
from monitor.sitefile.reading import Reader, SiteFile, read_toml
from monitor.sitefile.tables import BrokerTable, Level, Prefix, SiteTable, Table, WayTable
from monitor.sitefile.values import duration
from monitor.watch.words import Watched

FAR_TOO_LONG = "10 min"  # by then a pump's trouble has been missed


class WatchTable(Table):
    """[watch]"""

    site: Level = Field(description="the site's name, as in its site file", examples=["larkfield"])
    name: Level = Field(
        "watch", description="this watch's own name, for its login and its messages", examples=["watch"]
    )
    monitor: Level = Field("main", description="the monitor's name, as in its site file", examples=["main"])
    prefix: Prefix = Field(
        "secondbell/v1",
        description="first levels of all topics, as in its site file",
        examples=["secondbell/v1"],
    )
    zone: str = Field(
        description="time zone of the times that it tells, from the tz database", examples=["Europe/London"]
    )
    patience: Annotated[int, BeforeValidator(duration("1 s", FAR_TOO_LONG))] = Field(
        60_000,
        description="how long anything must be wrong before it is told, 1 s to 10 min; by default 60 s",
        examples=["60 s"],
    )
    repeat: Annotated[int, BeforeValidator(duration("1 min", "2 h"))] = Field(
        600_000,
        description="how often it is told again, 1 min to 2 h; by default 10 min",
        examples=["10 min"],
    )
    tell: tuple[WayTable, ...] = Field(
        min_length=1,
        description="the ways to whoever is on call for the monitor: the first that works is used first, all of them "
        "when it is said again",
        examples=[[{"carrier": "pager", "address": "4471"}]],
    )


SECTIONS = {
    "watch": "what is watched, and who is told",
    "broker": "where it listens",
    "carriers": "what tells",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchSettings:
    """Everything that the file says, checked; `tell` are pairs of a carrier's name and an address."""

    path: Path
    watched: Watched
    prefix: str
    patience: int
    broker: BrokerSettings
    carriers: dict[str, CarrierSettings]
    tell: tuple[tuple[str, str], ...]


class _WatchReader(Reader):
    """Takes the tables of a watch's file."""

    sections = SECTIONS
    watch: WatchTable | None = None

    def read(self) -> SiteFile:
        """Its three sections, each by itself."""
        found = self._found
        self._begin()
        self.watch = self._one("watch", WatchTable)
        found.broker = self._one("broker", BrokerTable)
        self._read_carriers()
        if self.watch is not None:
            # What a carrier has to know of the site: its name.
            found.site = SiteTable(name=self.watch.site, setting="ward", zone="UTC", last_resort="-")
        return found


def load(path: Path) -> WatchSettings:
    """The settings; ProblemsFound has every mistake at once."""
    text, data = read_toml(path)
    reader = _WatchReader(SiteFile(path=path, text=text), data)
    found = reader.read()
    watch = reader.watch
    problems = [
        *found.problems,
        *carrier_checks.carriers(found),
        *carrier_checks.broker(found),
        *_watch(found, watch),
    ]
    if problems:
        raise ProblemsFound(problems)
    assert watch is not None
    return WatchSettings(
        path=path,
        watched=Watched(
            site=watch.site,
            monitor=watch.monitor,
            name=watch.name,
            zone=zone_table(watch.zone),
            repeat=watch.repeat,
        ),
        prefix=watch.prefix,
        patience=watch.patience,
        broker=broker_settings(found, f"secondbell-{watch.site}-{watch.name}-of-{watch.monitor}"),
        carriers={name: carrier_settings(found, name) for name in found.carriers},
        tell=tuple((way.carrier, way.address) for way in watch.tell),
    )


def _watch(found: SiteFile, watch: WatchTable | None) -> list[Problem]:
    if watch is None:
        return []
    problems = []
    try:
        zone_table(watch.zone)
    except ValueError:
        wanted = "a zone of the tz database, such as Europe/London"
        problems.append(Problem(found.file, "watch.zone", show_value(watch.zone), wanted))
    for index, way in enumerate(watch.tell):
        key = f"watch.tell[{index}]"
        if way.carrier not in found.written["carriers"]:
            known = ", ".join(sorted(found.written["carriers"])) or "it has none"
            wanted = f"one of the carriers of this file: {known}"
            problems.append(Problem(found.file, f"{key}.carrier", show_value(way.carrier), wanted))
        problems += carrier_checks.address(
            found, found.carriers.get(way.carrier), f"{key}.address", way.address
        )
    slowest = max((carrier.limit for carrier in found.carriers.values()), default=0)
    if slowest > watch.repeat:
        wanted = f"longer than the longest limit of its carriers, {slowest // SECOND} s"
        problems.append(Problem(found.file, "watch.repeat", "", wanted))
    return problems
