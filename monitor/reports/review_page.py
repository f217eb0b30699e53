"""The review as one HTML file."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import Final, NamedTuple

from markupsafe import Markup

from monitor.core.fact_words import what_of
from monitor.core.phrases import capital, for_how_long, times, to_the_second
from monitor.reports.frame import local_date, render
from monitor.reports.review import ALL, FEW_WEEKS, NONE, Review, Week
from monitor.reports.survival import Acceptance

INK: Final = "#2a4d7c"
PARTS: Final = (("night", 0, 6), ("morning", 6, 12), ("afternoon", 12, 18), ("evening", 18, 24))
MOST_LABELLED: Final = 12  # weeks that have room for their number above their column
DRILL_ENDS: Final = {"accepted": "accepted", "missed": "missed: nobody accepted", "withdrawn": "taken back"}


class Series(NamedTuple):
    """What one small picture shows: a value for each week, None where it is not known."""

    title: str
    under: str
    values: tuple[float | None, ...]


def html(report: Review, made: int) -> str:
    """The page; `made` is when, ms UTC."""
    zone = report.zone
    weeks = report.weeks
    rules = [
        Series(capital(what_of(rule)), rule, _each(report, partial(Week.per_device_day, rule=rule)))
        for rule in report.rules
    ]
    units = [
        Series(unit, "", _each(report, partial(Week.of_unit, unit=unit)))
        for unit, (_, days) in report.by_unit.items()
        if days
    ]
    parts = [
        Series(
            f"{capital(name)}, {first:02d}:00 to {until:02d}:00",
            "",
            _each(report, partial(Week.of_hours, first=first, until=until)),
        )
        for name, first, until in PARTS
    ]
    return render(
        "review.html",
        made=made,
        zone=zone,
        report=report,
        first=local_date(report.span.start, zone, "%-d %B %Y"),
        last=local_date(report.span.end - 1, zone, "%-d %B %Y"),
        day=lambda at: local_date(at, zone, "%-d %b %Y"),
        few=few(report),
        glance=glance(report),
        no_record=NONE,
        whole=ALL,
        rate=rate,
        share=share,
        accepted=accepted,
        missing=for_how_long,
        bar=bar,
        highest=max((value for value in _each(report, Week.per_device_day) if value), default=0),
        rules=small(rules, weeks, report),
        units=small(units, weeks, report),
        parts=small(parts, weeks, report),
        hours=hours(report.by_hour, sum(week.device_days for week in weeks)),
        unseen=unseen(report),
        drills=", ".join(f"{DRILL_ENDS.get(end, end)} {often}" for end, often in sorted(report.drills.items())),
    )  # fmt: skip


def _each(report: Review, of: Callable[[Week], float | None]) -> tuple[float | None, ...]:
    """A value of each week; of those that were not recorded none is known."""
    return tuple(None if week.recorded == NONE else of(week) for week in report.weeks)


def few(report: Review) -> str:
    """What is to be said where there is too little for a trend."""
    number, known = len(report.weeks), report.recorded
    if known == number and number >= FEW_WEEKS:
        return ""
    said = f"{known} of {number} weeks {'is' if known == 1 else 'are'} recorded from begin to end. "
    if known == number:
        said = ""
    return said + ("Too few weeks to speak of a trend." if known < FEW_WEEKS else "")


class Glance(NamedTuple):
    """One figure of the newest week, and what to compare it with."""

    title: str
    value: str
    compared: str


def glance(report: Review) -> tuple[Glance, ...]:
    """The newest week beside all those before it together."""
    newest, before = report.weeks[-1], [week for week in report.weeks[:-1] if week.recorded != NONE]
    days = sum(week.device_days for week in before)
    earlier = sum(week.number for week in before if week.device_days) / days if days else None
    planned = sum(week.planned_ml for week in before)
    given = sum(week.given_ml for week in before) / planned if planned > 0 else None
    told = sorted(
        week.accepted.median for week in before if week.accepted.number and week.accepted.median is not None
    )
    usual = "not known"
    if told:
        least, most = to_the_second(told[0]), to_the_second(told[-1])
        usual = least if least == most else f"{least} to {most}"
    none = newest.recorded == NONE
    return (
        Glance(
            "Concerns per 100 device-days",
            rate(None if none else newest.per_device_day()),
            f"the weeks before: {rate(earlier)}",
        ),
        Glance(
            "Half accepted within",
            "unknown" if none else accepted(newest.accepted),
            f"the weeks before: {usual}",
        ),
        Glance(
            "Feed given of planned",
            share(newest.given_share),
            f"the weeks before: {share(given)}",
        ),
    )  # fmt: skip


def rate(per_device_day: float | None) -> str:
    """Concerns per 100 device-days."""
    return "unknown" if per_device_day is None else f"{100 * per_device_day:.1f}"


def share(value: float | None) -> str:
    """A share in per cent, to the lower one: what is not all is never said to be 100 %."""
    return "unknown" if value is None else f"{math.floor(100 * value + 1e-9)} %"


def accepted(found: Acceptance) -> str:
    """The median, or why there is none."""
    if not found.number:
        return "nobody told"
    return to_the_second(found.median) if found.median is not None else "fewer than half"


def bar(value: float | None, highest: float) -> Markup:
    """A bar as long as the value; a dashed frame where it is not known."""
    if value is None:
        return Markup(
            '<svg viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true"><rect x=".5" y=".5" width="99"'
            ' height="9" fill="none" stroke="#767676" stroke-dasharray="3 3"/></svg>'
        )
    width = 0 if highest <= 0 else round(100 * value / highest, 1)
    return Markup(
        '<svg viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true">'
        '<rect width="1" height="10" fill="#111"/><rect width="{}" height="10" fill="{}"/></svg>'
    ).format(width, INK)


def small(series: Sequence[Series], weeks: Sequence[Week], report: Review) -> list[tuple[str, str, Markup]]:
    """Small pictures side by side, all to one scale: a column for each week, "?" where nothing is known."""
    highest = max((value for one in series for value in one.values if value), default=0.0)
    labels = [local_date(week.span.start, report.zone, "%-d %b") for week in weeks]
    return [(one.title, one.under, columns(one, labels, highest)) for one in series]


def columns(one: Series, labels: Sequence[str], highest: float) -> Markup:
    """One series as columns above a line, with the axis' highest value and the first and last week."""
    number = len(one.values)
    wide, left, base, tall = 270 / number, 30, 84, 64
    y: float
    column = '<rect x="{}" y="{}" width="{}" height="{}" fill="{}"/>'
    parts = [
        Markup(
            '<path d="M30 {0}H300" stroke="#111"/><path d="M30 {1}H300" stroke="#bbb" stroke-dasharray="2 3"/>'
            '<text x="26" y="{0}" font-size="11" text-anchor="end" fill="#333">0</text>'
            '<text x="26" y="{2}" font-size="11" text-anchor="end" fill="#333">{3}</text>'
        ).format(base, base - tall, base - tall + 4, f"{100 * highest:.1f}" if highest else "")
    ]
    for place, value in enumerate(one.values):
        x = round(left + place * wide + wide * 0.12, 1)
        middle, broad = round(left + (place + 0.5) * wide, 1), round(wide * 0.76, 1)
        height = 0.0 if not value or not highest else round(tall * value / highest, 1)
        if value is None:
            said, y = "?", base - 4.0
        else:
            parts.append(Markup(column).format(x, base - height, broad, height, INK))
            said, y = f"{100 * value:.1f}" if value else "0", round(base - height - 3, 1)
        if number <= MOST_LABELLED or value is None:
            size = 11 if number <= 8 else 9
            parts.append(
                Markup('<text x="{}" y="{}" font-size="{}" text-anchor="middle">{}</text>').format(
                    middle, y, size, said
                )
            )
    ends = {0: "start", number - 1: "end"} if number > 1 else {0: "start"}
    for place, anchor in ends.items():
        x = left if place == 0 else 300
        parts.append(
            Markup('<text x="{}" y="98" font-size="11" text-anchor="{}" fill="#333">{}</text>').format(
                x, anchor, labels[place]
            )
        )
    told = ", ".join(
        f"week from {label}: {rate(value)}" for label, value in zip(labels, one.values, strict=True)
    )
    return Markup('<svg class="small" viewBox="0 0 304 102" role="img"><title>{}</title>{}</svg>').format(
        f"{one.title}, concerns per 100 device-days. {told}", Markup("").join(parts)
    )


