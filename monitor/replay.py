"""Replay of traces in virtual time, and of recordings as they were: the live engine, without broker, store or network.

A trace is JSON lines: each a device-state message, or `{"received": RFC 3339, "topic": …, "message": {…}}`. A line
without `received` is taken as received at its own `time`. The files merge by that instant, lines of one instant in the
order of files and lines. A recording (`recorded`) holds every input of the engine. With the site file it was made
with it runs again exactly as it did (`rerun`); with another, or without, its messages, and what became of sight, run in
virtual time.
"""

from __future__ import annotations

import heapq
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from itertools import chain
from pathlib import Path

from monitor.core.decode import decode
from monitor.core.effects import Attempted, LinkDown, LinkUp, MarkerBack, SendNotice
from monitor.core.engine import Engine, Rejected
from monitor.core.instants import show
from monitor.core.journal import Happening
from monitor.core.ladders import MINUTE, Ladder, Rung
from monitor.core.messages import Rejection, Snapshot
from monitor.core.problems import Problem, ProblemsFound
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.core.rulebook import Rule
from monitor.core.site import DeviceEntry, Person, Reach, Site
from monitor.core.topics import DEFAULT_PREFIX, is_level, parse_topic
from monitor.recorded import HOUR_FILE, Input, Line, Recorded, read_file
from monitor.rerun import rerun

__all__ = [
    "Input",
    "Line",
    "Traces",
    "as_json",
    "as_text",
    "happenings",
    "in_order",
    "replay",
    "rerun",
    "trace_site",
]

TRACE_SITE = "trace"
TRACE_UNIT = "trace"
RULE_EVENTS = frozenset({"holds", "ends", "priority-raised"})
TRACE_KEY = b"trace"  # codes and trail keys of a replay are nobody's


class Traces:
    """What traces and recordings hold, merged by instant; it can be gone through more than once.

    Traces are read at once; a recording, given as its folder or by its hours' files, is read file by file, in the order
    of their names. `tears` says where a file was torn, once it has been read.
    """

    def __init__(self, paths: Iterable[Path]) -> None:
        """Find and read; ProblemsFound names each file, and each line of a trace, that cannot be used."""
        self.tears: list[str] = []
        self._recordings: dict[Path, dict[Path, None]] = {}  # by folder
        plain: list[Recorded] = []
        problems: list[Problem] = []
        for path in paths:
            if path.is_dir():
                hours = [file for file in path.iterdir() if HOUR_FILE(file.name)]
                if not hours:
                    problems.append(
                        Problem(
                            str(path), "", "", "a folder with a recording, such as 2026-03-14T22.jsonl.gz"
                        )
                    )
                self._recordings.setdefault(path, {}).update(dict.fromkeys(hours))
            elif HOUR_FILE(path.name) and path.exists():
                self._recordings.setdefault(path.parent, {})[path] = None
            else:
                plain += self._read(path, problems)
        if problems:
            raise ProblemsFound(problems)
        self._plain = sorted(plain, key=_received)  # stable: lines of one instant stay in their order

    def __iter__(self) -> Iterator[Recorded]:
        """All of it; ProblemsFound at the end names the lines of a recording that could not be used."""
        self.tears.clear()
        problems: list[Problem] = []
        streams: list[Iterable[Recorded]] = [
            self._recording(files, problems) for files in self._recordings.values()
        ]
        if self._plain:
            streams.insert(0, self._plain)
        yield from streams[0] if len(streams) == 1 else heapq.merge(*streams, key=_received)
        if problems:
            raise ProblemsFound(problems)

    def _recording(self, files: Iterable[Path], problems: list[Problem]) -> Iterator[Recorded]:
        return chain.from_iterable(
            self._read(path, problems) for path in sorted(files, key=lambda path: path.name)
        )

    def _read(self, path: Path, problems: list[Problem]) -> Iterator[Recorded]:
        try:
            yield from read_file(path, problems, self.tears.append)
        except OSError as error:
            problems.append(Problem(str(path), "", "", f"cannot be read: {error.strerror}"))


def _received(entry: Recorded) -> int:
    return entry.received


