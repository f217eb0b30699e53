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
from typing import Final, TypeVar

from monitor.core.effects import Attempted, LinkDown, LinkUp, MarkerBack, SendNotice
from monitor.core.engine import Engine
from monitor.core.instants import show
from monitor.core.journal import Happening
from monitor.core.messages import Snapshot
from monitor.core.problems import Problem, ProblemsFound
from monitor.core.site import Site
from monitor.hearing import Heard, Hearing
from monitor.recorded import HOUR_FILE, Input, Line, Recorded, Unusable, read_file, texts
from monitor.rerun import rerun
from monitor.trace_site import TRACE_KEY, EveryDevice, trace_site

__all__ = [
    "TRACE_KEY",
    "EveryDevice",
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

T = TypeVar("T", Recorded, Heard)

RULE_EVENTS = frozenset({"holds", "ends", "priority-raised"})
LET_GO = 1_000  # lines that told something new after which what would have been stored is forgotten


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
        return self._merged(self._plain, self._read)

    def heard(self, hearing: Hearing, opened: Callable[[], None] | None = None) -> Iterator[Heard]:
        """All of it, decoded for a site; `opened` hears of each file of a recording when its turn comes."""

        def read(path: Path, problems: list[Problem]) -> Iterator[Heard]:
            if opened is not None:
                opened()
            try:
                yield from hear_file(path, hearing, problems, self.tears.append)
            except OSError as error:
                problems.append(_unreadable(path, error))

        return self._merged(map(hearing.entry, self._plain), read)

    @property
    def files(self) -> int:
        """How many files of recordings there are."""
        return sum(map(len, self._recordings.values()))

    @property
    def lines(self) -> int:
        """How many lines of plain traces there are."""
        return len(self._plain)

    def _merged(self, plain: Iterable[T], read: Callable[[Path, list[Problem]], Iterable[T]]) -> Iterator[T]:
        self.tears.clear()
        problems: list[Problem] = []

        def recording(files: Iterable[Path]) -> Iterable[T]:
            in_order = sorted(files, key=lambda path: path.name)
            return chain.from_iterable(read(path, problems) for path in in_order)

        streams = [recording(files) for files in self._recordings.values()]
        if self._plain:
            streams.insert(0, plain)
        yield from streams[0] if len(streams) == 1 else heapq.merge(*streams, key=_received)
        if problems:
            raise ProblemsFound(problems)

    def _read(self, path: Path, problems: list[Problem]) -> Iterator[Recorded]:
        try:
            yield from read_file(path, problems, self.tears.append)
        except OSError as error:
            problems.append(_unreadable(path, error))


def hear_file(
    path: Path, hearing: Hearing, problems: list[Problem], torn: Callable[[str], None]
) -> Iterator[Heard]:
    """What a file holds, decoded, in the order of its lines; as `read_file` otherwise."""
    quick, full = hearing.quick, hearing.full
    for number, text, read in texts(path, torn):
        if (heard := quick(text)) is not None:
            yield heard
        elif text.strip():
            try:
                yield full(text, read(text))
            except Unusable as unusable:
                problems.append(unusable.problem(path, number))


def _unreadable(path: Path, error: OSError) -> Problem:
    return Problem(str(path), "", "", f"cannot be read: {error.strerror}")


def _received(entry: Recorded | Heard) -> int:
    return entry.received


def happenings(
    traces: Traces, site_file: Path | None, *, until: int | None, only_rules: bool, say: Callable[[str], None]
) -> Iterator[Happening]:
    """What happens in traces, at the site of a file or (None) at one that knows every device; `say` hears of doubts.

    Raises ProblemsFound.
    """
    if site_file is None:
        from monitor.shipped import shipped_rules

        site = trace_site(shipped_rules())
        heard = traces.heard(Hearing(site, known=True))
        happened = replay(heard, site, until=until, only_rules=only_rules)
    else:
        from monitor.rota.reading import site_at
        from monitor.settings import load

        settings = load(site_file, key=TRACE_KEY)
        start = next(iter(traces), None)
        if isinstance(start, Input) and not only_rules:
            why = _not_exact(start, settings.site.name, settings.digest)
        else:
            why = ""
        if why is None:
            site = replace(settings.site, key=_key(settings.state_dir, say))
            happened = rerun(traces, site, until=until, say=say)
        else:
            if why:
                say(f"{why}: its messages are run in virtual time, its answers and attempts are left out")
            # A recording run exactly has its own rota; here it is that of the calendars, as they say today.
            site = settings.site if only_rules or start is None else site_at(settings, start.received)
            happened = replay(traces.heard(Hearing(site)), site, until=until, only_rules=only_rules)
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
    lines: Iterable[Recorded | Heard],
    site: Site,
    *,
    until: int | None = None,
    only_rules: bool = False,
    known: bool = False,
    lateness: int = 0,
) -> Iterator[Happening]:
    """Run the lines through the engine in virtual time, to the last one or `until`; deadlines at the end fire.

    `known`: take whatever site and unit a topic names as this site's. Of a recording's other inputs, those of the link
    to the broker count, unless it is `only_rules`. `lateness` as for `Player`.
    """
    hearing = Hearing(site, known=known)
    player = Player(site, only_rules=only_rules, lateness=lateness)
    for line in lines:
        if until is not None and line.received > until:
            break
        yield from player.give(line if isinstance(line, Heard) else hearing.entry(line))
    yield from player.end(until)


