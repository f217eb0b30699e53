"""What every report's page has: one frame that stands alone and prints on A4, its day, and a PDF of it."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from monitor.core.guidance import CAUTION
from monitor.core.phrases import clock, times
from monitor.core.plans import Zone

DAY: Final = "%A %-d %B %Y"


class PdfMissing(Exception):
    """What makes PDFs is not installed."""


def render(name: str, *, made: int, zone: Zone, **told: object) -> str:
    """The page of a template; `made` is when, ms UTC."""
    return (
        _environment()
        .get_template(name)
        .render(made=f"{local_date(made, zone, DAY)} {clock(made, made, zone)}", **told)
    )


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("monitor.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        auto_reload=False,
    )
    style = files("monitor.reports") / "templates" / "style.css"
    made.globals |= {
        "style": Markup(style.read_text(encoding="utf-8")),
        "caution": CAUTION,
        "times_of": times,
    }
    return made


def local_date(at: int, zone: Zone, form: str) -> str:
    """The local day of an instant, as `strftime` writes it."""
    return datetime.fromtimestamp((at + zone.offset(at)) / 1000, UTC).strftime(form)


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
