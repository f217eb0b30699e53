"""The facts of a handover: what is open and whose, who was fed how much, what keeps coming back, what nobody saw.

Editing rules: facts only, `page.py` draws them. Everything comes from the trail and the store; what they do not tell
is unknown here too. No person's name: duty labels, as in notices.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Any, Final, NamedTuple

from monitor.core.fact_words import what_of
from monitor.core.instants import HOUR, MINUTE
from monitor.core.journal import MOST_AN_HOUR
from monitor.core.load import Load, load
from monitor.core.phrases import times
from monitor.core.plans import Zone
from monitor.core.site import Site
from monitor.reports.courses import Course, Story
from monitor.reports.nights import Night
from monitor.reports.spans import Span
from monitor.reports.survival import Acceptance, acceptance

DID_NOT_RUN: Final = "Second Bell did not run"
NO_BROKER: Final = "no connection to the broker"
TROUBLES: Final = {
    "cannot-store": "nothing could be stored, so nobody was told of anything new",
    "cannot-send": "nothing could be sent by {about}",
}
"""Troubles of Second Bell itself that kept people from hearing, and what is said of them."""
RANK: Final = {"high": 0, "medium": 1, "low": 2}
MOST_REPEATED: Final = 10  # pumps that are named as those that trouble most


class Row(NamedTuple):
    """One concern as the handover lists it; instants in ms UTC."""

    concern: str
    priority: str
    place: str
    device: str
    what: str
    begun: int
    state: str
    holder: str
    holder_since: int | None
    times: int
    settled: int | None
    why: str
    missed: bool


class Asked(NamedTuple):
    """How much one person was asked: duty label, and the load of the notices that reached them."""

    who: str
    load: Load


class Repeated(NamedTuple):
    """A pump that came back: how many times it was in trouble, and with what; what held at once is one time."""

    place: str
    device: str
    times: int
    what: tuple[tuple[str, int], ...]


class Gap(NamedTuple):
    """A time that Second Bell could not see; `end` None: not over by the end of the shift."""

    start: int
    end: int | None
    why: str


class Noted(NamedTuple):
    """Something to be known: a hold, a drill, a pump swapped or moved."""

    at: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Handover:
    """A shift of one unit, or of all."""

    site: str
    unit: str
    span: Span
    as_of: int
    zone: Zone
    zone_name: str
    live: tuple[Row, ...]
    over: tuple[Row, ...]
    nights: tuple[Night, ...]
    accepted: Acceptance
    by_itself: int
    asked: tuple[Asked, ...]
    repeated: tuple[Repeated, ...]
    gaps: tuple[Gap, ...]
    holds: tuple[Noted, ...]
    drills: tuple[Noted, ...]
    changes: tuple[Noted, ...]
    unreadable: int
    entries: int
    root: str

    @property
    def blind(self) -> bool:
        """Whether something kept Second Bell from seeing or telling at the end of the report."""
        return any(gap.end is None for gap in self.gaps)

    @property
    def underfed(self) -> tuple[Night, ...]:
        """Those with something missing of the plan, most first."""
        found = [night for night in self.nights if (night.missed_ml or 0) >= 1]
        return tuple(sorted(found, key=lambda night: -(night.missed_ml or 0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """What the opaque keys of the trail stand for at this site, for people."""

    site: Site
    known: Mapping[str, tuple[str, str]]
    units: Mapping[str, str] = field(default_factory=dict)  # device -> the unit it was heard from last
    places: Mapping[str, str | None] = field(default_factory=dict)  # device -> place, recorded since
    called: Mapping[str, str] = field(default_factory=dict)  # unit -> its name for people

    def device(self, key: str) -> str:
        """The device's id, or its key once the name is erased."""
        return self.known.get(key, ("", key))[1]

    def unit(self, device: str) -> str:
        """The unit of a device or of what is about a whole unit."""
        if device.startswith("unit:"):
            return device.removeprefix("unit:")
        listed = self.site.devices.get(device)
        return self.units.get(device) or (listed.unit if listed else "")

    def place(self, device: str) -> str:
        """The place as a nurse knows it."""
        if device.startswith("unit:"):
            return f"unit {self.called_unit(device.removeprefix('unit:'))}"
        place = self.places[device] if device in self.places else self.site.place(device)
        return place or "place not recorded"

    def where(self, device: str) -> str:
        """The place with the pump's id, so that no two can be mixed up."""
        return f"{self.place(device)} ({device})"

    def called_unit(self, unit: str) -> str:
        """A unit's name for people."""
        return self.called.get(unit, unit)

    def concerns(self, device: str, unit: str | None) -> bool:
        """Whether a device belongs into a unit's report; one of which no unit is known belongs into each."""
        return unit is None or self.unit(device) in (unit, "")

    def person(self, key: str | None) -> str:
        """The duty label of a person."""
        if key is None:
            return ""
        name = self.known.get(key, ("", ""))[1]
        return self.site.called(name) or "somebody no longer listed"


