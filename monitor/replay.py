"""Replay of traces in virtual time: the live engine, without broker, store or network.

A trace is JSON lines: each a device-state message, or `{"received": RFC 3339, "topic": …, "message": {…}}`. A line
without `received` is taken as received at its own `time`. The files merge by that instant, lines of one instant in the
order of files and lines.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import IO, NamedTuple

from monitor.core.decode import decode
from monitor.core.effects import Attempted, SendNotice
from monitor.core.engine import Engine, Rejected
from monitor.core.envelope import plausible
from monitor.core.instants import show
from monitor.core.journal import Happening
from monitor.core.ladders import MINUTE, Ladder, Rung
from monitor.core.messages import Rejection, Snapshot
from monitor.core.problems import Problem, ProblemsFound
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.core.rulebook import Rule
from monitor.core.site import DeviceEntry, Person, Reach, Site
from monitor.core.topics import DEFAULT_PREFIX, is_level, parse_topic

TRACE_SITE = "trace"
TRACE_UNIT = "trace"
RULE_EVENTS = frozenset({"holds", "ends", "priority-raised"})
TRACE_KEY = b"trace"  # codes and trail keys of a replay are nobody's


class Line(NamedTuple):
    """One line of a trace: when it was received (ms UTC), its topic ("" if not said), the message's bytes."""

    received: int
    topic: str
    payload: bytes


def read_traces(paths: Iterable[Path]) -> list[Line]:
    """All lines of the traces, merged; ProblemsFound names each line that cannot be placed in time."""
    lines: list[Line] = []
    problems: list[Problem] = []
    for path in paths:
        try:
            with path.open("rb") as file:
                lines += _read(path, file, problems)
        except OSError as error:
            problems.append(Problem(str(path), "", "", f"cannot be read: {error.strerror}"))
    if problems:
        raise ProblemsFound(problems)
    lines.sort(key=lambda line: line.received)  # stable: lines of one instant stay in their order
    return lines


def _read(path: Path, file: IO[bytes], problems: list[Problem]) -> Iterator[Line]:
    for number, text in enumerate(file, 1):
        if not text.strip():
            continue
        try:
            found = json.loads(text)
        except (ValueError, RecursionError):
            problems.append(Problem(str(path), f"line {number}", "", "one JSON object a line"))
            continue
        if not isinstance(found, dict):
            problems.append(Problem(str(path), f"line {number}", "", "one JSON object a line"))
            continue
        recorded = "received" in found
        when = found.get("received" if recorded else "time")
        try:
            received = plausible(when if isinstance(when, str) else "")
        except ValueError:
            key = f"line {number}: {'received' if recorded else 'time'}"
            wanted = "an instant as in RFC 3339, with its offset, of the years 2000 to 2100"
            problems.append(Problem(str(path), key, repr(when), wanted))
            continue
        if not recorded:
            yield Line(received, "", text.strip())
            continue
        topic = found.get("topic", "")
        if not isinstance(topic, str):
            problems.append(Problem(str(path), f"line {number}: topic", repr(topic), "text"))
            continue
        message = found.get("message")  # null: an empty payload, as when a plan is withdrawn
        payload = "" if message is None else json.dumps(message, ensure_ascii=False)
        yield Line(
            received, topic, payload.encode(errors="backslashreplace")
        )  # half a surrogate stays escaped


def devices_in(lines: Iterable[Line]) -> set[str]:
    """The devices that the lines are about."""
    found = set()
    for line in lines:
        try:
            subject = json.loads(line.payload).get("subject")
        except (ValueError, AttributeError):
            continue
        if isinstance(subject, str) and is_level(subject):
            found.add(subject)
    return found


def trace_site(rules: Iterable[Rule], devices: Iterable[str] = ()) -> Site:
    """The site that a trace without a site file has: every device known, no plan, a ladder of two rungs."""
    people = {
        name: Person(id=name, called=called, reach=(Reach("page", name),))
        for name, called in (("first", "first rung"), ("second", "second rung"), ("last", "last resort"))
    }
    spans = [Span(name, name, "*", 0, FOR_EVER) for name in ("first", "second")]
    ladders = {
        ("*", priority): Ladder((Rung(("role:first",), wait), Rung(("role:second",), wait)))
        for priority, wait in (("high", 3 * MINUTE), ("medium", 10 * MINUTE))
    }
    return Site(
        name=TRACE_SITE,
        key=TRACE_KEY,
        last_resort="last",
        units=(TRACE_UNIT,),
        people=people,
        carriers={"page": "snpp"},
        ladders=ladders,
        rota=Rota(spans),
        rules=tuple(rules),
        devices={name: DeviceEntry(id=name, unit=TRACE_UNIT) for name in devices},
    )