def devices_in(lines: Iterable[Recorded]) -> set[str]:
    """The devices that the lines are about."""
    found = set()
    for line in lines:
        if not isinstance(line, Line):
            continue
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


def happenings(
    traces: Traces, site_file: Path | None, *, until: int | None, only_rules: bool, say: Callable[[str], None]
) -> Iterator[Happening]:
    """What happens in traces, at the site of a file or (None) at one that knows every device; `say` hears of doubts.

    Raises ProblemsFound.
    """
    if site_file is None:
        from monitor.shipped import shipped_rules

        site = trace_site(shipped_rules(), devices_in(traces))
        happened = replay(traces, site, until=until, only_rules=only_rules, known=True)
    else:
        from monitor.settings import load

        settings = load(site_file, key=TRACE_KEY)
        start = next(iter(traces), None)
        if only_rules or not isinstance(start, Input):
            happened = replay(traces, settings.site, until=until, only_rules=only_rules)
        elif why := _not_exact(start, settings.site.name, settings.digest):
            say(f"{why}: its messages are run in virtual time, its answers and attempts are left out")
            happened = replay(traces, settings.site, until=until)
        else:
            site = replace(settings.site, key=_key(settings.state_dir, say))
            happened = rerun(traces, site, until=until, say=say)
    yield from happened
    for tear in traces.tears:
        say(tear)


def _not_exact(start: Input, name: str, digest: str) -> str | None:
    """Why a recording cannot run again exactly as it did, if so."""
    if start.kind != "start":
        return "the recording does not begin with a start of the service"
    if start.said.get("site") != name:
        return f"the recording was made at the site {start.said.get('site')!r}"
    if start.said.get("digest") != digest:
        return "the recording was made with another site file, or other rules"
    return None


def _key(state_dir: Path, say: Callable[[str], None]) -> bytes:
    """The site's secret, with which codes and keys of persons come out as they did, if it is here."""
    from monitor.adapters.lockfile import KEY_NAME, StateError, site_key

    try:
        if (state_dir / KEY_NAME).exists():
            return site_key(state_dir)
        why = f"{state_dir / KEY_NAME}: not there"
    except (OSError, StateError) as error:
        why = str(error)
    say(f"{why}: keys of persons and digests of texts come out otherwise than in the trail")
    return TRACE_KEY


# ---- in virtual time ---------------------------------------------------------------------------------------------


def replay(
    lines: Iterable[Recorded],
    site: Site,
    *,
    until: int | None = None,
    only_rules: bool = False,
    known: bool = False,
) -> Iterator[Happening]:
    """Run the lines through the engine in virtual time, to the last one or `until`; deadlines at the end fire.

    `known`: take whatever site and unit a topic names as this site's. Of a recording's other inputs, those of the link
    to the broker count, unless it is `only_rules`.
    """
    site = replace(site, times=replace(site.times, lateness=0))
    engine: Engine | None = None
    end = until
    linked_at = 0
    for line in lines:
        if until is not None and line.received > until:
            break
        if engine is None:
            engine = Engine(site, now=line.received, link=True, only_rules=only_rules, trail=False)
        yield from _run_until(engine, line.received - 1, only_rules)
        if isinstance(line, Line):
            engine.receive(_message(line, site, known), line.received)
        elif not only_rules:
            linked_at = line.received if line.kind == "link-up" else linked_at
            if (event := _sight(engine, line, linked_at)) is not None:
                engine.receive(event, line.received)
        yield from _settle(engine, only_rules)
        end = line.received if until is None else until
    if engine is not None and end is not None:
        yield from _run_until(engine, end, only_rules)


def _sight(engine: Engine, entry: Input, linked_at: int) -> object | None:
    """What an input says of the link, if anything; `linked_at` is when it last came to stand."""
    if entry.kind == "link-up":
        return LinkUp(**entry.said)
    if entry.kind == "link-down":
        return LinkDown(**entry.said)
    catch_up = engine.sight.catch_up
    if entry.kind == "marker-back" and catch_up is not None and entry.said["token"].endswith(f"-{linked_at}"):
        return MarkerBack(
            token=catch_up.token
        )  # the first marker of that link; how many there were may differ
    return None


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
    decoded = decode(topic, line.payload, retain=line.retain, prefix=prefix, site=name)
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
