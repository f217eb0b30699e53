"""`secondbell study`: plays simulated nights, and shows what each way of telling people did for them."""

from __future__ import annotations

import argparse
import json
import shlex
import sys
import time
from contextlib import AbstractContextManager, closing, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from monitor.commandline import BAD_INPUT, INTERRUPTED, WRONG, say

if TYPE_CHECKING:
    from monitor.study.asked import Asked
    from monitor.study.findings import Findings
    from monitor.study.results import Results

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

HELP: Final = "what each way of telling people does for simulated nights of which the truth is known"
DESCRIPTION: Final = """\
Plays the same simulated nights under each way of telling people (nobody told; every alarm forwarded; Second Bell as
shipped, without each rule, and with thresholds at other values) and holds them against the truth that the simulator
knows: who was reached, how often somebody was called and for nothing, how much feed was not given. Writes a page
(study.html), tables (study.csv, study.json) and, with the extra `plots`, pictures. Nights that are in the folder
already are not played again, so what was interrupted goes on, and more seeds can be added."""
EPILOG: Final = (
    "Design evidence from simulated nights, not a clinical claim. Exit status: 0 done, 1 a night could not be played "
    "or something could not be written, 2 usage or bad input, 130 interrupted."
)
FAILED: Final = "failed.txt"


def add(commands: Commands) -> None:
    """Add the command."""
    study = commands.add_parser("study", help=HELP, description=DESCRIPTION, epilog=EPILOG)
    study.add_argument(
        "--world", action="append", metavar="NAME", help="ward, homes, or a world file; may be given several times "
        "(default: both)",
    )  # fmt: skip
    study.add_argument(
        "--strategies", type=Path, metavar="FILE", help="a strategies file (default: the shipped one)"
    )
    study.add_argument(
        "--site", type=Path, metavar="FILE", help="also play the rules and thresholds of this site file"
    )
    study.add_argument(
        "--seeds", type=_seeds, default="30", metavar="N|A-B",
        help="how many nights of each world, or from which seed to which (default: 30, a month)",
    )  # fmt: skip
    study.add_argument(
        "--only", action="append", choices=("main", "rules", "sweeps"),
        help="main: strategies side by side; rules: each rule left out; sweeps: thresholds at other values (default: "
        "all); may be given several times",
    )  # fmt: skip
    study.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE",
        help="change a figure of the world, as the page lists them; may be given several times",
    )  # fmt: skip
    study.add_argument(
        "--out", type=Path, default=Path("study"), metavar="DIR", help="the study's folder (default: study)"
    )
    study.add_argument("--cores", type=_cores, metavar="N", help="processes at once (default: all cores)")
    study.add_argument("--format", choices=("text", "json"), default="text")
    study.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Play, sum up, show."""
    from monitor.study import asked as asking
    from monitor.study.results import InUse, Results

    asked = asking.asked(
        worlds=args.world, strategies=args.strategies, site=args.site, seeds=args.seeds, only=args.only or (),
        changed=args.set,
    )  # fmt: skip
    if args.site is not None and (own := asking.put_aside(args.site)):
        more = f" and {len(own) - 5} more" if len(own) > 5 else ""
        say(f"put aside, as the pumps are invented: the values of {', '.join(own[:5])}{more}")
    try:
        results = Results(args.out, asked.header())
    except InUse as error:
        say(str(error))
        return BAD_INPUT
    except OSError as error:
        say(f"--out {error.filename or args.out}: {error.strerror or error}")
        return BAD_INPUT
    with results:
        for text in results.said:
            say(text)
        return _study(args, asked, results)


def _study(args: argparse.Namespace, asked: Asked, results: Results) -> int:
    from monitor.study.findings import findings_of
    from monitor.study.running import StudyFailed

    began = time.monotonic()
    (args.out / FAILED).unlink(missing_ok=True)
    try:
        played, messages = _play(args, asked, results)
        seconds = time.monotonic() - began
        with _status("summing up"):
            findings = findings_of(asked, results.nights, played=played, seconds=seconds, messages=messages)
        return _show(args, findings)
    except KeyboardInterrupt:
        there = sum(len(names) for names in _there(asked, results))
        say(f"interrupted: {there} of {asked.nights} nights are in {results.path}; to go on: {_again()}")
        return INTERRUPTED
    except StudyFailed as failed:
        say(f"{failed}; the nights before it are kept in {results.path}")
        if failed.trace:
            (args.out / FAILED).write_text(failed.trace, encoding="utf-8")
            say(f"what the program said of it: {args.out / FAILED}")
        return WRONG


def _there(asked: Asked, results: Results) -> list[list[str]]:
    return [
        [one.name for one in asked.chosen if (world.name, one.name, seed) in results.nights]
        for world in asked.worlds
        for seed in asked.seeds
    ]


def _play(args: argparse.Namespace, asked: Asked, results: Results) -> tuple[int, int]:
    """Play what is not there; how many nights, and their messages."""
    from monitor.study.playing import Nights
    from monitor.study.progress import shown
    from monitor.study.running import play_all

    tasks = asked.tasks(results.nights)
    missing = asked.nights - sum(len(names) for names in _there(asked, results))
    played = messages = 0
    if not tasks:
        return 0, 0
    play = Nights(worlds={world.name: world for world in asked.worlds}, strategies=asked.chosen)
    with (
        shown(missing, say, time.monotonic) as progress,
        closing(
            play_all(tasks, play, cores=args.cores)  # whatever ends this ends the processes
        ) as nights,
    ):
        for night in nights:
            if results.add(night):
                played, messages = played + 1, messages + night.messages
                progress(night)
    return played, messages


def _show(args: argparse.Namespace, findings: Findings) -> int:
    from monitor.study import page, plots, written
    from monitor.study.tables import print_findings

    figures = written.as_json(findings)
    made: list[Path] = []
    pictures: dict[str, Path] = {}
    without = plots.require()
    try:
        made.append(_write(args.out / "study.csv", written.as_csv(findings)))
        made.append(_write(args.out / "study.json", json.dumps(figures, indent=1, ensure_ascii=False) + "\n"))
        if without is None:
            pictures = plots.draw(findings, args.out)
        now = time.time_ns() // 1_000_000
        made.append(_write(args.out / "study.html", page.html(findings, pictures, now, without=without)))
    except OSError as error:
        say(f"{error.filename or args.out}: {error.strerror or error}")
        return WRONG
    if args.format == "json":
        print(json.dumps(figures, indent=1, ensure_ascii=False))
    else:
        print_findings(findings, _console())
    if without is not None:
        say(without)
    for path in made:
        say(f"written: {path}")
    if pictures:
        say(f"written: in {args.out}, as PNG and SVG: {', '.join(pictures)}")
    return 0


def _status(text: str) -> AbstractContextManager[object]:
    """A word for a terminal while one waits some seconds."""
    if not sys.stderr.isatty():
        return nullcontext()
    from rich.console import Console

    return Console(stderr=True).status(text)


def _write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def _again() -> str:
    return f"secondbell {shlex.join(sys.argv[1:])}"


def _console() -> Any:
    from rich.console import Console

    from monitor.study.tables import WIDE

    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=WIDE)


def _seeds(text: str) -> range:
    from monitor.study.seeds import seeds

    try:
        return seeds(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text}: {error}") from None


def _cores(text: str) -> int:
    if not (text.isascii() and text.isdigit()) or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text}: a whole number from 1")
    return int(text)
