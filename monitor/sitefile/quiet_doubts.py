"""What quiet hours leave nobody for: a person, a rung or a ladder that is all quiet at once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from monitor.core.problems import Problem
from monitor.sitefile.checks import ladder_for
from monitor.sitefile.reading import SiteFile
from monitor.sitefile.tables import QuietTable, RungTable

_DAY = 24 * 60  # minutes

Minutes = frozenset[int]  # of the local day


def quiet_doubts(found: SiteFile) -> Iterator[Problem]:
    """What of the quiet hours is worth a second look; who has a role by a rota file is not known here."""
    last = found.site.last_resort if found.site is not None else None
    quiet: dict[str, Minutes] = {}
    for person, entry in found.people.items():
        ways = [_minutes(way.quiet) for way in entry.reach]
        if person == last:
            if any(ways):
                wanted = "not used: the last resort has no quiet hours"
                yield Problem(found.file, f"people.{person}.reach", "", wanted)
            continue
        quiet[person] = frozenset.intersection(*ways) if ways else frozenset()
        for index, minutes in enumerate(ways):
            if len(minutes) == _DAY:
                wanted = "quiet all day: this way is used for high only"
                yield Problem(found.file, f"people.{person}.reach[{index}].quiet", "", wanted)
    if not any(quiet.values()) or found.broken & {"people", "ladders", "duty"}:
        return
    seen: set[tuple[str, str]] = set()
    for unit in sorted(found.written["units"]):
        for priority in ("medium", "low"):
            chosen = ladder_for(found, unit, priority)
            if chosen is None:
                continue
            index, ladder = chosen
            rungs = [_quiet_of(found, rung, unit, quiet) for rung in ladder.rungs]
            if len(rungs) > 1:
                for number, minutes in enumerate(rungs):
                    if minutes and ("", key := f"ladders[{index}].rungs[{number}]") not in seen:
                        seen.add(("", key))
                        wanted = (
                            f"all quiet {_shown(minutes)}: below high the next rung is told then, at once"
                        )
                        yield Problem(found.file, key, "", wanted)
            together = frozenset.intersection(*rungs)
            if together and (unit, key := f"ladders[{index}]") not in seen:
                seen.add((unit, key))
                wanted = (
                    f"for {unit} all quiet {_shown(together)}: below high only the last resort is told then"
                )
                yield Problem(found.file, key, "", wanted)


def _quiet_of(found: SiteFile, rung: RungTable, unit: str, quiet: dict[str, Minutes]) -> Minutes:
    """When nobody who may be on a rung has a way below high; empty where that is not known."""
    people: list[str] = []
    for entry in rung.tell:
        kind, _, name = entry.partition(":")
        if kind == "person":
            people.append(name)
            continue
        holders = [d.person for d in found.duty.values() if d.role == name and d.unit in ("*", unit)]
        if not holders:
            return frozenset()
        people += holders
    found_quiet = [quiet.get(person, frozenset()) for person in people]
    return frozenset.intersection(*found_quiet) if found_quiet else frozenset()


def _minutes(quiet: QuietTable | None) -> Minutes:
    if quiet is None:
        return frozenset()
    length = (quiet.end - quiet.start) % _DAY or _DAY
    return frozenset((quiet.start + minute) % _DAY for minute in range(length))


def _shown(minutes: Iterable[int]) -> str:
    """The spans of a day that these minutes make: "22:00-06:00"."""
    inside = set(minutes)
    if len(inside) == _DAY:
        return "all day"
    spans = []
    for start in sorted(inside):
        if (start - 1) % _DAY in inside:
            continue
        end = start
        while end % _DAY in inside:
            end += 1
        spans.append(f"{_clock(start)}-{_clock(end % _DAY)}")
    return ", ".join(spans)


def _clock(minute: int) -> str:
    return f"{minute // 60:02}:{minute % 60:02}"