def rows(story: Story, names: Names, unit: str | None, span: Span) -> tuple[list[Row], list[Row]]:
    """The concerns that live at the end of the shift, most urgent first, and those that were over in it."""
    live, over = [], []
    for course in story.courses.values():
        device = names.device(course.device)
        if course.state == "undone" or names.site.is_drill(device) or not names.concerns(device, unit):
            continue
        row = _row(course, device, names)
        if course.live:
            live.append(row)
        elif course.settled is not None and course.settled >= span.start:
            over.append(row)
    live.sort(key=lambda row: (row.state != "open", RANK.get(row.priority, 3), row.begun))
    over.sort(key=lambda row: row.begun)
    return live, over


def _row(course: Course, device: str, names: Names) -> Row:
    return Row(
        concern=course.id,
        priority=course.priority,
        place=names.place(device),
        device="" if device.startswith("unit:") else device,
        what=what_of(course.rule),
        begun=course.begun,
        state=course.state,
        holder=names.person(course.holder),
        holder_since=course.holder_since,
        times=course.times,
        settled=course.settled,
        why=course.why,
        missed=course.missed,
    )


def answered(courses: Iterable[Course], span: Span) -> tuple[Acceptance, int]:
    """How long notices of the shift took to be accepted, and how many ended before anybody was told."""
    durations, by_itself = [], 0
    for course in courses:
        if course.state == "undone":
            continue
        for opening in course.openings:
            if not span.start <= opening.since < span.end:
                continue
            ended = min(span.end, opening.over if opening.over is not None else span.end)
            if opening.told is None or opening.told > ended:
                by_itself += opening.over is not None and opening.accepted is None
            else:
                done = opening.accepted is not None and opening.accepted <= span.end
                durations.append((ended - opening.told, done))
    return acceptance(durations), by_itself


def asked(story: Story, names: Names, span: Span, concerns: set[str]) -> tuple[Asked, ...]:
    """How much each person was asked in the shift, by the notices that were sent about these concerns."""
    by_person: dict[str, list[int]] = defaultdict(list)
    for at, person, concern in story.sent:
        if span.start < at <= span.end and concern in concerns:
            by_person[person].append(at)
    found = [Asked(names.person(key), load(at, span.start, span.end)) for key, at in by_person.items()]
    return tuple(sorted(found, key=lambda one: (-one.load.number, one.who)))


class Troubled(NamedTuple):
    """A pump's troubles in a span: when each began (ms UTC), what held at once as one; and how often each rule held."""

    device: str
    begun: tuple[int, ...]
    rules: Counter[str]

    @property
    def what(self) -> tuple[tuple[str, int], ...]:
        """What it was each time, in the words of notices, most often first."""
        return tuple((what_of(rule), often) for rule, often in self.rules.most_common())


def troubled(courses: Iterable[Course], names: Names, span: Span) -> list[Troubled]:
    """The pumps that keep coming back, the worst first: in trouble more than once, or with what comes again and again.

    One trouble holds several rules, and is told of again while it stands: it has not come back by that.
    """
    rules: dict[str, Counter[str]] = defaultdict(Counter)
    spells: dict[str, list[tuple[int, float]]] = defaultdict(list)
    for course in courses:
        device = names.device(course.device)
        begun = [spell for spell in course.spells if span.start <= spell.start < span.end]
        if begun and course.state != "undone" and not device.startswith("unit:"):
            rules[device][course.rule] += len(begun)
            spells[device] += [(one.start, inf if one.end is None else one.end) for one in begun]
    found = []
    for device, often in rules.items():
        recurring = {
            rule.id
            for rule in names.site.rules_for(names.unit(device), device)
            if rule.pattern == "recurring"
        }
        apart = _apart(spells[device])
        if len(apart) > 1 or recurring & often.keys():
            found.append(Troubled(device, apart, often))
    return sorted(found, key=lambda one: (-len(one.begun), one.device))[:MOST_REPEATED]


def _apart(spells: Iterable[tuple[int, float]]) -> tuple[int, ...]:
    """When each time began, those that touch taken as one."""
    begun, until = [], -inf
    for start, end in sorted(spells):
        if start > until:
            begun.append(start)
        until = max(until, end)
    return tuple(begun)


