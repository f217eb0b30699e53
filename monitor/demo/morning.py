"""The morning after the demo's night: its handover, its trail proved, and a changed copy found out."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from monitor.adapters.trail_keys import PUBLIC, read_public
from monitor.core.fact_words import what_of
from monitor.core.heads import Head, read
from monitor.core.instants import MINUTE, show
from monitor.reports import page
from monitor.reports.answers import as_text
from monitor.reports.making import Source, handover
from monitor.reports.spans import Span
from monitor.settings import Settings
from monitor.trail.check import verify

EARLIER: Final = 10 * MINUTE  # by which an acceptance is made to look quicker in the copy


@dataclass(frozen=True, slots=True, kw_only=True)
class Morning:
    """What the night left: the page and its answers, the trail's verdict, and what was found of the changed copy."""

    page: Path
    answers: str
    entries: int
    finding: str | None
    head: Path | None
    signed: int  # entries under the head
    copy: Path | None
    changed: str  # what was done to the copy
    found: str  # what verifying the copy said


def morning(folder: Path, settings: Settings, span: Span) -> Morning:
    """Make and check all of it, in the night's own folder."""
    with StoreReader(settings.state_dir, site=settings.site.name) as reader:
        source = Source(site=settings.site, reader=reader, called=settings.units_called)
        report = handover(source, next(iter(settings.site.units)), span, span.end)
        path = folder / "handover.html"
        path.write_text(page.html(report, span.end), encoding="utf-8")
        head, kept = _kept(reader, folder)
        key = folder / "trail.pub"
        shutil.copyfile(settings.state_dir / PUBLIC, key)
        verdict = verify(
            reader,
            outside=[] if head is None else [(str(kept), head)],
            trusted=[read_public(key)],
            opaque=settings.site.opaque,
        )
    copy, changed, found = _changed_copy(folder, settings, [] if head is None else [(str(kept), head)])
    return Morning(
        page=path,
        answers=as_text(report),
        entries=verdict.size,
        finding=verdict.findings[0].sentence if verdict.findings else None,
        head=kept,
        signed=0 if head is None else head.size,
        copy=copy,
        changed=changed,
        found=found,
    )


def _kept(reader: StoreReader, folder: Path) -> tuple[Head | None, Path | None]:
    """The last signed head, put where whoever can write into the store might not: it is what a copy is held against."""
    if not (heads := reader.heads()):
        return None, None
    text = heads[-1][1]
    assert isinstance(text, bytes)
    path = folder / "head.json"
    path.write_bytes(text + b"\n")
    return read(text.decode()), path


def _changed_copy(
    folder: Path, settings: Settings, outside: list[tuple[str, Head]]
) -> tuple[Path | None, str, str]:
    """A copy of the store in which an acceptance is ten minutes earlier than it was, and what is found of that."""
    copy = folder / "changed-copy"
    copy.mkdir(mode=0o700)
    with (
        closing(sqlite3.connect(settings.state_dir / FILE_NAME)) as whole,
        closing(sqlite3.connect(copy / FILE_NAME)) as db,
    ):
        whole.backup(db)
        row = db.execute("SELECT n, text FROM trail WHERE event = 'accepted' ORDER BY n LIMIT 1").fetchone()
        if row is None:
            return None, "", ""
        n, text = row
        entry = json.loads(text)
        earlier = entry["at"] - EARLIER
        db.execute(
            "UPDATE trail SET at = ?, text = ? WHERE n = ?",
            (earlier, text.replace(str(entry["at"]).encode(), str(earlier).encode()), n),
        )
        db.commit()
    with StoreReader(copy) as reader:
        verdict = verify(reader, outside=outside)
        device = reader.names().get(entry["device"], ("", ""))[1]
    zone = settings.site.zone
    was, now = (show(at + zone.offset(at))[11:16] for at in (entry["at"], earlier))
    changed = f"entry {n}: {settings.site.place(device)}, {what_of(entry['rule'])}, accepted at {was}, now says {now}"
    first = verdict.findings[0] if verdict.findings else None
    return (
        copy,
        changed,
        "whole" if first is None else f"NOT whole, first at entry {first.n}: {first.sentence}",
    )
