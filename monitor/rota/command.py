"""`secondbell rota`: who is on duty now, at a time, or in a week, by unit and role; needs no running service."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Final, TextIO

from monitor.commandline import WRONG, add_site, usage

if TYPE_CHECKING:
    from monitor.core.plans import Zone
    from monitor.core.rota import Rota
    from monitor.core.site import Site
    from monitor.rota.holes import Stretch

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

NOBODY: Final = "NOBODY"
_DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_EPOCH: Final = date(1970, 1, 1).toordinal()
_DAY: Final = 86_400_000


def add(commands: Commands) -> None:
    """Add the command."""
    rota = commands.add_parser(
        "rota",
        help="who is on duty, by unit and role, and when nobody is",
        epilog="Needs no running service. Exit status 1: at some time that was asked for nobody is, or the rota cannot "
        "be read.",
    )
    add_site(rota)
    when = rota.add_mutually_exclusive_group()
    when.add_argument(
        "--at", metavar="TIME", help='RFC 3339, or the site\'s local time as "2026-03-14 07:00"; default: now'
    )
    when.add_argument(
        "--week",
        metavar="DATE",
        nargs="?",
        const="",
        help="seven days from this one, such as 2026-03-14, or today",
    )
    rota.add_argument("--unit", metavar="UNIT", help="this unit only")
    rota.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print it; 1 if the rota cannot be read or somebody is missing at `--at`, or in the week."""
    from monitor.adapters.calendar import known_to, read_between
    from monitor.core.rota import Rota
    from monitor.settings import load

    settings = load(args.site, key=b"")
    site = settings.site
    if args.unit is not None and args.unit not in site.units:
        raise usage(f"--unit {args.unit!r}: one of {', '.join(sorted(site.units))}")
    start, end = _asked(args, site)
    rota = site.rota
    if settings.rota_dir is not None:
        # Around it, so that a long shift is shown with its own begin and end.
        found = read_between(settings.rota_dir, known_to(site), start - 8 * _DAY, end + 35 * _DAY)
        if found.problems:
            print("The rota cannot be read; a service that runs keeps the last good one:", file=sys.stderr)
            for problem in found.problems:
                print(f"  {problem}", file=sys.stderr)
            return WRONG
        rota = Rota(site.rota.fixed, shifts=found.spans, named=found.named)
    table = _Table(site, rota, settings.units_called, sys.stdout)
    units = site.units if args.unit is None else (args.unit,)
    missing = table.week(units, start, end) if args.week is not None else table.at(units, start)
    return WRONG if missing else 0


def _asked(args: argparse.Namespace, site: Site) -> tuple[int, int]:
    """From when until before when, in ms UTC."""
    from monitor.core.instants import parse

    zone, now = site.zone, time.time_ns() // 1_000_000
    if args.week is not None:
        day = local_day(now, zone) if not args.week else _date(args.week)
        return zone.to_utc(day * _DAY), zone.to_utc((day + 7) * _DAY)
    if args.at is None:
        return now, now + 1
    try:
        local = parse(f"{args.at.replace(' ', 'T', 1)}:00Z")
    except ValueError:
        try:
            at = parse(args.at)
        except ValueError as error:
            raise usage(f"--at {args.at!r}: {error}, or a local time such as 2026-03-14 07:00") from None
    else:
        at = zone.to_utc(local)
    return at, at + 1


def _date(text: str) -> int:
    try:
        return date.fromisoformat(text).toordinal() - _EPOCH
    except ValueError:
        raise usage(f"--week {text!r}: a date such as 2026-03-14") from None


