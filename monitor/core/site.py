"""What the core knows about a site: units, devices, people, ladders, rota, rules. Frozen; a change is a new one."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from monitor.core import links
from monitor.core.ladders import RECHECK, REPEAT, Ladder
from monitor.core.lines import Path, Place
from monitor.core.messages import Plan
from monitor.core.plans import UTC, Zone
from monitor.core.quiet import Quiet, quiet_until
from monitor.core.rota import Rota
from monitor.core.rulebook import RANK, UNKNOWN, CompiledRule, Rule, resolve

SECOND = 1000
MINUTE = 60 * SECOND

# No 0/O, 1/I/L, 5/S, 8/B, U/V: a code is read off a pager at night and typed on a phone.
CODE_LETTERS = "ACDEFGHJKMNPQRTWXY234679"

DRILL = "drill-"  # begins the names of made-up devices; no pump may be called so
DRILL_RULES = ("unattended", "standing-alarm")  # the first that runs is the one that a drill makes hold


class Reach(NamedTuple):
    """One way to a person: a carrier of the site file, the address there, and when it is not used below high."""

    carrier: str
    address: str
    quiet: Quiet | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who can be told; `called` is a duty label, never a name; `reach` is in order of preference."""

    id: str
    called: str
    reach: tuple[Reach, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceEntry:
    """A device that the site lists: where it stands, its plan, its own thresholds by rule."""

    id: str
    unit: str
    place: str | None = None
    pager_place: str | None = None
    plan: Plan | None = None
    thresholds: Mapping[str, Mapping[str, str | int]] = field(default_factory=dict)


class Standing(NamedTuple):
    """Where a device stands, and which plan is fed with it, as somebody has recorded since (instant, ms UTC).

    It wins over the site file until the file's entry is another than `entry` (unit, place, pager_place, plan).
    `with_plan`: the plan counts too, None being none. `swapped`: a feed goes on with it since then.
    """

    place: str | None
    pager_place: str | None
    since: int
    with_plan: bool
    plan: Plan | None
    swapped: bool
    entry: tuple[object, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """The engine's times in ms; shipped values from the design, each to be set by a site."""

    clock_tolerance: int = 90 * SECOND
    lateness: int = 2 * SECOND
    gather: int = 5 * SECOND
    relapse: int = 30 * MINUTE
    safe_after: int = 60 * SECOND  # feeding this long without a medium or high alarm condition is safe again
    repeat: int = REPEAT
    catch_up: int = 60 * SECOND
    catch_up_quiet: int = 1 * SECOND
    reporting: int = 60 * SECOND  # how often a device is expected to report
    keep_settled: int = 24 * 60 * MINUTE
    give_up: Mapping[str, int] = field(
        default_factory=lambda: {"high": 45 * SECOND, "medium": 120 * SECOND, "low": 120 * SECOND}
    )  # with one carrier, then the next; far below the rung's wait
    recheck: Mapping[str, int] = field(default_factory=lambda: dict(RECHECK))


@dataclass(frozen=True, kw_only=True)
class Site:
    """Everything a site has said, checked."""

    name: str
    key: bytes
    last_resort: str
    prefix: str = "secondbell/v1"
    setting: str = "ward"
    zone: Zone = UTC
    zone_name: str = "UTC"
    units: tuple[str, ...] = ()
    people: Mapping[str, Person] = field(default_factory=dict)
    technical: str | None = None
    carriers: Mapping[str, str] = field(default_factory=dict)  # name -> form of its texts, "mail" or "page"
    ladders: Mapping[tuple[str, str], Ladder] = field(default_factory=dict)  # (unit or "*", priority)
    rota: Rota = field(default_factory=Rota)
    devices: Mapping[str, DeviceEntry] = field(default_factory=dict)
    rules: tuple[Rule, ...] = ()
    thresholds: Mapping[str, Mapping[str, str | int]] = field(default_factory=dict)  # rule -> name -> value
    unit_thresholds: Mapping[str, Mapping[str, Mapping[str, str | int]]] = field(default_factory=dict)
    switched_off: Mapping[str, str] = field(default_factory=dict)  # rule -> reason
    written: Mapping[Path, Place] = field(default_factory=dict)  # where thresholds stand
    base_url: str | None = None  # what links to the phone's page begin with; None: there is no such page
    link_life: int = 12 * 60 * MINUTE
    times: Times = field(default_factory=Times)
    most_notices: int = 10  # below high to one person within the next, ms; common practice, no source
    most_within: int = 10 * MINUTE
    # What is recorded of places since, by device: each engine's own, kept by `places`.
    standing: dict[str, Standing] = field(default_factory=dict, repr=False)
    _compiled: dict[tuple[str, str], tuple[CompiledRule, ...]] = field(default_factory=dict, repr=False)

    def rules_for(self, unit: str, device: str) -> tuple[CompiledRule, ...]:
        """The device rules with the thresholds of site, unit and device, sorted by id."""
        if self.is_drill(device):
            return self.drill_rules()
        unit = (
            unit if unit in self.unit_thresholds else ""
        )  # all other units share theirs, however many are made up
        own = device if (entry := self.devices.get(device)) is not None and entry.thresholds else ""
        if (found := self._compiled.get((unit, own))) is None:
            found = self._compile(unit, own, "device")
            self._compiled[unit, own] = found
        return found

    def unit_rules(self, unit: str) -> tuple[CompiledRule, ...]:
        """The rules about a whole unit."""
        unit = unit if unit in self.unit_thresholds else ""
        if (found := self._compiled.get((unit, "unit:"))) is None:
            found = self._compiled[unit, "unit:"] = self._compile(unit, "", "unit")
        return found

    def rule(self, rule_id: str) -> Rule | None:
        """A rule by id."""
        return next((rule for rule in self.rules if rule.id == rule_id), None)

    def ladder(self, unit: str, priority: str) -> Ladder:
        """Who is told for a unit; an unknown unit's goes straight to the last resort."""
        if unit not in self.units:
            return Ladder((), self.times.repeat)
        for key in ((unit, priority), ("*", priority), (unit, "medium"), ("*", "medium")):
            if key in self.ladders:
                return self.ladders[key]
        return Ladder((), self.times.repeat)

    def place(self, device: str) -> str | None:
        """Where a device stands, if the site has said so."""
        entry = self.entry(device)
        return entry.place if entry else None

    def entry(self, device: str) -> DeviceEntry | None:
        """What is known of a device beforehand: as recorded since, as the site lists it, or as drills make it up."""
        if self.is_drill(device):
            place = f"made-up pump of {device.removeprefix(DRILL)}"
            return DeviceEntry(id=device, unit="", place=place, pager_place=place)
        entry, recorded = self.devices.get(device), self.standing.get(device)
        if recorded is None:
            return entry
        entry = entry or DeviceEntry(id=device, unit="")
        plan = recorded.plan if recorded.with_plan else entry.plan
        return replace(entry, place=recorded.place, pager_place=recorded.pager_place, plan=plan)

    def place_since(self, device: str) -> int | None:
        """Since when the place of a device is recorded, where somebody did that while it ran."""
        recorded = self.standing.get(device)
        return None if recorded is None or recorded.place is None else recorded.since

    def quiet(self, person: str, way: int, now: int) -> int | None:
        """When the quiet hours of a way to a person are over, None outside them; the last resort has none."""
        if person == self.last_resort:
            return None
        return quiet_until(self.people[person].reach[way].quiet, self.zone, now)

    def reachable(self, person: str, rank: int, now: int) -> bool:
        """Whether a person has a way that may be used now for something of this rank: high knows no quiet hours."""
        if (found := self.people.get(person)) is None:
            return False
        if rank == RANK["high"]:
            return True
        return any(self.quiet(person, way, now) is None for way in range(len(found.reach)))

    def is_drill(self, device: str) -> bool:
        """Whether a device is a drill's, made up by us: its trouble is nobody's."""
        return device.startswith(DRILL)

    def drill_device(self, unit: str) -> str:
        """The made-up device of a unit's drills; the level of a topic has room for 64 characters."""
        if len(DRILL) + len(unit) <= 64:
            return DRILL + unit
        return DRILL + hashlib.sha256(unit.encode()).hexdigest()[:32]

    def drill_rules(self) -> tuple[CompiledRule, ...]:
        """The one rule that a drill's made-up device has, with a patience of a second; none if all are switched off."""
        if (found := self._compiled.get(("", DRILL))) is None:
            running = {rule.id: rule for rule in self.rules if rule.id not in self.switched_off}
            chosen = next((running[name] for name in DRILL_RULES if name in running), None)
            found = ()
            if chosen is not None:
                patience = {branch.for_: "1 s" for branch in chosen.when if branch.for_}
                gaps = {branch.bridging: "0 s" for branch in chosen.when if branch.bridging}
                found = (resolve(chosen, home=self.setting == "home", overrides={**patience, **gaps}),)
            self._compiled["", DRILL] = found
        return found

    def called(self, person: str | None) -> str | None:
        """The duty label of a person."""
        if person is None:
            return None
        return self.people[person].called if person in self.people else "somebody no longer listed"

    def opaque(self, kind: str, name: str) -> str:
        """The key under which the trail names a person or device: no name can be read from it."""
        return f"{kind[0]}:{self._mac(f'{kind}|{name}')[:16]}"

    def code(self, concern: str, person: str) -> str:
        """What this person types to answer this concern."""
        number = int(self._mac(f"code|{concern}|{person}"), 16)
        letters = ""
        for _ in range(6):
            number, rest = divmod(number, len(CODE_LETTERS))
            letters += CODE_LETTERS[rest]
        return letters

    def link(self, reference: str, person: str, now: int) -> str | None:
        """The link that opens a concern or a group for this person; None where there is no page to open."""
        if self.base_url is None:
            return None
        opened = links.Link(reference, self.opaque("person", person)[2:], now + self.link_life)
        return f"{self.base_url}/a/{links.made(self.link_key, opened)}"

    @property
    def link_key(self) -> bytes:
        """What links are signed with, and nothing else is."""
        return bytes.fromhex(self._mac("links"))

    def _mac(self, text: str) -> str:
        return hmac.new(self.key, text.encode(), hashlib.sha256).hexdigest()

    def _compile(self, unit: str, device: str, scope: str) -> tuple[CompiledRule, ...]:
        layers: list[tuple[Path, Mapping[str, Mapping[str, str | int]]]] = [
            (("rules",), self.thresholds),
            (("units", unit, "thresholds"), self.unit_thresholds.get(unit, {})),
        ]
        if device:
            layers.append((("devices", device, "thresholds"), self.devices[device].thresholds))
        compiled = []
        for rule in sorted(self.rules, key=lambda rule: rule.id):
            if rule.scope != scope or rule.id in self.switched_off:
                continue
            overrides: dict[str, str | int] = {}
            written: dict[str, Place] = {}
            for path, layer in layers:
                for name, value in layer.get(rule.id, {}).items():
                    overrides[name] = value
                    written[name] = self.written.get((*path, rule.id, name), UNKNOWN)
            home = self.setting == "home"
            compiled.append(resolve(rule, home=home, overrides=overrides, written=written))
        return tuple(compiled)
