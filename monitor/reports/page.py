"""The handover as one HTML file."""

from __future__ import annotations

from typing import Final

from markupsafe import Markup

from monitor.core.instants import HOUR
from monitor.core.load import Band
from monitor.core.phrases import clock, for_how_long, ml, quantity, to_the_second
from monitor.reports.answers import answers, natural, not_seen
from monitor.reports.frame import DAY, local_date, render
from monitor.reports.handover import Handover
from monitor.reports.strips import LEGEND, scale, strip, totals

BANDS: Final = {
    Band.ACCEPTABLE: "acceptable (up to 6)",
    Band.MANAGEABLE: "the most that can be managed (up to 12)",
    Band.OVER: "more than can be managed (over 12)",
}
"""ISA-18.2 / IEC 62682 for one operator and hour (secondary source)."""


MOST_ROWS: Final = 300  # of what was over: a bad night's page must still be printed and mailed


def html(report: Handover, made: int) -> str:
    """The page; `made` is when, ms UTC."""
    span, zone = report.span, report.zone

    def at(instant: int | None) -> str:
        return "unknown" if instant is None else clock(instant, report.as_of, zone)

    def volume(
        volume_ml: float | None, kcal_per_ml: float | None, bound: str = "", complete: bool = True
    ) -> Markup | str:
        if volume_ml is None:
            return Markup('<span class="unknown">{}</span>').format(bound or "unknown")
        shown = ("" if complete else bound) + ml(volume_ml)
        if kcal_per_ml is None:
            return shown
        return Markup("{} <small>{}</small>").format(shown, quantity(volume_ml * kcal_per_ml, "kcal"))

    lasted = span.end - span.start
    nights = sorted(report.nights, key=lambda night: natural(night.place, night.device))
    return render(
        "handover.html",
        made=made,
        zone=zone,
        report=report,
        unit=report.unit,
        day=date(span.start, report),
        times=f"{clock(span.start, span.start, zone)} to {until(report)}",
        length=f", {for_how_long(lasted)}" if lasted % HOUR == 0 else "",
        so_far=at(report.as_of) if report.as_of < span.end else "",
        legend=LEGEND,
        answers=answers(report),
        not_seen=not_seen(report),
        at=at,
        volume=volume,
        fed=sorted(nights, key=lambda night: -(night.missed_ml or 0)),
        scale=scale(span, zone),
        strips=[
            (night, strip(night, span, zone, number), totals(night, report.as_of))
            for number, night in enumerate(nights)
        ],
        acceptance=acceptance(report),
        bands=BANDS,
        any_doubt=any(night.doubts for night in nights),
        most_rows=MOST_ROWS,
    )


def acceptance(report: Handover) -> str:
    """How long it took until somebody said "mine", in a sentence."""
    found = report.accepted
    if not found.number:
        said = "Nobody had to be told in this shift."
    else:
        said = f"{found.number} calls were told, {found.accepted} of them accepted. "
        if found.median is None:
            said += "Fewer than half were ever accepted."
        else:
            low, high = (
                "never" if one is None else to_the_second(one)
                for one in (found.quarter, found.three_quarters)
            )
            said += (
                f"Half were accepted within {to_the_second(found.median)} "
                f"(a quarter {low}, three quarters {high})."
            )
        if found.accepted < found.number:
            said += " Those that nobody accepted count as having waited until they ended (Kaplan-Meier)."
    by_itself = report.by_itself
    more = f" {by_itself} ended before anybody was told." if by_itself else ""
    return said + more


def date(at: int, report: Handover) -> str:
    """The local day of an instant, with its weekday."""
    return local_date(at, report.zone, DAY)


def when(report: Handover) -> str:
    """The shift in a few words, with its day."""
    span, zone = report.span, report.zone
    day = local_date(span.start, zone, "%a %-d %b")
    shown = [clock(at, at, zone) for at in (span.start, span.end)]
    return f"{day}, {span.name + ' ' if span.name else ''}{' to '.join(shown)}"


def until(report: Handover) -> str:
    """The end of the shift, with its date where that is another."""
    end = report.span.end
    same = date(report.span.start, report) == date(end, report)
    shown = clock(end, end, report.zone)
    return shown if same else f"{shown} on {date(end, report)}"
