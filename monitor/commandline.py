"""What the commands share: exit statuses, a line for the person at the terminal, and which service is meant."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from monitor.core.instants import parse

WRONG, BAD_INPUT = 1, 2
INTERRUPTED = 130  # as a shell reports it


def say(text: str) -> None:
    """Write a line, or several as they are, to standard error."""
    print(f"secondbell: {text}" if "\n" not in text else text, file=sys.stderr)


def usage(text: str) -> SystemExit:
    """Say what is wrong with how a command was called; to be raised."""
    say(text)
    return SystemExit(BAD_INPUT)


def instant(text: str, option: str) -> int:
    """The instant (ms UTC) that an option names; ends the command with bad input if it is none."""
    try:
        return parse(text)
    except ValueError as error:
        raise usage(f"{option} {text!r}: {error}") from None


def add_place(parser: argparse.ArgumentParser) -> None:
    """Add the options that say which service is meant."""
    place = parser.add_mutually_exclusive_group()
    place.add_argument("--site", type=Path, metavar="FILE", help="the site file (default: $SECONDBELL_SITE)")
    place.add_argument("--state", type=Path, metavar="DIR", help="the state directory itself")


def add_site(parser: argparse.ArgumentParser) -> None:
    """Add the option that says which site file is meant, where a state directory would not do."""
    named = os.environ.get("SECONDBELL_SITE")
    parser.add_argument(
        "--site", type=Path, metavar="FILE", default=Path(named) if named else None, required=not named,
        help="the site file (default: $SECONDBELL_SITE)",
    )  # fmt: skip


def site_file(args: argparse.Namespace) -> Path | None:
    """The site file that is meant, None if the state directory was named instead, or nothing."""
    if args.state is not None:
        return None
    named = args.site or os.environ.get("SECONDBELL_SITE")
    return Path(named) if named else None


def state_dir(args: argparse.Namespace) -> Path:
    """The state directory that is meant; raises ProblemsFound for a site file that names none, or usage."""
    from monitor.running import state_dir

    if args.state is not None:
        return Path(args.state)
    site = site_file(args)
    if site is None:
        raise usage("say which service: --site FILE, --state DIR, or SECONDBELL_SITE in the environment")
    return state_dir(site)
