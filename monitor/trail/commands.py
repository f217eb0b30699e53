"""`secondbell trail`: tell a concern as a story, export entries; what proves it is in `proof_commands.py`.

Readers open the store read-only, so all of it works while the service runs.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from monitor.commandline import BAD_INPUT, WRONG, add_place, instant, say, site_file, state_dir, usage
from monitor.trail import proof_commands

if TYPE_CHECKING:
    from monitor.adapters.store_reader import StoreReader

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]


def add(commands: Commands) -> None:
    """Add `trail` and what may follow it."""
    trail = commands.add_parser("trail", help="the audit trail: verify, show a concern, export")
    kinds = trail.add_subparsers(title="what", metavar="WHAT", required=True)
    proof_commands.add(kinds)
    show = kinds.add_parser("show", help="one concern as a story")
    show.add_argument("concern", metavar="CONCERN", help="the concern's id; `list` for all of them")
    export = kinds.add_parser("export", help="entries for others, as JSON lines or as a table")
    export.add_argument("--out", type=Path, metavar="FILE", help="default: standard output")
    export.add_argument(
        "--format", choices=("jsonl", "csv"), default="jsonl",
        help="jsonl: each entry as it was hashed; csv: a table, in which a cell that a spreadsheet would take for a "
        "formula begins with an apostrophe",
    )  # fmt: skip
    export.add_argument("--from", dest="first", metavar="TIME", help="RFC 3339; from this instant on")
    export.add_argument("--to", dest="until", metavar="TIME", help="RFC 3339; until before this instant")
    export.add_argument("--unit", help="about this unit, or a device that is in it by what it reported last")
    export.add_argument("--device", help="about this device: its id, or its key in the trail")
    export.add_argument(
        "--person", help="about this person: the id in the site file, or the key in the trail"
    )
    export.add_argument("--concern", metavar="ID", help="about this concern")
    export.add_argument(
        "--names", action="store_true",
        help="with the names of persons and devices for their keys; such a file can name somebody, the trail does not",
    )  # fmt: skip
    for parser, run in ((show, _trail_show), (export, _trail_export)):
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


def _trail_show(args: argparse.Namespace) -> int:
    from monitor.trail import view

    with reading(args) as reader:
        names = reader.names()
        if args.concern == "list":
            for line in view.concerns(reader.entries(), names):
                print(line)
            return 0
        text = view.story(view.of_concern(reader, args.concern), names, **local(args))
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
    from monitor.trail.export import Unknown, Wanted, export, keys_in_unit, keys_named

    first = None if args.first is None else instant(args.first, "--from")
    until = None if args.until is None else instant(args.until, "--to")
    if first is not None and until is not None and until < first:
        raise usage(f"--to {args.until}: not earlier than --from")
    with reading(args) as reader:
        names = reader.names()
        keys = []
        try:
            if args.unit is not None:
                keys.append(keys_in_unit(reader, names, args.unit))
            for kind, name in (("device", args.device), ("person", args.person)):
                if name is not None:
                    keys.append(keys_named(names, kind, name))
        except Unknown as error:
            say(str(error))
            return WRONG
        wanted = Wanted(first=first, until=until, concern=args.concern, keys=tuple(keys))
        named = names if args.names else None
        try:
            with contextlib.nullcontext(sys.stdout) if args.out is None else _new(args.out) as out:
                count, gone = export(reader, out, wanted, table=args.format == "csv", named=named)
        except OSError as error:
            if args.out is None:
                raise
            say(f"{args.out}: {error.strerror}")
            return BAD_INPUT
    if gone:
        say(f"{gone} older entries are not among them: their texts were taken away by policy")
    if args.out is not None:
        print(f"{count} entries in {args.out}")
    elif not count:
        say("0 entries")
    return 0


def _new(path: Path) -> IO[str]:
    """A file that was not there, for its owner alone; lines end as they are written."""
    return open(
        path, "x", encoding="utf-8", newline="", opener=lambda name, flags: os.open(name, flags, 0o600)
    )