class _Table:
    """Prints a rota for people."""

    def __init__(self, site: Site, rota: Rota, called: Mapping[str, str], out: TextIO) -> None:
        self._site, self._rota, self._called, self._out = site, rota, called, out

    def at(self, units: Sequence[str], at: int) -> bool:
        """Who is on duty at an instant; whether nobody is in some role."""
        from monitor.core.rota import FOR_EVER
        from monitor.rota.holes import stretches

        zone, missing = self._site.zone, False
        print(f"On duty at {shown(at, zone, year=True)}, {self._site.zone_name}:", file=self._out)
        for unit in units:
            print(f"\n{self._unit(unit)}", file=self._out)
            rows: list[tuple[str, str, str]] = []
            for role in self._roles(unit):
                spans = self._rota.of_role(unit, role)
                people = self._rota.on_duty(unit, role, at)
                for person in people:
                    own = stretches((s for s in spans if s.person == person), 0, FOR_EVER)
                    rows.append((role, self._person(person), self._until(own, at)))
                if not people:
                    missing = True
                    gap = stretches(spans, 0, FOR_EVER)
                    rows.append((role, NOBODY, self._until(gap, at)))
            self._print(rows)
        last = self._site.last_resort
        print(f"\nWhen nobody accepts: {self._person(last)}, the last resort.", file=self._out)
        return missing

    def week(self, units: Sequence[str], start: int, end: int) -> bool:
        """Who is on duty when, in rows; whether nobody is at some time in some role."""
        from monitor.core.instants import show_duration
        from monitor.rota.holes import stretches

        missing = False
        print(f"From {span(start, end, self._site.zone)}, {self._site.zone_name}:", file=self._out)
        for unit in units:
            for role in self._roles(unit):
                print(f"\n{self._unit(unit)}, {role}", file=self._out)
                rows = []
                for found in stretches(self._rota.of_role(unit, role), start, end):
                    who = ", ".join(map(self._person, found.people)) or NOBODY
                    missing |= not found.people
                    length = show_duration(found.end - found.start)
                    rows.append((span(found.start, found.end, self._site.zone), length, who))
                self._print(rows)
        return missing

    def _print(self, rows: Sequence[tuple[str, str, str]]) -> None:
        first, second = (max((len(row[column]) for row in rows), default=0) for column in (0, 1))
        for row in rows:
            print(f"  {row[0]:{first}}  {row[1]:{second}}  {row[2]}".rstrip(), file=self._out)

    def _roles(self, unit: str) -> Iterator[str]:
        from monitor.rota.holes import roles_of

        named = [s.role for s in self._rota.spans if s.unit in ("*", unit)]
        yield from dict.fromkeys([*roles_of(self._site, unit), *named])

    def _unit(self, unit: str) -> str:
        called = self._called.get(unit)
        return unit if called in (None, unit) else f"{called} ({unit})"

    def _person(self, person: str) -> str:
        return f"{self._site.called(person)} ({person})"

    def _until(self, found: Sequence[Stretch], at: int) -> str:
        """Since when and until when it is as it is at an instant, as far as that is known."""
        from monitor.core.rota import FOR_EVER

        here = next(stretch for stretch in found if stretch.start <= at < stretch.end)
        zone = self._site.zone
        parts = [f"since {shown(here.start, zone)}" if here.start > 0 else ""]
        parts.append(f"until {shown(here.end, zone)}" if here.end < FOR_EVER else "")
        return ", ".join(filter(None, parts)) or "always"


def local_day(at: int, zone: Zone) -> int:
    """The local day of an instant, in days since 1970."""
    return (at + zone.offset(at)) // _DAY


def shown(at: int, zone: Zone, *, year: bool = False) -> str:
    """An instant as "Sat 14 Mar 07:00", local."""
    local = at + zone.offset(at)
    day = date.fromordinal(_EPOCH + local // _DAY)
    minutes = local % _DAY // 60_000
    in_year = f" {day.year}" if year else ""
    return f"{_DAYS[day.weekday()]} {day.day:2} {_MONTHS[day.month - 1]}{in_year} {minutes // 60:02}:{minutes % 60:02}"


def span(start: int, end: int, zone: Zone) -> str:
    """A stretch of time, its day said once if it ends on the day on which it begins."""
    last = shown(end, zone)
    if local_day(start, zone) == local_day(end, zone):
        last = last.rpartition(" ")[2]
    return f"{shown(start, zone)} to {last}"
