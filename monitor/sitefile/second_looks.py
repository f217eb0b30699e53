"""What is allowed in a site file and yet worth a second look: the service starts, and says so."""

from __future__ import annotations

import os
from collections.abc import Container, Iterator, Mapping

from monitor.core.instants import show_duration
from monitor.core.problems import Problem
from monitor.core.rulebook import Quantity, Rule
from monitor.sitefile.carrier_checks import password_source
from monitor.sitefile.checks import Rules, ladder_for, threshold_tables
from monitor.sitefile.drill_doubts import drill_doubts
from monitor.sitefile.password import exposed
from monitor.sitefile.plan_doubts import Doubt, plan_doubts
from monitor.sitefile.problems import show_value
from monitor.sitefile.quiet_doubts import quiet_doubts
from monitor.sitefile.reading import SiteFile
from monitor.sitefile.tables import Hidden
from monitor.sitefile.values import LONGEST_PAGER_PLACE, broker_url


def warnings_in(
    found: SiteFile,
    rules: Rules,
    environ: Mapping[str, str] | None = None,
    *,
    replaced: Container[str] = (),
) -> list[Problem]:
    """Everything worth a second look in the tables that are right in themselves.

    `replaced` are shipped rules that are switched off and have one of the site in their place.
    """
    environ = os.environ if environ is None else environ
    checks = (
        _site(found),
        _logins(found, environ),
        _people(found),
        _ladders(found),
        _devices(found),
        _rules(found, rules, replaced),
        drill_doubts(found),
        quiet_doubts(found),
    )
    return [problem for check in checks for problem in check]


def _site(found: SiteFile) -> Iterator[Problem]:
    if found.site is not None and found.site.technical is None:
        yield Problem(
            found.file,
            "site.technical",
            "",
            "nobody is named to be told when Second Bell itself cannot see, send or store: the last resort is",
        )
    if not found.written["units"]:
        yield Problem(
            found.file, "units", "", "no unit is named: every concern goes straight to the last resort"
        )


def _logins(found: SiteFile, environ: Mapping[str, str]) -> Iterator[Problem]:
    if (broker := found.broker) is not None:
        plain = not broker_url(broker.addresses[0]).tls
        yield from _password(found, "broker", broker, plain, environ)
    for name, carrier in found.carriers.items():
        yield from _password(found, f"carriers.{name}", carrier, carrier.unprotected, environ)


def _password(
    found: SiteFile, key: str, login: Hidden, plain: bool, environ: Mapping[str, str]
) -> Iterator[Problem]:
    source = password_source(found, login)
    if source is None:
        return
    which = f"{key}.{login.hidden[0]}_{'file' if source.file is not None else 'env'}"
    if source.file is not None and (mode := exposed(source.file)) is not None:
        yield Problem(
            found.file, which, "", f"others may read {source.file} (mode {mode:04o}); chmod 0600 it"
        )
    if source.env is not None and source.env not in environ:
        yield Problem(found.file, which, "", f"the environment variable {source.env} is not set here and now")
    if plain:
        yield Problem(
            found.file, which, "", "this password travels unprotected: anybody on the way can read it"
        )


def _people(found: SiteFile) -> Iterator[Problem]:
    called: dict[str, str] = {}
    for person, entry in found.people.items():
        if len(ways := {way.carrier for way in entry.reach}) == 1:
            wanted = f"one way only: when {ways.pop()} fails, {entry.called} is not told"
            yield Problem(found.file, f"people.{person}.reach", "", wanted)
        if (first := called.setdefault(entry.called.casefold(), person)) != person:
            wanted = f"{first} is called the same: others cannot tell them apart"
            yield Problem(found.file, f"people.{person}.called", show_value(entry.called), wanted)


