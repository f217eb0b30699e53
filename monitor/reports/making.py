"""Makes a handover from what a store holds: read-only, while the service runs or after it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.adapters.store_reader import StoreReader
from monitor.core import places
from monitor.core.chronicle import KIND, UNSEEN, Mark, key, patience, read
from monitor.core.messages import Plan
from monitor.core.phrases import clock
from monitor.core.picture import Picture
from monitor.core.plans import Zone
from monitor.core.site import Site
from monitor.core.technical import ALIVE_KEY, GAP
from monitor.reports import courses
from monitor.reports.courses import Story
from monitor.reports.handover import Handover, Names, answered, asked, gaps, repeated, rows
from monitor.reports.nights import BEGINNING, END, FED, UNKNOWN, Night, Piece, given, pieces, planned
from monitor.reports.noted import changes, drills, holds
from monitor.reports.spans import Span

FAR = 10**14  # ms: later than any instant
NOT_HEARD = "not heard of in this shift"
NO_RECORD = "no record of what it did"  # of a store from before there were marks, or of those that are gone
Progress = Callable[[int, int], None]


class Pump(NamedTuple):
    """What the store knows of a device now: its unit, plan, target (mL), when it was heard last, its counter then.

    `unseen`: after how long without a word (ms) nobody can say what it does.
    """

    unit: str
    plan: Plan | None
    target_ml: float | None
    heard: int
    delivered_ml: float | None
    drill: bool
    bridge: str = ""
    unseen: int = UNSEEN


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """What reports are made from; `called` has the names of units for people."""

    site: Site
    reader: StoreReader
    called: Mapping[str, str] = field(default_factory=dict)

    def pumps(self) -> dict[str, Pump]:
        """Every device that was ever heard of, and those that are listed."""
        site, found = self.site, {}
        for name, entry in site.devices.items():
            target = entry.plan.target_ml if entry.plan else None
            unseen = patience(site.rules_for(entry.unit, name))
            found[name] = Pump(entry.unit, entry.plan, target, 0, None, site.is_drill(name), unseen=unseen)
        for name, text in self.reader.rows("device").items():
            try:
                picture = Picture.load(json.loads(text)[1])
            except courses.UNREADABLE:
                continue  # `trail verify` and the next start say so; the others are reported
            target = (picture.plan.target_ml if picture.plan else None) or picture.target_ml
            unseen = patience(site.rules_for(picture.unit, name))
            found[name] = Pump(
                picture.unit, picture.plan, target, picture.acted, picture.delivered_ml, site.is_drill(name),
                picture.bridge, unseen,
            )  # fmt: skip
        return found

    def stopped(self, by: int) -> int | None:
        """Since when Second Bell has not run, if it stopped before this instant (ms UTC) and has not come back."""
        try:
            watched = int(json.loads(self.reader.rows("technical")[ALIVE_KEY])[1])
        except courses.UNREADABLE:
            return None  # a store from before it was kept
        return watched if by - watched > GAP else None

    def marks(self, device: str, span: Span) -> list[Mark]:
        """The marks of a device from the last one before a span to the first one after it."""
        first, start, end, last = (key(device, at) for at in (0, span.start, span.end, FAR))
        rows = [
            *self.reader.row_before(KIND, first, start),
            *self.reader.rows_between(KIND, start, end),
            *self.reader.row_from(KIND, end, last),
        ]
        found = []
        for name, text in rows:
            try:
                found.append(read(name, text)[1])
            except courses.UNREADABLE:
                continue
        return sorted(found, key=lambda mark: mark.at)

    def names(self, pumps: Mapping[str, Pump]) -> Names:
        """What the keys of the trail stand for."""
        return Names(
            site=self.site,
            known=self.reader.names(),
            units={name: pump.unit for name, pump in pumps.items()},
            places=_places(self.reader, self.site),
            called=self.called,
        )


def handover(
    source: Source, unit: str | None, span: Span, now: int, progress: Progress | None = None
) -> Handover:
    """The handover of a unit, or of all units, for a span that may not be over at instant `now` (ms UTC)."""
    site, reader = source.site, source.reader
    as_of = min(now, span.end)
    until = Span(span.start, max(as_of, span.start + 1), span.name)
    story = courses.read(reader.reported(progress), as_of)
    pumps = {name: pump for name, pump in source.pumps().items() if not pump.drill}
    names = source.names(pumps)
    live, over = rows(story, names, unit, until)
    mine = [
        course
        for course in story.courses.values()
        if names.concerns(device := names.device(course.device), unit) and not site.is_drill(device)
    ]
    here = {name: pump for name, pump in pumps.items() if unit is None or pump.unit == unit}
    accepted, by_itself = answered(mine, until)
    frontier = reader.frontier()
    feeds = Feeds.of(story, names, pumps)
    nights = [night(source, name, pump, until, names, feeds) for name, pump in here.items()]
    fed = {one.device: one.fed_last for one in nights}
    return Handover(
        site=site.name,
        unit="all units" if unit is None else source.called.get(unit, unit),
        span=span,
        as_of=as_of,
        zone=site.zone,
        zone_name=site.zone_name,
        live=tuple(live),
        over=tuple(over),
        nights=tuple(sorted(nights, key=lambda one: (one.place, one.device))),
        accepted=accepted,
        by_itself=by_itself,
        asked=asked(story, names, until, {course.id for course in mine}),
        repeated=repeated(mine, names, until),
        gaps=gaps(
            story.others,
            until,
            None if unit is None else {pump.bridge for pump in here.values()},
            source.stopped(until.end),
        ),
        holds=holds(story, names, unit, until, fed.get),
        drills=drills(story, names, unit, until),
        changes=changes(story, names, unit, until),
        unreadable=sum(story.unreadable.values()),
        entries=frontier.size,
        root=frontier.root().hex(),
    )


class Swap(NamedTuple):
    """From this instant on the feed of one pump went on with another."""

    at: int
    old: str
    new: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Feeds:
    """Which pump had which feed when, and what is planned of it."""

    swaps: tuple[Swap, ...] = ()
    changed: Mapping[str, int] = field(default_factory=dict)  # device -> when its plan changed last
    pumps: Mapping[str, Pump] = field(default_factory=dict)

    @classmethod
    def of(cls, story: Story, names: Names, pumps: Mapping[str, Pump]) -> Feeds:
        """What a trail tells of them."""
        swaps = [Swap(at, names.device(old), names.device(new)) for at, old, new in story.swaps]
        changed = {names.device(device): at for device, at in story.plans.items()}
        return cls(swaps=tuple(sorted(swaps)), changed=changed, pumps=pumps)

    def plan(self, device: str, at: int) -> tuple[Plan | None, float | None]:
        """The plan (and target, mL) of the feed that a device had at an instant, as it is by now."""
        for swap in self.swaps:
            if swap.at <= at:
                continue
            if swap.new == device:
                return None, None  # what it had before is not known any more
            if swap.old == device:
                device = swap.new
        pump = self.pumps.get(device)
        return (None, None) if pump is None else (pump.plan, pump.target_ml)

    def parts(self, device: str, span: Span) -> list[tuple[str, Span]]:
        """Which pumps gave the feed that a device had at the end of a span, and when, the last first.

        Of a pump whose feed went on with another, the time after that.
        """
        swaps = [swap for swap in self.swaps if span.start < swap.at <= span.end]
        found, end = [], span.end
        for swap in reversed(swaps):
            if swap.new == device:
                found.append((device, Span(swap.at, end)))
                device, end = swap.old, swap.at
            elif swap.old == device and end == span.end and not found:
                return [(device, Span(swap.at, end))]
        return [*found, (device, Span(span.start, end))]

    def gone_to(self, device: str, span: Span) -> Swap | None:
        """The swap by which a device's feed went to another in a span and did not come back."""
        mine = [swap for swap in self.swaps if span.start < swap.at <= span.end and device in swap[1:]]
        return mine[-1] if mine and mine[-1].old == device else None


