"""The facts of a review: how concerns, answers and feed went over weeks, for those who answer for the service.

Editing rules: facts only, `review_page.py` draws them. A rate has the time under watch below it: concerns per
device-day, where a day counts for a device that was heard of on it. Unknown is left out and counted, never zero.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from monitor.core.chronicle import Mark
from monitor.core.instants import HOUR
from monitor.core.plans import DAY, Zone
from monitor.reports import courses
from monitor.reports.courses import Course, Story
from monitor.reports.handover import DID_NOT_RUN, Gap, Names, answered, gaps, troubled
from monitor.reports.making import Feeds, Pump, Source, night
from monitor.reports.spans import Span
from monitor.reports.survival import Acceptance

MOST_WHATS = 3  # troubles of one pump
FEW_WEEKS = 4  # with fewer that were recorded the page says that this is no trend; common practice, no source
NONE, PART, ALL = "not recorded", "recorded in part", "recorded"
"""How much of a week the trail tells of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """Seven local days; volumes in mL, of device-days of which both the plan and the counter tell."""

    span: Span
    device_days: int
    raised: Mapping[str, int]
    accepted: Acceptance
    by_itself: int
    openings: int
    planned_ml: float
    given_ml: float
    not_known: int
    recorded: str = ALL
    out_of_sight: int = 0  # ms for which Second Bell itself could not see or tell
    days_by_unit: Mapping[str, int] = field(default_factory=dict)
    by_unit: Mapping[str, int] = field(default_factory=dict)  # concerns raised
    by_hour: tuple[int, ...] = (0,) * 24  # concerns raised in each hour of the local day

    @property
    def number(self) -> int:
        """All concerns raised."""
        return sum(self.raised.values())

    def per_device_day(self, rule: str | None = None) -> float | None:
        """Concerns of a rule, or all, per device-day; None if nothing was watched."""
        if not self.device_days:
            return None
        return (self.number if rule is None else self.raised.get(rule, 0)) / self.device_days

    def of_unit(self, unit: str) -> float | None:
        """Concerns of a unit per device-day there; None if nothing was watched."""
        days = self.days_by_unit.get(unit, 0)
        return self.by_unit.get(unit, 0) / days if days else None

    def of_hours(self, first: int, until: int) -> float | None:
        """Concerns raised in these hours of the day, per device-day; None if nothing was watched."""
        return sum(self.by_hour[first:until]) / self.device_days if self.device_days else None

    @property
    def given_share(self) -> float | None:
        """How much of what was planned was given, from 0."""
        return self.given_ml / self.planned_ml if self.planned_ml > 0 else None

    @property
    def by_itself_share(self) -> float | None:
        """How many ended before anybody was told."""
        return self.by_itself / self.openings if self.openings else None


class Offender(NamedTuple):
    """A pump that keeps coming back: how many times it was in trouble, begun in how many of the weeks, with what."""

    place: str
    device: str
    times: int
    weeks: int
    what: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """Weeks of one unit, or of all."""

    site: str
    unit: str
    span: Span
    zone: Zone
    zone_name: str
    weeks: tuple[Week, ...]
    offenders: tuple[Offender, ...]
    gaps: tuple[Gap, ...]
    drills: Mapping[str, int]
    entries: int
    root: str
    unreadable: int = 0

    @property
    def recorded(self) -> int:
        """How many of the weeks were recorded from begin to end."""
        return sum(week.recorded == ALL for week in self.weeks)

    @property
    def by_unit(self) -> dict[str, tuple[int, int]]:
        """Concerns and device-days of each unit."""
        raised: Counter[str] = Counter()
        days: Counter[str] = Counter()
        for week in self.weeks:
            raised.update(week.by_unit)
            days.update(week.days_by_unit)
        return {unit: (raised[unit], days[unit]) for unit in sorted(raised.keys() | days.keys())}

    @property
    def by_hour(self) -> tuple[int, ...]:
        """Concerns raised in each hour of the local day."""
        return tuple(sum(week.by_hour[hour] for week in self.weeks) for hour in range(24))

    @property
    def rules(self) -> list[str]:
        """The rules that held at all, most often first."""
        total: Counter[str] = Counter()
        for week in self.weeks:
            total.update(week.raised)
        return [rule for rule, _ in total.most_common()]