def hours(by_hour: tuple[int, ...], device_days: int) -> Markup:
    """A column for each hour of the day, with its number above it."""
    highest = max(by_hour) or 1
    shape = (
        '<rect x="{}" y="{}" width="30" height="{}" fill="{}"/>'
        '<text x="{}" y="{}" font-size="15" text-anchor="middle">{}</text>'
        '<text x="{}" y="134" font-size="15" text-anchor="middle" fill="#333">{:02d}</text>'
    )
    parts = [Markup('<path d="M0 116H960" stroke="#111"/>')]
    for hour, number in enumerate(by_hour):
        x, height = hour * 40 + 5, round(96 * number / highest, 1)
        parts.append(
            Markup(shape).format(
                x, 116 - height, height, INK, x + 15, 112 - height, number if device_days or number else "?",
                x + 15, hour,
            )
        )  # fmt: skip
    told = ", ".join(f"{hour:02d} h {number}" for hour, number in enumerate(by_hour) if number) or "none"
    return Markup('<svg class="hours" viewBox="0 0 960 140" role="img"><title>{}</title>{}</svg>').format(
        f"Concerns raised in each hour of the day: {told}", Markup("").join(parts)
    )


def unseen(report: Review) -> str:
    """For how long Second Bell could not see, and why, in a sentence."""
    if not report.gaps:
        return "No gap is known."
    total = sum(week.out_of_sight for week in report.weeks)
    whys = sorted({gap.why for gap in report.gaps})
    more = f"; and {len(whys) - 8} other causes" if len(whys) > 8 else ""
    return (
        f"{times(len(report.gaps)).capitalize()}, {for_how_long(total)} in all: {'; '.join(whys[:8])}{more}."
    )