def night(
    source: Source, device: str, pump: Pump, span: Span, names: Names, feeds: Feeds | None = None
) -> Night:
    """One pump's part of a shift; with `feeds`, what was given of its feed by the pump before it too."""
    feeds = feeds or Feeds(pumps={device: pump})
    marks, zone = _marks(source, device, pump, span), source.site.zone
    shown = pieces(marks, span, None, pump.unseen)
    known = _unknown(pump, marks, shown, span, zone)
    doubts = [known] if known else []
    said = {NOT_HEARD: (BEGINNING, END), "": ()}.get(known, (BEGINNING,))  # by that already
    total: float | None = None
    complete = True
    parts = feeds.parts(device, span)
    began = parts[-1][1].start
    for other, part in reversed(parts):
        pump_of, marks_of = feeds.pumps.get(other, Pump("", None, None, 0, None, False)), marks
        if other != device:
            doubts.append(f"until {clock(part.end, span.end, zone)} with {other}")
            marks_of = _marks(source, other, pump_of, span)
        seen = given(marks_of, part._replace(start=began), pump_of.unseen)
        if len(parts) > 1:  # a pump is often taken into use a little before somebody says so
            fed = [piece.end for piece in pieces(marks_of, part, None, pump_of.unseen) if piece.doing == FED]
            began = max(fed, default=part.end)
        complete = complete and seen.complete
        if seen.ml is not None:
            total = (total or 0.0) + seen.ml
        elif other != device:
            doubts.append(f"what {other} gave is not known")
        doubts += [doubt for doubt in seen.doubts if doubt not in said]
    plan, target = feeds.plan(device, span.end)
    if (gone := feeds.gone_to(device, span)) is not None:
        plan = None
        doubts.append(f"its feed goes on with {gone.new} since {clock(gone.at, span.end, zone)}")
    if plan is not None and feeds.changed.get(device, 0) > span.start:
        changed = clock(feeds.changed[device], span.end, zone)
        doubts.append(f"its plan was changed at {changed}: planned is by the new one")
    return Night(
        device=device,
        place=names.place(device),
        pieces=shown,
        given_ml=total,
        planned_ml=planned(plan, zone, span, target),
        kcal_per_ml=plan.kcal_per_ml if plan else None,
        complete=complete,
        doubts=tuple(dict.fromkeys(doubts)),
    )


