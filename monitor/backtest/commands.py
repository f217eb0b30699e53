"""`secondbell compare` and `secondbell sweep`."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.commandline import BAD_INPUT, WRONG, say, usage
from monitor.core.instants import parse

if TYPE_CHECKING:
    from monitor.backtest.playing import Progress
    from monitor.core.site import Site

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

TRACES_HELP = (
    "JSON lines, one message a line; or a recording of `run --record`: its folder, or its hours' files"
)
EPILOG = (
    "Design evidence from recorded messages, not a clinical claim. People's answers are not simulated: nobody accepts, "
    "so ladders climb to their end."
)


def add(commands: Commands) -> None:
    """Add both."""
    compare = commands.add_parser(
        "compare", help="what two site files would have told of the same recorded messages", epilog=EPILOG
    )
    compare.add_argument("traces", type=Path, nargs="+", metavar="TRACE", help=TRACES_HELP)
    compare.add_argument(
        "--site", type=Path, action="append", required=True, metavar="FILE", help="a site file; exactly twice"
    )
    _add_common(compare)
    compare.set_defaults(run=_compare)
    sweep = commands.add_parser(
        "sweep",
        help="what a rule would have told of recorded messages at each value of a threshold",
        epilog=EPILOG,
    )
    sweep.add_argument("rule", metavar="RULE", help="the rule's id")
    sweep.add_argument("key", metavar="KEY", help="the threshold, as the rule file calls it")
    sweep.add_argument("first", metavar="FROM", help='the first value, such as "2 min", "20 %%" or 3')
    sweep.add_argument("last", metavar="TO", help="the last value")
    sweep.add_argument("step", metavar="STEP", help="from one value to the next")
    sweep.add_argument("--traces", type=Path, nargs="+", required=True, metavar="TRACE", help=TRACES_HELP)
    sweep.add_argument(
        "--site", type=Path, metavar="FILE", help="default: shipped rules, every device known, no plan"
    )
    sweep.add_argument("--plot", type=Path, metavar="NAME", help="also write NAME.png and NAME.svg")
    _add_common(sweep)
    sweep.set_defaults(run=_sweep)


def _add_common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--until", metavar="TIME", help="RFC 3339; default: the last message")
    parser.add_argument("--format", choices=("text", "json"), default="text")
    parser.add_argument("--cores", type=_cores, metavar="N", help="processes at once (default: all cores)")


def _compare(args: argparse.Namespace) -> int:
    from monitor.backtest import compare
    from monitor.backtest.playing import play
    from monitor.backtest.sweep import doubts
    from monitor.backtest.tables import print_compared

    if len(args.site) != 2:
        raise usage(f"--site twice, once for each side; {len(args.site)} given")
    sites = [_site(path) for path in args.site]
    if len({(site.name, site.prefix) for site in sites}) > 1:
        both = " and ".join(repr(site.name) for site in sites)
        raise usage(
            f"two files of one site are compared, as its messages are in the traces; these are {both}"
        )
    with _progress() as progress:
        first, second = _guarded(
            lambda: play(args.traces, sites, until=_until(args), cores=args.cores, progress=progress)
        )
    names = compare.names_of([str(path) for path in args.site])
    compared = compare.Compared(names=names, played=(first, second))
    doubts(compared.played, say)
    if args.format == "json":
        print(json.dumps(compare.as_json(compared), indent=2, ensure_ascii=False))
    else:
        print_compared(compared, _console())
    return 0


def _sweep(args: argparse.Namespace) -> int:
    from monitor.backtest import plots, sweep
    from monitor.backtest.tables import print_swept

    site = _site(args.site)
    asked = sweep.wanted(site, args.rule, args.key, args.first, args.last, args.step)
    if args.plot is not None:
        try:
            plots.require()
        except plots.PlotsMissing as missing:
            say(str(missing))
            return BAD_INPUT
        if not args.plot.parent.is_dir():
            say(f"--plot {args.plot}: no folder {args.plot.parent}")
            return BAD_INPUT
    if own := sweep.own_values(site, asked.rule.id, asked.key):
        more = f" and {len(own) - 5} more" if len(own) > 5 else ""
        say(f"put aside, as each replay has one value everywhere: the values of {', '.join(own[:5])}{more}")
    with _progress() as progress:
        swept = _guarded(
            lambda: sweep.sweep(
                args.traces,
                site,
                asked,
                known=args.site is None,
                until=_until(args),
                cores=args.cores,
                progress=progress,
            )
        )
    sweep.doubts(swept.played, say)
    if args.format == "json":
        print(json.dumps(sweep.as_json(swept), indent=2, ensure_ascii=False))
    else:
        print_swept(swept, _console())
    if args.plot is not None:
        try:
            for path in plots.draw(swept, args.plot):
                say(f"written: {path}")
        except OSError as error:
            say(f"{error.filename or args.plot}: {error.strerror or error}")
            return WRONG
    return 0


def _site(path: Path | None) -> Site:
    from monitor.replay import TRACE_KEY, trace_site

    if path is None:
        from monitor.shipped import shipped_rules

        return trace_site(shipped_rules())
    from monitor.settings import load

    return load(path, key=TRACE_KEY).site


def _guarded(work: Any) -> Any:
    """The result of a replay; a process that ended by itself is no stack trace."""
    try:
        return work()
    except RuntimeError as error:
        say(str(error))
        raise SystemExit(WRONG) from None


def _until(args: argparse.Namespace) -> int | None:
    if args.until is None:
        return None
    try:
        return parse(args.until)
    except ValueError as error:
        raise usage(f"--until {args.until!r}: {error}") from None


def _cores(text: str) -> int:
    if not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text}: a whole number from 1")
    return int(text)


def _console() -> Any:
    from rich.console import Console

    from monitor.backtest.tables import WIDE

    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=WIDE)


@contextmanager
def _progress() -> Iterator[Progress | None]:
    """A progress bar on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("replaying"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("replaying", total=1.0)
        yield lambda share: bar.update(task, completed=share)