def weeks_until(zone: Zone, until: int, number: int) -> list[Span]:
    """So many times seven local days, the last ending at the last local midnight by `until` (ms UTC)."""
    local = until + zone.offset(until)
    today = local - local % DAY
    edges = [zone.to_utc(today - 7 * DAY * back) for back in range(number, -1, -1)]
    return [Span(start, end) for start, end in pairwise(edges)]


def local_days(zone: Zone, span: Span) -> list[Span]:
    """The local days of a span that begins and ends at midnight."""
    days, at = [], span.start
    while at < span.end:
        local = at + zone.offset(at) + 12 * HOUR  # noon: no clock change puts that on another day
        following = zone.to_utc(local - local % DAY + DAY)
        days.append(Span(at, min(following, span.end)))
        at = following
    return days


def review(
    source: Source,
    unit: str | None,
    number: int,
    now: int,
    progress: Callable[[int, int], None] | None = None,
) -> Review:
    """The last `number` weeks of a unit, or of all, up to the last midnight before `now` (ms UTC)."""
    site, reader = source.site, source.reader
    spans = weeks_until(site.zone, now, number)
    whole = Span(spans[0].start, spans[-1].end)
    story = courses.read(reader.reported(), whole.end)
    first = next(iter(reader.entries()), None)
    begun = whole.end if first is None else first.at
    pumps = {name: pump for name, pump in source.pumps().items() if not pump.drill}
    names = source.names(pumps)
    mine = [
        course
        for course in story.courses.values()
        if course.state != "undone"
        and names.concerns(device := names.device(course.device), unit)
        and not site.is_drill(device)
    ]
    here = {name: pump for name, pump in pumps.items() if unit is None or pump.unit == unit}
    fed = _fed(source, here, spans, names, Feeds.of(story, names, pumps), progress)
    bridges = None if unit is None else {pump.bridge for pump in here.values()}
    unseen = gaps(story.others, whole, bridges, source.stopped(whole.end))
    frontier = reader.frontier()
    return Review(
        site=site.name,
        unit="all units" if unit is None else source.called.get(unit, unit),
        span=whole,
        zone=site.zone,
        zone_name=site.zone_name,
        weeks=tuple(
            _week(span, mine, fed[place], names, recorded(span, begun, unseen), unseen)
            for place, span in enumerate(spans)
        ),
        offenders=offenders(mine, names, spans),
        gaps=unseen,
        drills=_drills(story, whole, unit),
        entries=frontier.size,
        root=frontier.root().hex(),
        unreadable=sum(story.unreadable.values()),
    )


def recorded(span: Span, begun: int, unseen: Iterable[Gap]) -> str:
    """How much of a week lies after the trail's first entry; nothing is recorded where Second Bell did not run."""
    away = out_of_sight((gap for gap in unseen if gap.why == DID_NOT_RUN), span)
    if span.end <= begun or away == span.end - span.start:
        return NONE
    return PART if span.start < begun else ALL


class Fed(NamedTuple):
    """A week's feeding: device-days by unit, what was planned and given where both are known, and how often not."""

    days: Mapping[str, int]
    planned_ml: float
    given_ml: float
    not_known: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Once(Source):
    """A source that reads the marks of a device once, for all days of `whole`."""

    whole: Span
    kept: dict[str, tuple[list[Mark], list[int]]] = field(default_factory=dict)

    def marks(self, device: str, span: Span) -> list[Mark]:
        """As of any source: from the last mark before a span to the first one after it."""
        if device not in self.kept:
            found = Source.marks(self, device, self.whole)
            self.kept[device] = found, [mark.at for mark in found]
        marks, at = self.kept[device]
        return marks[max(0, bisect_left(at, span.start) - 1) : bisect_left(at, span.end) + 1]


