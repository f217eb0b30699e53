"""`secondbell watch`: its options, and how it ends. Imports nothing heavy before it is called."""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commandline import BAD_INPUT, INTERRUPTED, WRONG, say

if TYPE_CHECKING:
    from collections.abc import Sequence

HELP = "watch the monitor itself, from another host, and tell when it is gone, hangs or cannot store"


def add_options(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("--config", type=Path, required=True, metavar="FILE", help="the watch's own file")
    parser.add_argument(
        "--log", choices=("debug", "info", "warning", "error"), default="info",
        help="the least that is logged (default: info)",
    )  # fmt: skip
    parser.add_argument(
        "--drill", action="store_true",
        help="tell by each way that it would reach somebody, and end: 0 if all took it, else 1",
    )  # fmt: skip
    parser.set_defaults(run=run)


def main(arguments: Sequence[str]) -> int:
    """Run it with what stands behind `watch`, without the rest of the program."""
    parser = argparse.ArgumentParser(prog="secondbell watch", description=f"{HELP[0].upper()}{HELP[1:]}.")
    add_options(parser)
    try:
        return run(parser.parse_args(arguments))
    except SystemExit as ended:
        return ended.code if isinstance(ended.code, int) else BAD_INPUT


def run(args: argparse.Namespace) -> int:
    """Watch until stopped; 2 for a wrong file."""
    import structlog

    from monitor.adapters import logs
    from monitor.adapters.notify import Notify
    from monitor.core.problems import ProblemsFound
    from monitor.sitefile.password import PasswordMissing
    from monitor.watch.reading import load
    from monitor.watch.watching import Watch

    logs.configure(args.log)
    try:
        settings = load(args.config)
    except ProblemsFound as error:
        print(error, file=sys.stderr)
        return BAD_INPUT

    async def watch() -> bool:
        watch = Watch(settings, Notify.from_environment(os.environ))
        if args.drill:
            return await watch.drill()
        await watch.run()
        return True

    try:
        return 0 if asyncio.run(watch()) else WRONG
    except (PasswordMissing, OSError, ValueError) as error:
        say(str(error))
        return BAD_INPUT
    except KeyboardInterrupt:
        return INTERRUPTED
    except Exception as error:
        structlog.get_logger(__name__).critical(
            "ended by a fault of its own; start it again", **logs.fault(error)
        )
        return WRONG