NOTHING_NEW: Final[list[Happening]] = []


class Player:
    """One engine in virtual time, which takes one line after the other; nobody answers it."""

    def __init__(self, site: Site, *, only_rules: bool = False, lateness: int = 0) -> None:
        """Begin with the first line; deadlines wait so many ms for messages that are on their way.

        Where only instants of rules matter that is nothing. What a service does takes the site's own, as it does: else
        a deadline passes that a message of before it, received just after it, puts off.
        """
        self._site = replace(site, times=replace(site.times, lateness=lateness), _compiled={})
        self._only_rules = only_rules
        self._linked_at = 0
        self._taken = 0
        self.engine: Engine | None = None
        self.began = self.now = 0  # the first and the last line

    def give(self, heard: Heard) -> list[Happening]:
        """Let time pass up to a line, and take it; what happened, `NOTHING_NEW` if a device says the same again."""
        now, what = heard
        engine = self.engine
        if engine is None:
            self.engine = engine = self._begin(now)
        self.now = now
        happened = NOTHING_NEW
        if (due := engine.due()) is not None and due < now:
            self._run_until(engine, now - 1, happened := [])
        if type(what) is Snapshot and engine.hear_again(what, now):
            return happened or NOTHING_NEW  # nothing is asked for then
        happened = [] if happened is NOTHING_NEW else happened
        if type(what) is not Input:
            engine.receive(what, now)
        elif not self._only_rules:
            self._linked_at = now if what.kind == "link-up" else self._linked_at
            if (event := _sight(engine, what, self._linked_at)) is not None:
                engine.receive(event, now)
        self._settle(engine, happened)
        self._taken += 1
        if self._taken % LET_GO == 0:
            engine.fleet.dirty.clear()  # rows of devices, which nobody stores
            engine.take_changes()
        return happened

    def end(self, until: int | None = None) -> list[Happening]:
        """Let time pass to the end, which is the last line or `until`."""
        happened: list[Happening] = []
        if self.engine is not None:
            self.now = self.now if until is None else until
            self._run_until(self.engine, self.now, happened)
        return happened

    def _begin(self, now: int) -> Engine:
        self.began = now
        return Engine(self._site, now=now, link=True, only_rules=self._only_rules, trail=False)

    def _run_until(self, engine: Engine, at: int, happened: list[Happening]) -> None:
        """Let every deadline up to and including `at` pass, each at its own instant."""
        while (due := engine.due()) is not None and due <= at:
            engine.advance(max(due, engine.now))
            self._settle(engine, happened)

    def _settle(self, engine: Engine, happened: list[Happening]) -> None:
        """Perform what the engine asks for: in a replay every notice is sent at once."""
        while engine.outbox.effects or engine.technical.effects:
            sends = [effect for effect in engine.take_effects() if isinstance(effect, SendNotice)]
            for send in sends:
                engine.receive(Attempted(notice=send.notice, outcome="sent", text="replay"), engine.now)
        if found := engine.take_happenings():
            if self._only_rules:
                found = [happening for happening in found if happening.event in RULE_EVENTS]
            happened += found


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