def replay(
    lines: Iterable[Line],
    site: Site,
    *,
    until: int | None = None,
    only_rules: bool = False,
    known: bool = False,
) -> Iterator[Happening]:
    """Run the lines through the engine in virtual time, to the last one or `until`; deadlines at the end fire.

    `known`: take whatever site and unit a topic names as this site's.
    """
    site = replace(site, times=replace(site.times, lateness=0))
    engine: Engine | None = None
    end = until
    for line in lines:
        if until is not None and line.received > until:
            break
        if engine is None:
            engine = Engine(site, now=line.received, link=True, only_rules=only_rules, trail=False)
        yield from _run_until(engine, line.received - 1, only_rules)
        engine.receive(_message(line, site, known), line.received)
        yield from _settle(engine, only_rules)
        end = line.received if until is None else until
    if engine is not None and end is not None:
        yield from _run_until(engine, end, only_rules)


def _run_until(engine: Engine, at: int, only_rules: bool) -> Iterator[Happening]:
    """Let every deadline up to and including `at` pass, each at its own instant."""
    while (due := engine.due()) is not None and due <= at:
        engine.advance(max(due, engine.now))
        yield from _settle(engine, only_rules)


def _settle(engine: Engine, only_rules: bool) -> Iterator[Happening]:
    """Perform what the engine asks for: in a replay every notice is sent at once."""
    while True:
        engine.take_changes()
        sends = [effect for effect in engine.take_effects() if isinstance(effect, SendNotice)]
        if not sends:
            break
        for send in sends:
            engine.receive(Attempted(notice=send.notice, outcome="sent", text="replay"), engine.now)
    for happening in engine.take_happenings():
        if not only_rules or happening.event in RULE_EVENTS:
            yield happening


def _message(line: Line, site: Site, known: bool) -> object:
    """The engine's input in a line."""
    topic, name = line.topic, site.name
    if not topic:
        try:
            device = json.loads(line.payload).get("subject")
        except (ValueError, AttributeError):
            device = None
        device = device if isinstance(device, str) and is_level(device) else "unknown"
        entry = site.devices.get(device)
        unit = entry.unit if entry else (site.units[0] if site.units else TRACE_UNIT)
        topic = f"{site.prefix}/{site.name}/{unit}/{device}/state"
    elif known:
        parts = topic.split("/")
        name = parts[-4] if len(parts) >= 4 else name
    prefix = site.prefix
    if known and parse_topic(topic, DEFAULT_PREFIX, name) is None and topic.count("/") >= 4:
        prefix = topic.rsplit("/", 4)[0]
    decoded = decode(topic, line.payload, retain=False, prefix=prefix, site=name)
    if isinstance(decoded, Rejection):
        return Rejected(decoded, line.payload)
    if known and isinstance(decoded, Snapshot):
        return decoded._replace(unit=TRACE_UNIT)
    return decoded


def as_json(happening: Happening) -> str:
    """One line of the output."""
    detail = dict(happening.detail)
    if happening.person is not None:
        detail["person"] = happening.person
    if happening.at != happening.now:
        detail["noted"] = show(happening.now)
    if isinstance(since := detail.get("since"), int):
        detail["since"] = show(since)
    return json.dumps(
        {
            "at": show(happening.at),
            "event": happening.event,
            "rule": happening.rule,
            "device": happening.device,
            "concern": happening.concern,
            "priority": happening.priority,
            "detail": detail,
        },
        ensure_ascii=False,
    )


def as_text(happening: Happening) -> str:
    """One line of the output for a person."""
    parts = [show(happening.at), f"{happening.event:<16}", happening.priority or "", happening.device or ""]
    parts += [happening.rule or "", happening.concern or "", happening.person or ""]
    return "  ".join(part for part in parts if part)


def in_order(happenings: Iterable[Happening]) -> list[Happening]:
    """Sorted by instant, device and rule."""
    return sorted(happenings, key=lambda h: (h.at, h.device or "", h.rule or ""))
