"""The audit trail for people: one concern as a story, and the list of all."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

from monitor.adapters.carriers import without_controls
from monitor.adapters.store_reader import StoreReader
from monitor.core.changes import TrailEntry
from monitor.core.instants import show, show_duration
from monitor.core.plans import UTC, Zone
from monitor.core.wording import WHAT
from monitor.trail.story import SENT, Teller

Names = Mapping[str, tuple[str, str]]

# What reading a text can raise that is not as it was hashed: somebody has changed the store.
UNREADABLE = (ValueError, TypeError, LookupError, AttributeError, OverflowError, RecursionError)
ALTERED = "cannot be read; `secondbell trail verify` finds where the trail was changed"


def story(
    entries: Iterable[TrailEntry],
    names: Names,
    zone: Zone = UTC,
    called: Mapping[str, str] | None = None,
    zone_name: str = "UTC",
) -> str:
    """One concern, line by line: when (local time), how long after it was raised, what."""
    lines: list[str] = []
    began: int | None = None
    teller = Teller(names, zone, called)
    for entry in entries:
        if not entry.text:
            lines.append(f"  entry {entry.n}: its text was taken away by policy")
            continue
        try:
            told: dict[str, Any] = json.loads(entry.text)
            said = teller.tell(told)
            at = show(entry.at + zone.offset(entry.at))
        except UNREADABLE:
            lines.append(f"  entry {entry.n}: {ALTERED}")
            continue
        if began is None:
            began = entry.at
            what = WHAT[told["rule"]].short if told.get("rule") in WHAT else ""
            of = f"{told.get('rule')}{f' ({what})' if what else ''}, {teller.name(told.get('device'))}"
            lines.append(f"Concern {told.get('concern')}: {of}; times in {zone_name}")
        after = show_duration(max(0, entry.at - began))
        lines.append(f"  {at[:19].replace('T', ' ')}  +{after:<12} {said}")
    return "\n".join(map(without_controls, lines))


def of_concern(reader: StoreReader, concern: str) -> list[TrailEntry]:
    """The entries about a concern, and what became of notices that told of it together with others."""
    own = list(reader.entries(concern=concern))
    if not own:
        return []
    notices = {_notice(entry) for entry in own if entry.event == "told"}
    ended = {_notice(entry) for entry in own if entry.event in ("notice-sent", "notice-failed")}
    if open_ := notices - ended - {None}:
        others = reader.entries(events=SENT, first=own[0].n)
        own += [entry for entry in others if entry.concern != concern and _notice(entry) in open_]
    return sorted(own, key=lambda entry: entry.n)


def _notice(entry: TrailEntry) -> str | None:
    try:
        return str(json.loads(entry.text)["detail"]["notice"])
    except UNREADABLE:
        return None


def concerns(entries: Iterable[TrailEntry], names: Names) -> list[str]:
    """One line for each concern that the trail knows: id, when, device, rule."""
    lines = []
    for entry in entries:
        if entry.event == "raised":
            try:
                told: dict[str, Any] = json.loads(entry.text)
                device = name_of(told.get("device"), names)
                line = f"{entry.concern}  {show(entry.at)}  {device}  {told.get('rule')}"
            except UNREADABLE:
                line = f"{entry.concern}  entry {entry.n}: {ALTERED}"
            lines.append(without_controls(line))
    return lines


def name_of(key: str | None, names: Names, called: Mapping[str, str] | None = None) -> str:
    """The name behind an opaque key, or the key itself once the name has been erased."""
    if key is None:
        return ""
    name = names.get(key, ("", key))[1]
    return f"{called[name]} ({name})" if called and name in called else name
