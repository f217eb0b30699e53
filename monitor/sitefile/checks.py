"""What must be right between the tables of a site file: one function a subject, each giving the mistakes it finds."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from monitor.adapters.zones import zone_table
from monitor.core.instants import show_duration
from monitor.core.ladders import WAIT
from monitor.core.problems import Problem
from monitor.core.rulebook import Rule, override_problem
from monitor.sitefile import carrier_checks
from monitor.sitefile.drill_doubts import drill_mistakes
from monitor.sitefile.handover_checks import handover_mistakes
from monitor.sitefile.pages_table import pages_errors
from monitor.sitefile.problems import show_value
from monitor.sitefile.reading import SiteFile
from monitor.sitefile.tables import LadderTable

Rules = Mapping[str, Rule]


def errors_in(found: SiteFile, rules: Rules, *, all_known: bool = True) -> list[Problem]:
    """Every mistake between the tables; those within a table are in `found.problems`.

    `all_known` False: there are rules of the site that cannot be read, which may be those that a table names.
    """
    checks = (
        _site(found),
        carrier_checks.broker(found),
        carrier_checks.carriers(found),
        _people(found),
        _ladders(found),
        _roles(found),
        waits(found),
        _duty(found),
        _devices(found),
        _rules(found, rules, all_known),
        _times(found),
        _heads(found),
        pages_errors(found),
        drill_mistakes(found),
        handover_mistakes(found),
    )
    return [problem for check in checks for problem in check]


def rung_wait(ladder: LadderTable, wait: int | None) -> int:
    """How long a rung has, in ms: as said, else as shipped; low climbs no further, so it has none."""
    return wait if wait is not None else WAIT.get(ladder.priority, 0)


def ladder_for(found: SiteFile, unit: str, priority: str) -> tuple[int, LadderTable] | None:
    """The ladder that a unit's concerns of a priority climb, as `Site.ladder` chooses, with its place in the file."""
    for wanted in ((unit, priority), ("*", priority), (unit, "medium"), ("*", "medium")):
        for index, ladder in found.ladders.items():
            if (ladder.unit, ladder.priority) == wanted:
                return index, ladder
    return None


def threshold_tables(found: SiteFile) -> Iterator[tuple[str, str, str, object, bool]]:
    """Every threshold set anywhere: its table's key, rule, name, value, and whether it is for one device only."""
    for rule, table in found.rules.items():
        for name, value in (table.model_extra or {}).items():
            yield f"rules.{rule}", rule, name, value, False
    for section, tables in (("units", found.units), ("devices", found.devices)):
        for owner, entry in tables.items():
            for rule, values in entry.thresholds.items():
                for name, value in values.items():
                    yield f"{section}.{owner}.thresholds.{rule}", rule, name, value, section == "devices"


def _one_of(what: str, known: Iterable[str]) -> str:
    names = ", ".join(sorted(known))
    return (
        f"one of the {what} of this file: {names}"
        if names
        else f"one of the {what} of this file; it has none"
    )


def _unit(
    found: SiteFile, key: str, unit: str, *, all_units: bool, file: str | None = None
) -> Iterator[Problem]:
    known = found.written["units"]
    if unit in known or (all_units and unit == "*"):
        return
    wanted = _one_of("units", known) + (', or "*"' if all_units else "")
    yield Problem(file or found.file, key, show_value(unit), wanted)


def _person(found: SiteFile, key: str, person: str, shown: str | None = None) -> Iterator[Problem]:
    if person not in found.written["people"]:
        value = show_value(person if shown is None else shown)
        yield Problem(found.file, key, value, _one_of("people", found.written["people"]))


def _site(found: SiteFile) -> Iterator[Problem]:
    site = found.site
    if site is None:
        return
    for key, person in (("last_resort", site.last_resort), ("technical", site.technical)):
        if person is not None:
            yield from _person(found, f"site.{key}", person)
    last = found.people.get(site.last_resort)
    if last is not None and not last.reach:
        wanted = f"a person who can be reached; {site.last_resort} has no reach"
        yield Problem(found.file, "site.last_resort", show_value(site.last_resort), wanted)
    try:
        zone_table(site.zone)
    except ValueError:
        wanted = "a zone of the tz database, such as Europe/London"
        yield Problem(found.file, "site.zone", show_value(site.zone), wanted)
    if found.beside(site.state_dir).exists() and not found.beside(site.state_dir).is_dir():
        yield Problem(found.file, "site.state_dir", show_value(site.state_dir), "a folder; this is a file")


