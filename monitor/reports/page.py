"""The handover as one HTML file that stands alone and prints on A4, and as PDF."""

from __future__ import annotations

from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from monitor.core.guidance import CAUTION
from monitor.core.instants import HOUR
from monitor.core.load import Band
from monitor.core.phrases import clock, for_how_long, ml, quantity, times
from monitor.core.plans import Zone
from monitor.reports.answers import answers, natural, not_seen
from monitor.reports.handover import Handover
from monitor.reports.strips import LEGEND, scale, strip, totals

BANDS: Final = {
    Band.ACCEPTABLE: "acceptable (up to 6)",
    Band.MANAGEABLE: "the most that can be managed (up to 12)",
    Band.OVER: "more than can be managed (over 12)",
}
"""ISA-18.2 / IEC 62682 for one operator and hour (secondary source)."""


MOST_ROWS: Final = 300  # of what was over: a bad night's page must still be printed and mailed


class PdfMissing(Exception):
    """What makes PDFs is not installed."""


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

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    folder = files("monitor.reports") / "templates"
    template = environment.from_string((folder / "handover.html").read_text(encoding="utf-8"))
    lasted = span.end - span.start
    nights = sorted(report.nights, key=lambda night: natural(night.place, night.device))
    return template.render(
        report=report,
        unit=report.unit,
        day=date(span.start, report),
        times=f"{clock(span.start, span.start, zone)} to {until(report)}",
        length=f", {for_how_long(lasted)}" if lasted % HOUR == 0 else "",
        so_far=at(report.as_of) if report.as_of < span.end else "",
        caution=CAUTION,
        style=Markup((folder / "style.css").read_text(encoding="utf-8")),
        legend=LEGEND,
        answers=answers(report),
        not_seen=not_seen(report),
        at=at,
        times_of=times,
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
        made=f"{date(made, report)} {clock(made, made, zone)}",
    )


def weasyprint() -> Any:
    """What makes PDFs; PdfMissing without it or without the libraries that it needs."""
    try:
        import weasyprint
    except ImportError as error:
        raise PdfMissing("a PDF needs WeasyPrint: pip install 'secondbell[pdf]'") from error
    except OSError as error:  # it is there, and the system's own libraries are not
        raise PdfMissing(f"a PDF needs the libraries of WeasyPrint: {error}") from error
    return weasyprint


def pdf(page: str, path: Path) -> None:
    """Write the page as PDF; PdfMissing, OSError."""
    weasyprint().HTML(string=page, url_fetcher=_nothing).write_pdf(path)


def _nothing(url: str) -> dict[str, object]:
    raise ValueError(f"a report fetches nothing: {url}")


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
            low, high = (for_how_long_s(one) for one in (found.quarter, found.three_quarters))
            said += (
                f"Half were accepted within {for_how_long_s(found.median)} "
                f"(a quarter {low}, three quarters {high})."
            )
        if found.accepted < found.number:
            said += " Those that nobody accepted count as having waited until they ended (Kaplan-Meier)."
    by_itself = report.by_itself
    more = f" {by_itself} ended before anybody was told." if by_itself else ""
    return said + more


def for_how_long_s(ms: int | None) -> str:
    """A duration to the second; "never" where it did not come to it."""
    if ms is None:
        return "never"
    minutes, seconds = divmod(round(ms / 1000), 60)
    return f"{minutes} min {seconds} s" if minutes else f"{seconds} s"


def date(at: int, report: Handover) -> str:
    """The local day of an instant, with its weekday."""
    return local_date(at, report.zone, "%A %-d %B %Y")


def local_date(at: int, zone: Zone, form: str) -> str:
    """The local day of an instant, as `strftime` writes it."""
    return datetime.fromtimestamp((at + zone.offset(at)) / 1000, UTC).strftime(form)


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
