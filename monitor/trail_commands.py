"""`secondbell trail`: verify the audit trail, tell a concern as a story, export every entry.

Readers open the store read-only, so all of it works while the service runs.
"""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console

from monitor.commandline import BAD_INPUT, WRONG, add_place, say, site_file, state_dir, usage

if TYPE_CHECKING:
    from monitor.adapters.store_reader import StoreReader

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]


def add(commands: Commands) -> None:
    """Add `trail` and what may follow it."""
    trail = commands.add_parser("trail", help="the audit trail: verify, show a concern, export")
    kinds = trail.add_subparsers(title="what", metavar="WHAT", required=True)
    verify = kinds.add_parser("verify", help="check that no entry was changed, removed or added")
    show = kinds.add_parser("show", help="one concern as a story")
    show.add_argument("concern", metavar="CONCERN", help="the concern's id; `list` for all of them")
    export = kinds.add_parser("export", help="every entry, as JSON lines")
    export.add_argument("--out", type=Path, metavar="FILE", help="default: standard output")
    for parser, run in ((verify, _trail_verify), (show, _trail_show), (export, _trail_export)):
        add_place(parser)
        parser.set_defaults(run=run)


@contextlib.contextmanager
def reading(args: argparse.Namespace) -> Iterator[StoreReader]:
    """A reader of the store that is meant; ends the command with bad input if it cannot be read."""
    from monitor.adapters.store_errors import StoreError
    from monitor.adapters.store_reader import StoreReader

    folder = state_dir(args)
    try:
        opened = StoreReader(folder)
    except (StoreError, OSError) as error:
        raise usage(f"{folder}: {error.strerror}" if isinstance(error, OSError) else str(error)) from None
    try:
        with opened as reader:
            yield reader
    except StoreError as error:
        raise usage(str(error)) from None


def _trail_verify(args: argparse.Namespace) -> int:
    from rich.progress import Progress

    with reading(args) as reader, Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("verifying", total=None)
        finding = reader.verify(lambda done, total: progress.update(task, completed=done, total=total))
        frontier = None if finding is not None else reader.frontier()
    if frontier is None:
        assert finding is not None
        print(f"NOT whole, first at entry {finding.n}: {finding.sentence}")
        return WRONG
    print(f"whole: {frontier.size} entries, root {frontier.root().hex()}")
    return 0


def _trail_show(args: argparse.Namespace) -> int:
    from monitor import trail_view

    with reading(args) as reader:
        names = reader.names()
        if args.concern == "list":
            for line in trail_view.concerns(reader.entries(), names):
                print(line)
            return 0
        text = trail_view.story(reader.entries(concern=args.concern), names, **local(args))
    if not text:
        say(f"no concern {args.concern} in this trail; `secondbell trail show list` names them")
        return WRONG
    print(text)
    return 0


def local(args: argparse.Namespace) -> dict[str, Any]:
    """The site's zone and what people are called there, where the site file can be read."""
    from monitor.adapters.zones import zone_table
    from monitor.sitefile.reading import read

    site = site_file(args)
    if site is None:
        return {}
    found = read(site)
    if found.site is None:
        return {}
    called = {name: person.called for name, person in found.people.items()}
    try:
        return {"zone": zone_table(found.site.zone), "zone_name": found.site.zone, "called": called}
    except ValueError:  # no such zone; `check` says so
        return {"called": called}


def _trail_export(args: argparse.Namespace) -> int:
    from monitor import trail_view

    with reading(args) as reader:
        if args.out is None:
            trail_view.export(reader, sys.stdout)
            return 0
        try:
            with args.out.open("x", encoding="utf-8") as out:
                count = trail_view.export(reader, out)
        except OSError as error:
            say(f"{args.out}: {error.strerror}")
            return BAD_INPUT
    print(f"{count} entries in {args.out}")
    return 0