def _heads(found: SiteFile) -> Iterator[Problem]:
    """Whoever gets the trail's heads has to have mail: they are kept, and compared later."""
    if (person := found.heads.to) is None:
        return
    yield from _person(found, "heads.to", person)
    if person not in found.people or "carriers" in found.broken:
        return
    if not carrier_checks.has_mail(found, person):
        yield Problem(found.file, "heads.to", show_value(person), 'a person with a way of kind = "email"')


def _people(found: SiteFile) -> Iterator[Problem]:
    taken: dict[tuple[str, str], str] = {}
    for person, entry in found.people.items():
        if not entry.reach:
            yield Problem(found.file, f"people.{person}.reach", "", "at least one way to this person")
        for index, way in enumerate(entry.reach):
            key = f"people.{person}.reach[{index}]"
            if way.carrier not in found.written["carriers"]:
                wanted = _one_of("carriers", found.written["carriers"])
                yield Problem(found.file, f"{key}.carrier", show_value(way.carrier), wanted)
            carrier = found.carriers.get(way.carrier)
            yield from carrier_checks.address(found, carrier, f"{key}.address", way.address)
            if (first := taken.setdefault((way.carrier, way.address.casefold()), key)) != key:
                wanted = f"an address of its own; it is also {first}"
                yield Problem(found.file, f"{key}.address", show_value(way.address), wanted)


def _ladders(found: SiteFile) -> Iterator[Problem]:
    seen: dict[tuple[str, str], int] = {}
    for index, ladder in found.ladders.items():
        key = f"ladders[{index}]"
        yield from _unit(found, f"{key}.unit", ladder.unit, all_units=True)
        if (first := seen.setdefault((ladder.unit, ladder.priority), index)) != index:
            wanted = f"one ladder for each unit and priority; ladders[{first}] is for {ladder.unit} too"
            yield Problem(found.file, f"{key}.priority", show_value(ladder.priority), wanted)
        for number, rung in enumerate(ladder.rungs):
            for place, entry in enumerate(rung.tell):
                where = f"{key}.rungs[{number}].tell[{place}]"
                kind, _, name = entry.partition(":")
                if kind == "person" and name:
                    yield from _person(found, where, name, entry)
                elif kind != "role" or not name:
                    yield Problem(found.file, where, show_value(entry), '"role:ROLE" or "person:ID"')


def _roles(found: SiteFile) -> Iterator[Problem]:
    """Roles that a ladder names and nobody has, for the units that climb it."""
    if found.broken & {"duty", "ladders"} or found.site is None or found.site.rota_dir is not None:
        return  # what is wrong there may be all that is wrong; a rota has roles too, and its holes are listed
    climbed: dict[int, list[str]] = {}
    for unit in sorted(found.written["units"]):
        for priority in ("high", "medium", "low"):
            if (chosen := ladder_for(found, unit, priority)) is not None and unit not in climbed.setdefault(
                chosen[0], []
            ):
                climbed[chosen[0]].append(unit)
    for index, ladder in found.ladders.items():
        for number, rung in enumerate(ladder.rungs):
            for place, entry in enumerate(rung.tell):
                if not entry.startswith("role:") or entry == "role:":
                    continue
                role = entry.removeprefix("role:")
                units = {duty.unit for duty in found.duty.values() if duty.role == role}
                lacking = [unit for unit in climbed.get(index, []) if not units & {"*", unit}]
                where = f"ladders[{index}].rungs[{number}].tell[{place}]"
                if not units:
                    wanted = "a role that somebody has under [[duty]]; nobody has this one"
                    yield Problem(found.file, where, show_value(entry), wanted)
                elif lacking:
                    wanted = f"a role that somebody has; nobody has it for {', '.join(lacking)}"
                    yield Problem(found.file, where, show_value(entry), wanted)


