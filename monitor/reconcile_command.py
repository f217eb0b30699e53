"""`secondbell reconcile`: do the books agree with what is stored? Reads only, also while the service runs."""

from __future__ import annotations

import argparse
import time
from collections import Counter
from typing import TYPE_CHECKING

from monitor.commandline import WRONG, add_place, usage
from monitor.trail.commands import reading

if TYPE_CHECKING:
    from monitor.adapters.store_reader import StoreReader
    from monitor.reconcile import Held

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

KINDS = (
    "engine",
    "device",
    "concern",
    "notice",
    "answer",
    "notice-day",
    "quarantine-place",
    "quarantine-day",
)


def add(commands: Commands) -> None:
    """Add `reconcile`."""
    reconcile = commands.add_parser(
        "reconcile", help="compare the counts of everything taken, decided and sent with what is stored"
    )
    add_place(reconcile)
    reconcile.add_argument("--format", choices=("text", "json"), default="text")
    reconcile.set_defaults(run=_reconcile)


def _reconcile(args: argparse.Namespace) -> int:
    from monitor import reconcile

    with reading(args) as reader:
        try:
            lines = reconcile.compare(held(reader), now=time.time_ns() // 1_000_000)
        except (ValueError, KeyError, TypeError, IndexError) as error:
            why = str(error) if type(error) is ValueError else f"a row cannot be read: {error!r}"
            raise usage(f"{reader.path}: {why}") from None
    print(reconcile.as_json(lines) if args.format == "json" else reconcile.as_table(lines))
    return WRONG if any(line.differs for line in lines) else 0


def held(reader: StoreReader) -> Held:
    """What a store holds, as far as it is compared."""
    from monitor.reconcile import Held, read_trail, since

    rows = {kind: reader.rows(kind) for kind in KINDS}
    kept: Counter[str] = Counter()
    for count in reader.quarantine():
        kept[count.day] += count.kept
    finding = reader.verify()
    return Held(
        rows=rows,
        quarantine=kept,
        trail=read_trail(reader.entries(), since(rows)),
        tree=reader.frontier().size,
        finding=None if finding is None else finding.sentence,
    )
