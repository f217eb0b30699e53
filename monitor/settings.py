"""From a site file to frozen settings: everything read, everything checked, every mistake said at once."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from importlib.resources.abc import Traversable
from pathlib import Path

from monitor.adapters.zones import zone_table
from monitor.broker_settings import BrokerSettings, broker_settings
from monitor.carrier_settings import CarrierSettings, carrier_settings
from monitor.core.ladders import Ladder, Rung
from monitor.core.lines import Path as KeyPath
from monitor.core.lines import Place, lines_of
from monitor.core.messages import Plan, Window
from monitor.core.problems import Problem, ProblemsFound
from monitor.core.quiet import Quiet
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.core.site import DeviceEntry, Person, Reach, Site, Times
from monitor.core.traces import trace_problems
from monitor.shipped import RuleFile, read_rule_files, shipped_rule_files
from monitor.sitefile.checks import errors_in, folder_problem, rung_wait
from monitor.sitefile.drill_table import DrillTable
from monitor.sitefile.heads_table import HeadsTable, TrailTable
from monitor.sitefile.pages_table import listen_at
from monitor.sitefile.password import PasswordMissing, PasswordSource, read_secret
from monitor.sitefile.reading import SiteFile, Unreadable, read
from monitor.sitefile.second_looks import warnings_in
from monitor.sitefile.shifts_table import SHIFTS, HandoverTable
from monitor.sitefile.tables import PlanTable, ReachTable
from monitor.web.health_settings import HealthSettings
from monitor.web.settings import PagesSettings

__all__ = [
    "BrokerSettings",
    "Examined",
    "PasswordMissing",
    "PasswordSource",
    "Settings",
    "Unreadable",
    "examine",
    "load",
    "read_secret",
    "settings_of",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything that a site file says, checked.

    `digest` is the SHA-256 (hex) of the file's text, of its table of devices and of every rule used, for the trail's
    entry of a config change. `units_called` has the names of units for people.
    """

    site: Site
    broker: BrokerSettings
    carriers: Mapping[str, CarrierSettings]
    state_dir: Path
    monitor_name: str
    path: Path
    digest: str
    units_called: Mapping[str, str] = field(default_factory=dict)
    rota_dir: Path | None = None  # where the calendars of the rota lie
    beside: tuple[Path, ...] = ()  # files and folders that belong to the site file
    pages: PagesSettings | None = None
    health: HealthSettings | None = None
    drills: tuple[DrillTable, ...] = ()
    warnings: tuple[Problem, ...] = ()
    shifts: Mapping[str, tuple[int, int]] = field(default_factory=lambda: dict(SHIFTS))
    handover: HandoverTable = field(default_factory=HandoverTable)
    heads: HeadsTable = field(default_factory=HeadsTable)
    trail: TrailTable = field(default_factory=TrailTable)

    def with_key(self, key: bytes) -> Settings:
        """The same with the site's key, which lies in the state directory that only the file names."""
        return replace(self, site=replace(self.site, key=key, _compiled={}))

    def ways_of_mail(self, person: str) -> list[tuple[str, str]]:
        """Carrier and address of each way of mail to a person, in the order in which they are tried."""
        reach = self.site.people[person].reach
        return [(way.carrier, way.address) for way in reach if self.carriers[way.carrier].kind == "email"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Examined:
    """A site file with all that is wrong with it, and the rules: those that are shipped, and the site's own.

    A rule of the site may have the id of a shipped one that is switched off: it runs in its place.
    """

    found: SiteFile
    shipped: tuple[RuleFile, ...]
    own: tuple[RuleFile, ...]
    errors: tuple[Problem, ...]
    warnings: tuple[Problem, ...]

    @property
    def rules(self) -> tuple[RuleFile, ...]:
        """All rules, but for the shipped ones in whose place one of the site runs."""
        return (*(file for file in self.shipped if file.rule.id not in self.replaced), *self.own)

    @property
    def replaced(self) -> frozenset[str]:
        """The ids of the shipped rules that are switched off and have one of the site in their place."""
        return frozenset(file.rule.id for file in self.shipped) & {file.rule.id for file in self.own}


def unusable(settings: Settings) -> list[Problem]:
    """Carriers, and a login at the broker, that cannot be had as the file says, found by trying; nothing connects.

    Such as an environment variable that is not set here: `check` runs elsewhere, and cannot know.
    """
    parts: dict[str, Callable[[], object]] = {
        "broker": lambda: (settings.broker.read_password(), settings.broker.tls_context()),
        **{f"carriers.{name}": carrier.carrier for name, carrier in settings.carriers.items()},
    }
    problems = []
    for key, make in parts.items():
        try:
            make()
        except (PasswordMissing, OSError, ValueError) as error:
            problems.append(Problem(str(settings.path), key, "", f"what it needs: {error}"))
    return problems


def load(path: Path, *, key: bytes) -> Settings:
    """The settings of a site; ProblemsFound has every error at once (Unreadable: not even TOML).

    `key` is the site's secret (see `lockfile.site_key`): what codes and the trail's names are made with. Where it
    lies is known only from the file, so load with b"" first and use `Settings.with_key`.
    """
    examined = examine(path)
    if examined.errors:
        raise ProblemsFound(examined.errors)
    return settings_of(examined, key=key)


def examine(path: Path, package: Traversable | None = None) -> Examined:
    """Read and check a site file with the shipped rules and its own; Unreadable if it is not even TOML.

    `package` is where the package with the shipped rules lies, by default this one.
    """
    found = read(path)
    shipped: list[RuleFile] = []
    rule_errors: list[Problem] = []
    try:
        shipped = shipped_rule_files(package)
    except ProblemsFound as error:
        rule_errors += error.problems
    except OSError as error:
        rule_errors.append(Problem("rules", "", "", f"the shipped rules are not there: {error}"))
    own, own_errors, all_known = _own_rules(found, shipped)
    by_id = {file.rule.id: file.rule for file in [*shipped, *own]} if shipped else {}
    return Examined(
        found=found,
        shipped=tuple(shipped),
        own=tuple(own),
        errors=(*found.problems, *rule_errors, *own_errors, *errors_in(found, by_id, all_known=all_known)),
        warnings=tuple(
            warnings_in(found, by_id, replaced={f.rule.id for f in shipped} & {f.rule.id for f in own})
        ),
    )


def _own_rules(found: SiteFile, shipped: list[RuleFile]) -> tuple[list[RuleFile], list[Problem], bool]:
    """The site's further rules, what is wrong with them, and whether every id is known that they have.

    A rule that its own traces contradict does not run.
    """
    if found.site is None or found.site.rules_dir is None:
        return [], [], found.site is not None
    folder = found.beside(found.site.rules_dir)
    if wrong := folder_problem(found, found.site.rules_dir, folder):
        return [], wrong, False
    try:
        files, problems = read_rule_files(sorted(folder.iterdir()), str(folder))
    except OSError as error:
        return [], [Problem(str(folder), "", "", f"cannot be read: {error.strerror}")], False
    for file in files:
        file.rule.belongs_to("site's")
    all_known = not problems
    off = {name for name, table in found.rules.items() if table.off is not None}
    taken = {file.rule.id: file.file for file in shipped if file.rule.id not in off}
    good = []
    for file in files:
        rule = file.rule
        if (first := taken.setdefault(rule.id, file.file)) != file.file:
            wanted = (
                f"an id of its own, {first} has it; to change that rule set its thresholds, or switch it off"
            )
            problems.append(Problem(file.file, "id", repr(rule.id), wanted))
            continue
        if "off" in rule.thresholds:
            wanted = "another name: in a site file, off switches the rule off"
            problems.append(Problem(file.file, "thresholds.off", "", wanted))
        problems += trace_problems(rule, file.file)
        good.append(file)
    return good, problems, all_known


def settings_of(examined: Examined, *, key: bytes) -> Settings:
    """The settings of a site in which nothing is wrong."""
    found = examined.found
    table = found.site
    assert table is not None
    return Settings(
        site=_site(examined, key),
        broker=broker_settings(found, f"secondbell-{table.name}-{table.monitor}"),
        carriers={name: carrier_settings(found, name) for name in found.carriers},
        state_dir=found.beside(table.state_dir),
        monitor_name=table.monitor,
        path=found.path,
        digest=_digest(examined),
        units_called={name: unit.called or name for name, unit in found.units.items()},
        rota_dir=None if table.rota_dir is None else found.beside(table.rota_dir),
        beside=tuple(found.beside(name) for name in (table.devices_csv, table.rules_dir) if name is not None),
        pages=_pages(found),
        health=None if found.health is None else HealthSettings(**listen_at(found.health.listen)._asdict()),
        drills=tuple(found.drills.values()),
        warnings=examined.warnings,
        shifts={name: (shift.start, shift.end) for name, shift in found.shifts.items()} or dict(SHIFTS),
        handover=found.handover,
        heads=found.heads,
        trail=found.trail,
    )


def _pages(found: SiteFile) -> PagesSettings | None:
    if (table := found.pages) is None:
        return None
    at = listen_at(table.listen)
    return PagesSettings(
        host=at.host,
        port=at.port,
        cert_file=None if table.cert_file is None else found.beside(table.cert_file),
        key_file=None if table.key_file is None else found.beside(table.key_file),
        proxies=table.proxies,
        codes=table.codes,
    )


def _digest(examined: Examined) -> str:
    """Changes whenever the file, its table of devices or a rule does; the lengths keep the texts apart."""
    digest = hashlib.sha256()
    for text in (examined.found.text, examined.found.csv_text, *(file.text for file in examined.rules)):
        content = text.encode()
        digest.update(len(content).to_bytes(8, "big") + content)
    return digest.hexdigest()


def _site(examined: Examined, key: bytes) -> Site:
    found, replaced = examined.found, examined.replaced
    table, times = found.site, found.times
    assert table is not None
    return Site(
        name=table.name,
        key=key,
        last_resort=table.last_resort,
        prefix=table.prefix,
        setting=table.setting,
        zone=zone_table(table.zone),
        zone_name=table.zone,
        units=tuple(found.units),
        people={
            name: Person(
                id=name,
                called=person.called,
                reach=tuple(_reach(way) for way in person.reach),
            )
            for name, person in found.people.items()
        },
        technical=table.technical,
        carriers={name: carrier.form for name, carrier in found.carriers.items()},
        ladders={
            (ladder.unit, ladder.priority): Ladder(
                tuple(Rung(rung.tell, rung_wait(ladder, rung.wait)) for rung in ladder.rungs),
                ladder.repeat or times.repeat,
            )
            for ladder in found.ladders.values()
        },
        rota=Rota(
            Span(
                duty.person, duty.role, duty.unit, duty.begin or 0, FOR_EVER if duty.end is None else duty.end
            )
            for duty in found.duty.values()
        ),
        devices={
            name: DeviceEntry(
                id=name,
                unit=device.unit,
                place=device.place,
                pager_place=device.pager_place,
                plan=None if device.plan is None else _plan(device.plan),
                thresholds=device.thresholds or NO_THRESHOLDS,
            )
            for name, device in found.devices.items()
        },
        rules=tuple(file.rule for file in examined.rules),
        thresholds={name: rule.model_extra for name, rule in found.rules.items() if rule.model_extra},
        unit_thresholds={name: unit.thresholds for name, unit in found.units.items() if unit.thresholds},
        written=_written(found),
        switched_off={
            name: rule.off
            for name, rule in found.rules.items()
            if rule.off is not None and name not in replaced
        },
        base_url=None if found.pages is None else found.pages.base_url,
        link_life=Site.link_life if found.pages is None else found.pages.link_life,
        most_notices=found.load.notices,
        most_within=found.load.within,
        times=Times(
            clock_tolerance=times.clock_tolerance,
            lateness=times.lateness,
            gather=times.gather,
            relapse=times.relapse,
            safe_after=times.safe_after,
            repeat=times.repeat,
            catch_up=times.catch_up,
            catch_up_quiet=times.catch_up_quiet,
            reporting=times.reporting,
            keep_settled=times.keep_settled,
            give_up=times.give_up.model_dump(),
            recheck=times.recheck.model_dump(),
        ),
    )


def _reach(way: ReachTable) -> Reach:
    quiet = None if way.quiet is None else Quiet(way.quiet.start, way.quiet.end)
    return Reach(way.carrier, way.address, quiet)


def _written(found: SiteFile) -> dict[KeyPath, Place]:
    """Where each threshold of the file stands: on a line that is not known if it is written as no reader follows."""
    paths: list[KeyPath] = [
        ("rules", rule, name) for rule, table in found.rules.items() for name in table.model_extra or ()
    ]
    for section, tables in (("units", found.units), ("devices", found.devices)):
        paths += [
            (section, owner, "thresholds", rule, name)
            for owner, entry in tables.items()
            for rule, values in entry.thresholds.items()
            for name in values
        ]
    if not paths:
        return {}  # a large file is not read again for nothing
    lines = lines_of(found.text)
    return {path: Place(found.path.name, lines.get(path)) for path in paths}


def _plan(table: PlanTable) -> Plan:
    return Plan(
        windows=tuple(Window(window.start, window.end, window.rate_ml_h) for window in table.windows),
        target_ml=table.target_ml,
        rate_ml_h=table.rate_ml_h,
        max_rate_ml_h=table.highest_rate_ml_h,
        kcal_per_ml=table.kcal_per_ml,
        glucose_risk=table.glucose_risk,
        feed_kind=table.feed_kind,
        container_hung=table.container_hung,
        set_hung=table.set_hung,
    )


NO_THRESHOLDS: Mapping[str, Mapping[str, str | int]] = {}  # one for all devices without any of their own
