"""The audit trail for people: one concern as a story, the whole as JSON lines, and whether it holds together."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import IO, Any

from monitor.adapters.carriers import without_controls
from monitor.adapters.store_reader import StoreReader
from monitor.core.changes import TrailEntry
from monitor.core.instants import show, show_duration
from monitor.core.plans import UTC, Zone

Names = Mapping[str, tuple[str, str]]

# What reading a text can raise that is not as it was hashed: somebody has changed the store.
UNREADABLE = (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError)
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
    for entry in entries:
        try:
            told: dict[str, Any] = json.loads(entry.text)
            said = _sentence(told, names, called or {})
            at = show(entry.at + zone.offset(entry.at))
        except UNREADABLE:
            lines.append(f"  entry {entry.n}: {ALTERED}")
            continue
        if began is None:
            began = entry.at
            what = f"{told.get('rule')}, {name_of(told.get('device'), names)}"
            lines.append(f"Concern {told.get('concern')}: {what}; times in {zone_name}")
        after = show_duration(max(0, entry.at - began))
        lines.append(f"  {at[:19].replace('T', ' ')}  +{after:<12} {said}")
    return "\n".join(map(without_controls, lines))


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


def _sentence(told: Mapping[str, Any], names: Names, called: Mapping[str, str]) -> str:
    """One entry in words; an event without words of its own is shown with what it holds."""
    detail: dict[str, Any] = told.get("detail", {})
    person = name_of(told.get("person"), names, called)
    match told["event"]:
        case "priority-raised" if not detail.get("evidence"):  # of an older version
            return f"priority-raised, {told['priority']} priority"
        case "raised" | "relapsed" | "joined" | "priority-raised":
            since = f", since {show(detail['since'])[11:19]}Z" if "since" in detail else ""
            seen = detail.get("evidence", {})
            return f"{told['event']}, {told['priority']} priority{since}; seen: {_seen(seen)}"
        case "called":
            people = ", ".join(name_of(key, names, called) for key in detail.get("people", ()))
            return f"rung {detail['rung'] + 1} is to be told ({detail['why']}): {people}"
        case "told":
            return f"{person} told by {detail['carrier']} ({detail['why']})"
        case "notice-sent":
            return f"sent to {person} by {detail['carrier']}: {detail['answer']}"
        case "notice-try-later" | "notice-refused":
            verb = "will be tried again" if told["event"] == "notice-try-later" else "refused"
            return (
                f"attempt {detail['attempt']} to {person} by {detail['carrier']} {verb}: {detail['answer']}"
            )
        case "notice-failed":
            cause = f": {detail['cause']}" if "cause" in detail else ""
            return f"could not reach {person} by {detail['carrier']}{cause}"
        case "notice-fault":
            return f"the notice to {person} could not be written, so it went out short: {detail['fault']}"
        case "held-back":
            until = f"{show(detail['until'])[11:16]}Z"
            return f"notice to {person} held back until {until} at the earliest: {detail['cause']}"
        case "told-together":
            as_what = "a summary" if detail["summary"] else "a group"
            return f"one of {len(detail['concerns'])} concerns that {person} is told of as {as_what}"
        case "notice-returned":
            status = f" ({detail['status']})" if "status" in detail else ""
            return f"a mail to {person} came back: {detail['action']}{status}"
        case "automatic-reply":
            return f"an automatic reply{f' of {person}' if person else ''} by mail: no answer, and not taken as one"
        case "reply-not-read":
            return (
                f"a reply{f' of {person}' if person else ''} by mail: nobody reads it, and it answers nothing"
            )
        case "return-unknown":
            return f"a report about a mail that is not known: {detail['what']}; nothing was done"
        case "accepted" | "declined" | "handed-back" | "taken-over" | "withdrawn" | "accepted-again":
            return f"{told['event']} by {person}"
        case "held" | "away" | "feed-ended":
            until = f" until {show(detail['until'])[11:16]}Z" if "until" in detail else ""
            reason = f": {detail['reason']}" if detail.get("reason") else ""
            return f"{told['event']} by {person}{until}{reason}"
        case "hold-ended":
            return f"the {detail['kind']} of {person} is over: {detail['why']}"
        case "quieted":
            return f"{told['rule']} kept quiet by the {detail['kind']} of {person}"
        case "carried":
            return f"about {name_of(told.get('device'), names)} from now on, as its feed goes on there"
        case "rechecked":
            return "rechecked: still troubled" if detail.get("troubled") else "rechecked: nothing new"
        case "settled":
            return f"settled: {detail['why']}"
        case event:
            rest = {key: value for key, value in detail.items() if key != "concerns"}
            return str(event) + (f" {person}" if person else "") + (f" {json.dumps(rest)}" if rest else "")


def _seen(evidence: Mapping[str, Any]) -> str:
    parts = [f"message {evidence['message']}"] if evidence.get("message") else []
    if "activity" in evidence:
        parts.append(str(evidence["activity"]))
    for condition, line, priority, inactivation, *_ in evidence.get("alarms", ()):
        parts.append(f"{priority} {condition}{f' ({line})' if line else ''} {inactivation}")
    if evidence.get("mains") is False:
        parts.append("no mains")
    if "battery_percent" in evidence:
        parts.append(f"battery {evidence['battery_percent']:g} %")
    return ", ".join(parts) or "no message"


def export(reader: StoreReader, out: IO[str]) -> int:
    """Write every entry as it was hashed, one JSON line each; returns how many."""
    count = 0
    for entry in reader.entries():
        out.write(entry.text.decode(errors="replace") + "\n")
        count += 1
    return count
