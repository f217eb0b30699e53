"""`secondbell handover` and `secondbell review`: pages for people, made from the trail and the store.

Readers open the store read-only, so both work while the service runs.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commandline import BAD_INPUT, instant, say, site_file, usage
from monitor.core.instants import DAY, show

if TYPE_CHECKING:
    from monitor.reports.making import Source
    from monitor.reports.spans import Span
    from monitor.settings import Settings

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

LONGEST = 32 * DAY
MOST_WEEKS = 104


def add(commands: Commands) -> None:
    """Add both commands."""
    handover = commands.add_parser(
        "handover",
        help="one page about a shift: what is open and whose, who was given less than planned, what keeps coming back",
    )
    handover.add_argument("--unit", help="one unit; default: all, on one page")
    span = handover.add_argument_group(
        "which time (default: the night shift that is under way, or the last one)"
    )
    span.add_argument(
        "--shift", metavar="NAME", help="a shift of the site file (night and day, unless it says other)"
    )
    span.add_argument("--at", metavar="TIME", help="with --shift: the one that holds this RFC 3339 instant")
    span.add_argument("--from", dest="start", metavar="TIME", help="RFC 3339; with --to")
    span.add_argument("--to", dest="end", metavar="TIME", help="RFC 3339; with --from")
    handover.set_defaults(run=_handover)
    review = commands.add_parser(
        "review", help="weeks on one page: concerns, answers and feed, by rule, unit and hour of the day"
    )
    review.add_argument(
        "--weeks", type=int, default=8, metavar="N", help="how many, up to the last midnight; default: 8"
    )
    review.add_argument("--unit", help="one unit; default: all together")
    review.set_defaults(run=_review)
    for parser in (handover, review):
        parser.add_argument(
            "--site", type=Path, metavar="FILE", help="the site file (default: $SECONDBELL_SITE)"
        )
        parser.add_argument(
            "--out",
            type=Path,
            metavar="FILE",
            help="a .html or a .pdf; default: a .html in this folder, named by what it is",
        )
        parser.set_defaults(state=None)


def _handover(args: argparse.Namespace) -> int:
    from monitor.reports import page
    from monitor.reports.making import handover

    _check_out(args.out)
    with _source(args) as (settings, source):
        now = round(time.time() * 1000)
        span = _span(args, settings, now)
        units = list(settings.site.units)
        unit = units[0] if args.unit is None and len(units) == 1 else args.unit
        if span.start >= now:
            raise usage(f"nothing has happened yet: it begins at {show(span.start)}")
        _check_known(source, span)
        with _progress("reading the trail") as progress:
            report = handover(source, unit, span, now, progress)
        text = page.html(report, now)
    name = ["handover", unit or "all", _stamp(span.start, settings), *([span.name] if span.name else [])]
    return _write(args.out or Path("-".join(name) + ".html"), text)


def _review(args: argparse.Namespace) -> int:
    from monitor.reports import review_page
    from monitor.reports.review import review

    _check_out(args.out)
    if not 1 <= args.weeks <= MOST_WEEKS:
        raise usage(f"--weeks {args.weeks}: a number from 1 to {MOST_WEEKS}")
    with _source(args) as (settings, source):
        now = round(time.time() * 1000)
        with _progress("reading pumps") as progress:
            report = review(source, args.unit, args.weeks, now, progress)
        text = review_page.html(report, now)
    return _write(args.out or Path(f"review-{args.unit or 'all'}-{_stamp(now, settings)}.html"), text)


@contextmanager
def _source(args: argparse.Namespace) -> Iterator[tuple[Settings, Source]]:
    """The site and its store; ends the command with bad input if either cannot be read, or the unit is not there."""
    from monitor.adapters.store_errors import StoreError
    from monitor.adapters.store_reader import StoreReader
    from monitor.reports.making import Source
    from monitor.settings import load

    file = site_file(args)
    if file is None:
        raise usage("say which site: --site FILE, or SECONDBELL_SITE in the environment")
    settings = load(file, key=b"")
    if args.unit is not None and args.unit not in settings.site.units:
        raise usage(f"--unit {args.unit}: units of this site: {', '.join(settings.site.units) or 'none'}")
    try:
        with StoreReader(settings.state_dir, site=settings.site.name) as reader:
            yield settings, Source(site=settings.site, reader=reader, called=settings.units_called)
    except (StoreError, OSError) as error:
        raise usage(str(error)) from None


def _span(args: argparse.Namespace, settings: Settings, now: int) -> Span:
    from monitor.reports.spans import Span, shift

    if (args.start is None) != (args.end is None):
        raise usage("--from and --to belong together")
    if args.start is not None:
        if args.shift is not None or args.at is not None:
            raise usage("either --shift or --from and --to")
        span = Span(instant(args.start, "--from"), instant(args.end, "--to"))
        if not 0 < span.end - span.start <= LONGEST:
            raise usage(f"--to {args.end}: later than --from, by 32 days at the most")
        return span
    name = args.shift or next(iter(settings.shifts))
    if name not in settings.shifts:
        raise usage(f"--shift {name}: shifts of this site: {', '.join(settings.shifts)}")
    at = now if args.at is None else instant(args.at, "--at")
    return shift(name, settings.shifts, settings.site.zone, at)


def _stamp(at: int, settings: Settings) -> str:
    from monitor.reports.frame import local_date

    return local_date(at, settings.site.zone, "%Y-%m-%d")


@contextmanager
def _progress(what: str) -> Iterator[Callable[[int, int], None]]:
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task(what, total=None)
        yield lambda done, total: progress.update(task, completed=done, total=total)


def _check_known(source: Source, span: Span) -> None:
    """End with bad input for a time of which the trail tells nothing."""
    first = next(iter(source.reader.entries(after=1)), None)
    if first is None:
        raise usage(f"{source.reader.path}: nothing has been recorded yet")
    if span.end <= first.at:
        raise usage(
            f"nothing is known of the time until {show(span.end)}: the trail begins at {show(first.at)}"
        )


def _check_out(path: Path | None) -> None:
    """End with bad input, before any work, for a file that could not be written."""
    from monitor.reports.frame import PdfMissing, weasyprint

    if path is None:
        return
    if path.suffix not in (".html", ".pdf"):
        raise usage(f"--out {path}: a name that ends in .html or .pdf")
    try:
        if path.suffix == ".pdf":
            weasyprint()
    except PdfMissing as error:
        raise usage(f"--out {path}: {error}") from None


def _write(path: Path, text: str) -> int:
    from monitor.reports.frame import pdf

    try:
        if path.suffix == ".pdf":
            pdf(text, path)
        else:
            path.write_text(text, encoding="utf-8")
    except OSError as error:
        say(f"{path}: {error.strerror or error}")
        return BAD_INPUT
    print(path, file=sys.stdout)
    return 0