def _fed(
    source: Source,
    pumps: Mapping[str, Pump],
    spans: Sequence[Span],
    names: Names,
    feeds: Feeds,
    progress: Callable[[int, int], None] | None,
) -> list[Fed]:
    days: list[Counter[str]] = [Counter() for _ in spans]
    planned_ml, given_ml = [0.0] * len(spans), [0.0] * len(spans)
    not_known = [0] * len(spans)
    once = _Once(
        site=source.site,
        reader=source.reader,
        called=source.called,
        whole=Span(spans[0].start, spans[-1].end),
    )
    local = [local_days(source.site.zone, span) for span in spans]
    for done, (name, pump) in enumerate(pumps.items()):
        if progress is not None:
            progress(done, len(pumps))
        for place, week in enumerate(local):
            for day in week:
                if not _heard(once.marks(name, day), pump, day):
                    continue  # off in a cupboard, or out of sight: not under watch
                found = night(once, name, pump, day, names, feeds)
                days[place][names.called_unit(pump.unit)] += 1
                if found.planned_ml is None:
                    continue
                # By what plan it was fed before the last change of it, nobody can say any more.
                older = feeds.changed.get(name, 0) > day.start
                if older or found.given_ml is None or not found.complete:
                    not_known[place] += 1
                else:
                    planned_ml[place] += found.planned_ml
                    given_ml[place] += found.given_ml
        once.kept.clear()
    return [Fed(*found) for found in zip(days, planned_ml, given_ml, not_known, strict=True)]


def _heard(marks: Iterable[Mark], pump: Pump, day: Span) -> bool:
    """Whether a pump was heard of on a day."""
    heard = (pump.heard, *(at for mark in marks for at in (mark.at, mark.heard)))
    return any(day.start <= at < day.end for at in heard)


def _week(
    span: Span, mine: Sequence[Course], fed: Fed, names: Names, recorded: str, unseen: Iterable[Gap]
) -> Week:
    accepted, by_itself = answered(mine, span)
    raised = [course for course in mine if span.start <= course.raised < span.end]
    zone = names.site.zone
    hours = Counter((course.raised + zone.offset(course.raised)) % DAY // HOUR for course in raised)
    return Week(
        span=span,
        device_days=sum(fed.days.values()),
        raised=Counter(course.rule for course in raised),
        accepted=accepted,
        by_itself=by_itself,
        openings=accepted.number + by_itself,
        planned_ml=fed.planned_ml,
        given_ml=fed.given_ml,
        not_known=fed.not_known,
        recorded=recorded,
        out_of_sight=out_of_sight(unseen, span),
        days_by_unit=fed.days,
        by_unit=Counter(names.called_unit(names.unit(names.device(course.device))) for course in raised),
        by_hour=tuple(hours[hour] for hour in range(24)),
    )


def out_of_sight(unseen: Iterable[Gap], span: Span) -> int:
    """For how long (ms) of a span at least one thing kept Second Bell from seeing or telling."""
    total, until = 0, span.start
    for gap in sorted(unseen, key=lambda gap: gap.start):
        start, end = max(gap.start, until), min(span.end if gap.end is None else gap.end, span.end)
        if start < end:
            total, until = total + end - start, end
    return total


def offenders(mine: Iterable[Course], names: Names, spans: Sequence[Span]) -> tuple[Offender, ...]:
    """The pumps that trouble most, counted as a handover counts what keeps coming back."""
    found = []
    for one in troubled(mine, names, Span(spans[0].start, spans[-1].end)):
        weeks = sum(any(span.start <= at < span.end for at in one.begun) for span in spans)
        found.append(
            Offender(names.place(one.device), one.device, len(one.begun), weeks, one.what[:MOST_WHATS])
        )
    return tuple(found)


def _drills(story: Story, whole: Span, unit: str | None) -> dict[str, int]:
    """How drills ended, by their outcome's word."""
    ended: Counter[str] = Counter()
    for at, event, told in story.others:
        detail = told.get("detail") or {}
        if event == "drill-ended" and whole.start <= at < whole.end and unit in (None, detail.get("unit")):
            ended[str(detail.get("outcome", "unknown"))] += 1
    return dict(ended)