def _marks(source: Source, device: str, pump: Pump, span: Span) -> list[Mark]:
    """The marks of a device for a span, and its last word, if there is none after it."""
    marks = source.marks(device, span)
    if marks and marks[-1].at < min(pump.heard, span.end):
        # None since: it was heard on, and what it said last tells how its counter went on.
        marks.append(marks[-1]._replace(at=pump.heard, heard=pump.heard, delivered_ml=pump.delivered_ml))
    if marks and marks[-1].activity == "off" and (stopped := source.stopped(span.end)) is not None:
        # Nobody listens since then: a pump that was off may have been switched on.
        at = max(stopped, marks[-1].at + 1)
        marks.append(Mark(at, at, "unknown", False, False, "", None, None, None))
    return marks


def _unknown(pump: Pump, marks: Sequence[Mark], shown: Sequence[Piece], span: Span, zone: Zone) -> str:
    """What is to be said of a pump of which nothing is known, or not from the beginning on; "" of all others."""
    if not marks:
        return NO_RECORD if pump.heard else "never heard of"
    first = marks[0]
    if first.at >= span.end and not first.heard:
        return "not heard of yet in this shift"
    if first.at > span.start + pump.unseen and first.heard > span.start:
        return NO_RECORD + (f" before {clock(first.at, span.end, zone)}" if first.at < span.end else "")
    return NOT_HEARD if all(piece.doing == UNKNOWN for piece in shown) else ""


def _places(reader: StoreReader, site: Site) -> dict[str, str | None]:
    """Places that were recorded by `move` or `swap`, newer than the site file's."""
    found: dict[str, str | None] = {}
    for name, text in reader.rows("place").items():
        try:
            recorded = places.read(text)
            if places.stands(site, name, recorded):
                found[name] = recorded.place
        except courses.UNREADABLE:
            continue
    return found