def _ladders(found: SiteFile) -> Iterator[Problem]:
    for unit in sorted(found.written["units"]) if "ladders" not in found.broken else ():
        high, medium = (ladder_for(found, unit, priority) for priority in ("high", "medium"))
        if high is None and medium is None:
            yield Problem(
                found.file, "ladders", "", f"none for {unit}: its concerns go straight to the last resort"
            )
        elif medium is None:
            wanted = f"none of medium for {unit}: such concerns go straight to the last resort"
            yield Problem(found.file, "ladders", "", wanted)
        elif high is not None and high[1].priority != "high":
            wanted = f"none of high for {unit}: medium's is used, with its waits"
            yield Problem(found.file, "ladders", "", wanted)
    for index, ladder in found.ladders.items():
        for number, rung in enumerate(ladder.rungs):
            key = f"ladders[{index}].rungs[{number}].wait"
            if rung.wait is None:
                continue
            shown = show_value(show_duration(rung.wait))
            if ladder.priority == "low":
                yield Problem(found.file, key, shown, "not used: a low concern goes to its first rung only")


def _devices(found: SiteFile) -> Iterator[Problem]:
    pagers = any(carrier.form == "page" for carrier in found.carriers.values())
    places: dict[str, str] = {}
    doubts: dict[int, list[Doubt]] = {}  # of a table of devices, many have the same plan
    for device, entry in found.devices.items():
        if entry.place is None:
            yield _of(found, device, "place", "", 'none: notices say "place not recorded"')
        elif pagers and entry.pager_place is None:
            yield _of(found, device, "pager_place", "", f"none: pages say {device} instead of where it is")
        if entry.place is not None and (first := places.setdefault(entry.place.casefold(), device)) != device:
            wanted = f"{first} is said to stand there too"
            yield _of(found, device, "place", show_value(entry.place), wanted)
        if entry.pager_place is not None and len(entry.pager_place) > LONGEST_PAGER_PLACE:
            wanted = f"more than {LONGEST_PAGER_PLACE} characters; is it an address? None may go over the air"
            yield _of(found, device, "pager_place", show_value(entry.pager_place), wanted)
        if entry.plan is not None:
            if (known := doubts.get(id(entry.plan))) is None:
                known = doubts[id(entry.plan)] = [*plan_doubts(entry.plan)]
            for key, value, wanted in known:
                yield _of(found, device, f"plan.{key}", value, wanted)


def _of(found: SiteFile, device: str, key: str, value: str, wanted: str) -> Problem:
    return Problem(*found.of_device(device, key), value, wanted)


def _rules(found: SiteFile, rules: Rules, replaced: Container[str]) -> Iterator[Problem]:
    home = found.site is not None and found.site.setting == "home"
    for name, table in found.rules.items():
        if table.off is not None and name in rules:
            own = "; one of this site runs in its place" if name in replaced else ""
            wanted = f"this rule is switched off{own}"
            yield Problem(found.file, f"rules.{name}.off", show_value(table.off), wanted)
    for table_key, rule, name, value, _ in threshold_tables(found):
        if rule in rules and (shipped := looser_than(rules[rule], name, value, home)) is not None:
            reason = rules[rule].thresholds[name].reason
            wanted = f"less watchful than the shipped {shipped}, which has its reason: {reason}"
            yield Problem(found.file, f"{table_key}.{name}", show_value(value), wanted)


def shipped_value(rule: Rule, name: str, home: bool) -> str | int:
    """A threshold as shipped, for a ward or for homes."""
    threshold = rule.thresholds[name]
    return threshold.home if home and threshold.home is not None else threshold.value


def looser_than(rule: Rule, name: str, value: object, home: bool) -> str | int | None:
    """The shipped value of a threshold, if the site's is less watchful."""
    threshold = rule.thresholds.get(name)
    if threshold is None or isinstance(value, bool) or not isinstance(value, str | int):
        return None
    shipped = shipped_value(rule, name, home)
    try:
        own, usual = Quantity.parse(value), Quantity.parse(shipped)
    except ValueError:
        return None  # an error, said elsewhere
    if own.unit != usual.unit or own.number == usual.number:
        return None
    return shipped if (own.number > usual.number) == (threshold.looser == "higher") else None