def waits(found: SiteFile) -> Iterator[Problem]:
    """Waits that are over before all ways to a person can have been tried, each until it is given up."""
    give_up = found.times.give_up.model_dump()
    for index, ladder in found.ladders.items():
        if ladder.priority == "low":
            continue  # its waits are not used
        for number, rung in enumerate(ladder.rungs):
            wait = rung_wait(ladder, rung.wait)
            slow: tuple[int, str] = (0, "")
            for person in _told_by(found, ladder, rung.tell):
                ways = [
                    found.carriers[way.carrier]
                    for way in found.people[person].reach
                    if way.carrier in found.carriers
                ]
                slow = max(slow, (sum(give_up[ladder.priority] + way.limit for way in ways), person))
            if slow[0] >= wait:
                wanted = (
                    f"longer than {show_duration(slow[0])}, which is times.give_up.{ladder.priority} and the limit "
                    f"of each way to {slow[1]}, together"
                )
                shown = show_duration(wait)
                yield Problem(found.file, f"ladders[{index}].rungs[{number}].wait", show_value(shown), wanted)


def _told_by(found: SiteFile, ladder: LadderTable, tell: Iterable[str]) -> list[str]:
    people = set()
    for entry in tell:
        kind, _, name = entry.partition(":")
        if kind == "person":
            people.add(name)
        for duty in found.duty.values():
            if (
                kind == "role"
                and duty.role == name
                and (ladder.unit == "*" or duty.unit in ("*", ladder.unit))
            ):
                people.add(duty.person)
    return sorted(people & set(found.people))


def _duty(found: SiteFile) -> Iterator[Problem]:
    for index, duty in found.duty.items():
        yield from _person(found, f"duty[{index}].person", duty.person)
        yield from _unit(found, f"duty[{index}].unit", duty.unit, all_units=True)
        if duty.begin is not None and duty.end is not None and duty.end <= duty.begin:
            yield Problem(found.file, f"duty[{index}].to", "", "later than from")


def _devices(found: SiteFile) -> Iterator[Problem]:
    for device, entry in found.devices.items():
        file, key = found.of_device(device, "unit")
        yield from _unit(found, key, entry.unit, all_units=False, file=file)
        if (plan := entry.plan) is None or (highest := plan.highest_rate_ml_h) is None:
            continue
        rates = [("plan.rate_ml_h", plan.rate_ml_h)]
        rates += [
            (f"plan.windows[{index}].rate_ml_h", window.rate_ml_h)
            for index, window in enumerate(plan.windows)
        ]
        for name, rate in rates:
            if rate is not None and rate > highest:
                wanted = f"at most highest_rate_ml_h, {highest:g}"
                yield Problem(*found.of_device(device, name), f"{rate:g}", wanted)


def _rules(found: SiteFile, rules: Rules, all_known: bool) -> Iterator[Problem]:
    if not rules:
        return  # that no rule could be read is said already
    known = ", ".join(sorted(rules))
    tables = [f"rules.{rule}" for rule in found.rules]
    for section, entries in (("units", found.units), ("devices", found.devices)):
        for owner, entry in entries.items():
            tables += [f"{section}.{owner}.thresholds.{rule}" for rule in entry.thresholds]
    for table in tables:
        if all_known and table.rpartition(".")[2] not in rules:
            yield Problem(found.file, table, "", f"no such rule; known are {known}")
    for table, rule, name, value, of_device in threshold_tables(found):
        if rule not in rules:
            continue
        if of_device and rules[rule].scope == "unit":
            wanted = "a unit or [rules] to stand in: this rule is about a whole unit"
            yield Problem(found.file, f"{table}.{name}", show_value(value), wanted)
        elif (wrong := override_problem(rules[rule], name, value)) is not None:
            yield Problem(found.file, f"{table}.{name}", show_value(value), wrong)


def _times(found: SiteFile) -> Iterator[Problem]:
    times = found.times
    if times.keep_settled < times.relapse:
        wanted = f"at least relapse, {show_duration(times.relapse)}"
        yield Problem(found.file, "times.keep_settled", show_value(show_duration(times.keep_settled)), wanted)


def folder_problem(found: SiteFile, name: str, folder: Path) -> list[Problem]:
    """A rules folder that is not there."""
    if folder.is_dir():
        return []
    return [Problem(found.file, "site.rules_dir", show_value(name), f"a folder; there is none at {folder}")]
