"""From a site file to frozen settings: everything read, everything checked, every mistake said at once."""

from __future__ import annotations

import hashlib
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Literal

from monitor.adapters.carriers import Carrier
from monitor.adapters.email import EmailCarrier, Security
from monitor.adapters.mqtt import BrokerAddress
from monitor.adapters.snpp import SnppCarrier
from monitor.adapters.zones import zone_table
from monitor.core.ladders import Ladder, Rung
from monitor.core.lines import Path as KeyPath
from monitor.core.lines import Place, lines_of
from monitor.core.messages import Plan, Window
from monitor.core.problems import Problem, ProblemsFound
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.core.site import DeviceEntry, Person, Reach, Site, Times
from monitor.core.traces import trace_problems
from monitor.shipped import RuleFile, read_rule_files, shipped_rule_files
from monitor.sitefile.checks import errors_in, folder_problem, password_source, rung_wait
from monitor.sitefile.password import PasswordMissing, PasswordSource, read_secret
from monitor.sitefile.reading import SiteFile, Unreadable, read
from monitor.sitefile.second_looks import warnings_in
from monitor.sitefile.tables import EmailTable, PlanTable
from monitor.sitefile.values import broker_url

__all__ = [
    "BrokerSettings",
    "EmailSettings",
    "Examined",
    "PasswordMissing",
    "PasswordSource",
    "Settings",
    "SnppSettings",
    "Unreadable",
    "examine",
    "load",
    "read_secret",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSettings:
    """How to reach the broker; `ca_file` None trusts the system's certificates."""

    addresses: tuple[BrokerAddress, ...]
    tls: bool
    client_id: str
    username: str | None
    password: PasswordSource | None
    ca_file: Path | None
    protocol: Literal["3.1.1", "5"]

    def tls_context(self) -> ssl.SSLContext | None:
        """The context for MqttLink, None for plain TCP; OSError if `ca_file` holds no certificates."""
        return ssl.create_default_context(cafile=self.ca_file) if self.tls else None

    def read_password(self) -> str | None:
        """The password, read now; PasswordMissing if it is not where the site file says."""
        return None if self.password is None else read_secret(self.password)


@dataclass(frozen=True, slots=True, kw_only=True)
class EmailSettings:
    """A carrier of mail; `limit` is in ms and bounds one attempt."""

    kind: Literal["email"] = "email"
    name: str
    host: str
    port: int
    security: Security
    sender: str
    username: str | None
    password: PasswordSource | None
    ca_file: Path | None
    limit: int

    def carrier(self) -> Carrier:
        """The carrier, its password read now; PasswordMissing, or OSError if `ca_file` holds no certificates."""
        return EmailCarrier(
            self.host,
            self.port,
            self.sender,
            self.security,
            self.username,
            None if self.password is None else read_secret(self.password),
            self.limit / 1000,
            None if self.ca_file is None else ssl.create_default_context(cafile=self.ca_file),
            name=self.name,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SnppSettings:
    """A carrier of pages; `limit` is in ms and bounds one attempt."""

    kind: Literal["snpp"] = "snpp"
    name: str
    host: str
    port: int
    level: Literal[1, 2]
    login: str | None
    password: PasswordSource | None
    limit: int

    def carrier(self) -> Carrier:
        """The carrier, its password read now; PasswordMissing, or ValueError for one with blanks in it."""
        password = None if self.password is None else read_secret(self.password)
        return SnppCarrier(
            self.host, self.port, self.level, self.login, password, self.limit / 1000, name=self.name
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything that a site file says, checked.

    `digest` is the SHA-256 (hex) of the file's text, of its table of devices and of every rule used, for the trail's
    entry of a config change. `units_called` has the names of units for people.
    """

    site: Site
    broker: BrokerSettings
    carriers: Mapping[str, EmailSettings | SnppSettings]
    state_dir: Path
    monitor_name: str
    path: Path
    digest: str
    units_called: Mapping[str, str] = field(default_factory=dict)
    warnings: tuple[Problem, ...] = ()

    def with_key(self, key: bytes) -> Settings:
        """The same with the site's key, which lies in the state directory that only the file names."""
        return replace(self, site=replace(self.site, key=key, _compiled={}))


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


def load(path: Path, *, key: bytes) -> Settings:
    """The settings of a site; ProblemsFound has every error at once (Unreadable: not even TOML).

    `key` is the site's secret (see `lockfile.site_key`): what codes and the trail's names are made with. Where it
    lies is known only from the file, so load with b"" first and use `Settings.with_key`.
    """
    examined = examine(path)
    if examined.errors:
        raise ProblemsFound(examined.errors)
    return _settings(examined, key)


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


def _settings(examined: Examined, key: bytes) -> Settings:
    found = examined.found
    table, broker = found.site, found.broker
    assert table is not None
    assert broker is not None
    urls = [broker_url(address) for address in broker.addresses]
    return Settings(
        site=_site(examined, key),
        broker=BrokerSettings(
            addresses=tuple(BrokerAddress(url.host, url.port) for url in urls),
            tls=urls[0].tls,
            client_id=broker.client_id or f"secondbell-{table.name}-{table.monitor}",
            username=broker.username,
            password=password_source(found, broker),
            ca_file=None if broker.ca_file is None else found.beside(broker.ca_file),
            protocol=broker.protocol,
        ),
        carriers={name: _carrier(found, name) for name in found.carriers},
        state_dir=found.beside(table.state_dir),
        monitor_name=table.monitor,
        path=found.path,
        digest=_digest(examined),
        units_called={name: unit.called or name for name, unit in found.units.items()},
        warnings=examined.warnings,
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
                reach=tuple(Reach(way.carrier, way.address) for way in person.reach),
            )
            for name, person in found.people.items()
        },
        technical=table.technical,
        carriers={name: FORM[carrier.kind] for name, carrier in found.carriers.items()},
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

FORM: Mapping[str, Literal["mail", "page"]] = {"email": "mail", "snpp": "page"}
"""Which text a kind of carrier carries: the whole notice, or the few words of a page."""

# RFC 6409 §3.1 (587), RFC 8314 §7.3 (465), RFC 5321 §4.5.4.2 (25)
_MAIL_PORT: dict[str, int] = {"starttls": 587, "tls": 465, "none": 25}


def _carrier(found: SiteFile, name: str) -> EmailSettings | SnppSettings:
    table = found.carriers[name]
    password = password_source(found, table)
    if isinstance(table, EmailTable):
        return EmailSettings(
            name=name,
            host=table.host,
            port=table.port or _MAIL_PORT[table.security],
            security=table.security,
            sender=table.sender,
            username=table.username,
            password=password,
            ca_file=None if table.ca_file is None else found.beside(table.ca_file),
            limit=table.limit,
        )
    return SnppSettings(
        name=name,
        host=table.host,
        port=table.port,
        level=table.level,
        login=table.login,
        password=password,
        limit=table.limit,
    )