def repeated(courses: Iterable[Course], names: Names, span: Span) -> tuple[Repeated, ...]:
    """The pumps that keep coming back, for people."""
    return tuple(
        Repeated(names.place(one.device), one.device, len(one.begun), one.what)
        for one in troubled(courses, names, span)
    )


class _Gaps:
    """Collects times without sight; a cause is what was not there, and under which words it is told."""

    def __init__(self) -> None:
        self.found: list[Gap] = []
        self._open: dict[tuple[str, str], tuple[int, str]] = {}
        self._brief: dict[str, list[Gap]] = defaultdict(list)

    def begin(self, what: str, about: str, at: int, why: str) -> None:
        """From now on."""
        self._open.setdefault((what, about), (at, why))

    def end(self, what: str, about: str, at: int, *, but: int = 0) -> None:
        """No longer; nothing is said of one that lasted no longer than `but` (ms)."""
        was = self._open.pop((what, about), None)
        if was is not None and at - was[0] > but:
            self.add(was[0], at, was[1])

    def add(self, start: int, end: int, why: str) -> None:
        """A time that is over; brief ones are told together."""
        gap = Gap(start, end, why)
        (self.found if end - start >= MINUTE else self._brief[why]).append(gap)

    def within(self, span: Span) -> tuple[Gap, ...]:
        """Those that touch a span, what goes on at its end without an end."""
        going_on = [Gap(start, None, why) for start, why in self._open.values() if start < span.end]
        found = [gap for gap in self.found if gap.start < span.end and gap.end and gap.end > span.start]
        for why, brief in self._brief.items():
            inside = [gap for gap in brief if span.start <= gap.start < span.end]
            if inside:
                often = f", {times(len(inside))} for less than a minute"
                found.append(Gap(inside[0].start, inside[-1].end, why + often))
        return tuple(sorted([*found, *going_on], key=lambda gap: gap.start))


def gaps(
    others: Iterable[tuple[int, str, Mapping[str, Any]]],
    span: Span,
    bridges: Container[str] | None = None,
    stopped_at: int | None = None,
) -> tuple[Gap, ...]:
    """When Second Bell could not see or tell: it did not run, had no broker, no bridge, no store, no way to send.

    `bridges`: those that matter; None: all. `stopped_at`: since when it has not run, None if it does.
    """
    found = _Gaps()
    takes = 0  # how long a start may take to reach the broker, ms
    lately: dict[str, list[int]] = {}
    for at, event, told in others:
        detail = told.get("detail") or {}
        if event == "started":
            stopped = at - int(detail.get("gap", 0))
            found.end("link", "", stopped)
            if at - stopped >= MINUTE:
                found.add(stopped, at, DID_NOT_RUN)
            found.begin("link", "", at, NO_BROKER)
            takes = MINUTE
        elif event == "link-down":
            takes = 0
            found.begin("link", "", at, NO_BROKER)
        elif event == "link-up":
            found.end("link", "", at, but=takes)
            takes = 0
        elif event == "caught-up" and detail.get("complete") is False:
            took = int(detail.get("took", 0))
            found.add(
                at - max(took, MINUTE), at, "what had piled up at the broker could not all be read in time"
            )
        elif event in ("bridge-presence", "bridge-forgotten"):
            name = str(detail.get("bridge", ""))
            if bridges is None or name in bridges:
                _bridge(
                    found, name, at, lately, online=event != "bridge-presence" or bool(detail.get("online"))
                )
        elif event in ("trouble-began", "trouble-over") and detail.get("trouble") in TROUBLES:
            about = str(detail.get("about", ""))
            if event == "trouble-over":
                found.end(detail["trouble"], about, at)
            else:
                since = int(detail.get("since", at))
                found.begin(detail["trouble"], about, since, TROUBLES[detail["trouble"]].format(about=about))
    if stopped_at is not None:
        found.end("link", "", stopped_at)
        found.begin("run", "", stopped_at, DID_NOT_RUN)
    return found.within(span)


def _bridge(found: _Gaps, name: str, at: int, lately: dict[str, list[int]], *, online: bool) -> None:
    # The journal says so at most so often an hour: after that nobody can know when it returned.
    said = lately[name] = [before for before in lately.get(name, ()) if at - before < HOUR] + [at]
    if online:
        found.end("bridge", name, at)
        return
    often = " and came back so often that not all of it is recorded" if len(said) >= MOST_AN_HOUR else ""
    found.begin("bridge", name, at, f"bridge {name} was away{often}")
