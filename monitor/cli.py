"""The command line: `secondbell`. Exit status 0 done, 1 found something wrong, 2 usage or bad input."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import io
import json
import math
import os
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console

from monitor import (
    __version__,
    answer_commands,
    reconcile_command,
    report_commands,
    returned_command,
    why_command,
)
from monitor.backtest import commands as backtest_commands
from monitor.commandline import BAD_INPUT, INTERRUPTED, WRONG, add_place, add_site, instant, say
from monitor.core.guidance import CAUTION
from monitor.core.problems import ProblemsFound
from monitor.drill import command as drill_command
from monitor.rota import command as rota_command
from monitor.study import commands as study_commands
from monitor.trail import commands as trail_commands
from monitor.trail import proof_commands as trail_proof_commands
from monitor.watch import command as watch_command
from simulators import publish


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; never ends in a stack trace for what a user, a file or the network did."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(
                errors="backslashreplace"
            )  # a terminal without our letters still gets its lines
    try:
        status = _run_command(arguments)
        sys.stdout.flush()
        return status
    except ProblemsFound as error:
        say(str(error))
        return BAD_INPUT
    except KeyboardInterrupt:
        say("interrupted")
        return INTERRUPTED
    except BrokenPipeError:  # `| head`: nobody wants the rest
        _write_no_more()
        return 0
    except OSError as error:  # a full disk behind `>`
        say(f"{error.filename or 'output'}: {error.strerror or error}")
        _write_no_more()
        return WRONG


def _run_command(arguments: Sequence[str] | None) -> int:
    try:
        args = _parser().parse_args(arguments)
        status: int = args.run(args)
    except SystemExit as ended:  # --help, --version, or usage that has been explained
        return ended.code if isinstance(ended.code, int) else BAD_INPUT
    return status


def _write_no_more() -> None:
    """Keep the interpreter from flushing into a pipe or disk that takes nothing."""
    with contextlib.suppress(io.UnsupportedOperation):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="secondbell",
        description="When a feeding pump's own alarm was not enough: watch over MQTT, tell the right person, "
        "climb until somebody accepts.",
        epilog=f"Exit status: 0 done, 1 found something wrong, 2 usage or bad input. {CAUTION}",
    )
    parser.add_argument("--version", action="version", version=f"secondbell {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_demo(commands)
    _add_run(commands)
    watch_command.add_options(commands.add_parser("watch", help=watch_command.HELP))
    _add_check(commands)
    rota_command.add(commands)
    _add_init(commands)
    _add_replay(commands)
    backtest_commands.add(commands)
    study_commands.add(commands)
    simulate = commands.add_parser(
        "simulate", help="publish a simulated site to a broker, or write its trace"
    )
    publish.add_arguments(simulate)
    simulate.set_defaults(run=publish.run)
    answer_commands.add(commands)
    report_commands.add(commands)
    trail_commands.add(commands)
    trail_proof_commands.add_forget(commands)
    why_command.add(commands)
    returned_command.add(commands)
    drill_command.add(commands)
    reconcile_command.add(commands)
    contract = commands.add_parser(
        "contract", help="print the contract with bridges, generated from the models"
    )
    contract.add_argument("--format", choices=("jsonschema", "asyncapi", "notice"), default="jsonschema")
    contract.set_defaults(run=_contract)
    _describe(commands)
    return parser


def _describe(commands: Commands) -> None:
    """Whatever has no longer description says of itself what the list of commands says."""
    for listed in commands._choices_actions:
        parser, text = commands.choices[listed.dest], listed.help or ""
        parser.description = parser.description or f"{text[:1].upper()}{text[1:]}."
        for action in parser._actions:
            if isinstance(action, argparse._SubParsersAction):
                _describe(action)


if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]


def _add_demo(commands: Commands) -> None:
    demo = commands.add_parser(
        "demo", help="a simulated night in about a minute, everything really sent", epilog=CAUTION
    )
    demo.add_argument(
        "--folder", type=Path, help="where mails, pages and trail go (default: a new temporary folder)"
    )
    demo.add_argument(
        "--broker", choices=("auto", "mosquitto", "amqtt"), default="auto",
        help="auto: mosquitto where it is installed, else amqtt",
    )  # fmt: skip
    demo.add_argument("--hours", type=_hours, help="end the night early, after so many hours")
    demo.set_defaults(run=_demo)


def _add_run(commands: Commands) -> None:
    run = commands.add_parser("run", help="watch a site until stopped", epilog=CAUTION)
    add_site(run)
    run.add_argument(
        "--log", choices=("debug", "info", "warning", "error"), default="info",
        help="the least that is logged (default: info)",
    )  # fmt: skip
    run.add_argument(
        "--record", type=Path, metavar="DIR",
        help="keep every input of the engine in this folder, one compressed file an hour, for `replay`; holds what "
        "messages and answers say (of places only what `move` said), no addresses or codes; for the owner alone; "
        "nothing is ever removed there",
    )  # fmt: skip
    run.add_argument(
        "--stepped-clock", metavar="TIME",
        help="for tests: time begins at this RFC 3339 instant and moves only by the control socket",
    )  # fmt: skip
    run.set_defaults(run=_run)
    again = commands.add_parser(
        "reload",
        help="let the running service go on with what its site file and rules say now; if anything is wrong with them "
        "it says what, and keeps what runs (SIGHUP does the same)",
    )
    add_place(again)
    again.set_defaults(run=_reload)


def _add_check(commands: Commands) -> None:
    check = commands.add_parser(
        "check",
        help="read a site file and all that it names; report every error at once",
        epilog="Exit status: 0 nothing is wrong (a second look or a hole in the rota is no error), 1 something is, 2 "
        "the file cannot be read.",
    )
    add_site(check)
    check.set_defaults(run=_check)


def _add_init(commands: Commands) -> None:
    init = commands.add_parser("init", help="make a folder with a site file to fill in")
    init.add_argument(
        "folder", type=Path, metavar="DIR", help="where to; nothing that is there is overwritten"
    )
    init.add_argument(
        "--setting",
        choices=("ward", "home"),
        default="ward",
        help="which sample to begin with (default: ward)",
    )
    init.add_argument(
        "--service", action="store_true",
        help="with what runs it without a terminal: systemd units, the watch's file, the broker's configuration",
    )  # fmt: skip
    init.set_defaults(run=_init)


def _add_replay(commands: Commands) -> None:
    replay = commands.add_parser(
        "replay", help="run recorded messages through the same engine, in virtual time"
    )
    replay.add_argument(
        "traces", type=Path, nargs="+", metavar="TRACE",
        help="JSON lines, one message a line; or a recording of `run --record`: its folder, or its hours' files",
    )  # fmt: skip
    replay.add_argument(
        "--site", type=Path, metavar="FILE", help="default: shipped rules, every device known, no plan"
    )
    replay.add_argument("--until", metavar="TIME", help="RFC 3339; default: the last message")
    replay.add_argument("--only-rules", action="store_true", help="no concerns, ladders or relapse")
    replay.add_argument("--format", choices=("text", "jsonl"), default="text")
    replay.set_defaults(run=_replay)


def _demo(args: argparse.Namespace) -> int:
    try:
        import aiosmtpd  # noqa: F401 (only to say clearly that it is missing)
    except ImportError:
        say("the demo needs a mail server to send to: pip install 'secondbell[demo]'")
        return BAD_INPUT
    from monitor.adapters import logs
    from monitor.adapters.broker import BrokerUnavailable
    from monitor.demo.night import Night
    from monitor.demo.screen import Screen

    logs.configure("error")
    folder = args.folder or Path(tempfile.mkdtemp(prefix="secondbell-demo-"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        taken = (folder / "state").exists()
    except OSError as error:
        say(f"{folder}: {error.strerror}")
        return BAD_INPUT
    if taken:
        say(f"{folder}: there is a night in it already; name a new folder")
        return BAD_INPUT
    screen = Screen(Console())
    try:
        outcome = asyncio.run(Night(folder, screen, broker=args.broker, hours=args.hours).run())
    except BrokerUnavailable as error:
        say(str(error))
        return BAD_INPUT
    finally:
        screen.close()
    return 0 if outcome.good else WRONG


def _run(args: argparse.Namespace) -> int:
    from monitor.adapters import logs
    from monitor.adapters.clock import SteppedClock, SystemClock
    from monitor.running import run

    logs.configure(args.log)
    clock = (
        SystemClock()
        if args.stepped_clock is None
        else SteppedClock(instant(args.stepped_clock, "--stepped-clock"))
    )
    return run(args.site, clock, record=args.record)


def _check(args: argparse.Namespace) -> int:
    from monitor.checking import report

    return report(args.site, sys.stdout, now=time.time_ns() // 1_000_000)


def _init(args: argparse.Namespace) -> int:
    from monitor.checking import init

    try:
        made = init(args.folder, args.setting, service=args.service)
    except OSError as error:
        say(f"{error.filename or args.folder}: {error.strerror or error}")
        return BAD_INPUT
    for path in made:
        print(path)
    print(f"Fill in the site file, then: secondbell check --site {made[0]}")
    return 0


def _replay(args: argparse.Namespace) -> int:
    from monitor import replay

    until = None if args.until is None else instant(args.until, "--until")
    traces = replay.Traces(args.traces)
    happened = replay.happenings(traces, args.site, until=until, only_rules=args.only_rules, say=say)
    for happening in replay.in_order(happened):
        print(replay.as_json(happening) if args.format == "jsonl" else replay.as_text(happening))
    return 0


def _reload(args: argparse.Namespace) -> int:
    return answer_commands.ask(args, {"command": "reload"})


def _contract(args: argparse.Namespace) -> int:
    from monitor.adapters.post import schema
    from monitor.core.contract import asyncapi, json_schema

    made = {"jsonschema": json_schema, "asyncapi": asyncapi, "notice": schema}[args.format]
    print(json.dumps(made(), indent=2, ensure_ascii=False))
    return 0


def _hours(text: str) -> float:
    try:
        hours = float(text)
    except ValueError:
        hours = math.nan
    if not 0 < hours < math.inf:
        raise argparse.ArgumentTypeError(f"{text}: a number of hours above 0")
    return hours
