"""The rota: a folder of iCalendar files (RFC 5545), read into the spans that the core looks up.

One VEVENT is one shift, or a series of them. SUMMARY says `ROLE: PERSON`, or several persons with commas, in the words
of the site file; LOCATION says the unit, or several with commas; without one, or with `*`, it is all. Nothing else of
an event counts but its times, its recurrence, and STATUS:CANCELLED, which makes it no shift. A swap is an override
(RECURRENCE-ID) with another person.

All or nothing: what is wrong anywhere is said by file, event, value and what is expected, and no span is given then.
"""

from __future__ import annotations

import os
import stat
import time
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from monitor.adapters.calendar_events import Event, EventProblem, events_in
from monitor.adapters.calendar_shifts import Known, TooMany, doubts_of, shifts_of
from monitor.core.instants import DAY
from monitor.core.problems import Problem
from monitor.core.rota import Span
from monitor.core.site import Site

BACK: Final = DAY  # ms before now from which shifts are known: what was so is needed for a day at most
AHEAD: Final = (
    35 * DAY
)  # and after it: `check` looks 4 weeks ahead, and this leaves a week to mend what breaks

# Limits, all common practice without a source: far above any rota, far below what would stall a service.
MOST_FILES: Final = 200
MOST_BYTES: Final = 4_194_304  # of one file
MOST_EVENTS: Final = 5_000  # of all files
MOST_SPANS: Final = 50_000  # of all files, in the time that is looked at
LONGEST_READING: Final = 20.0  # seconds of work for all files, however busy the machine is


class RotaFound(NamedTuple):
    """What a reading gave: spans by their start, everybody whom any event names, or what is wrong.

    The spans are all that there are from `start` until before `until` (ms UTC).
    """

    spans: tuple[Span, ...]
    named: tuple[str, ...]
    problems: tuple[Problem, ...]
    start: int
    until: int
    files: int = 0
    doubts: tuple[Problem, ...] = ()  # what is allowed and worth a second look


def known_to(site: Site) -> Known:
    """What the rota of a site may name."""
    roles = {role for ladder in site.ladders.values() for role in ladder.roles}
    return Known(frozenset(site.people), frozenset(roles), frozenset(site.units), ZoneInfo(site.zone_name))


def read_rota(folder: Path, known: Known, now: int) -> RotaFound:
    """The rota as the service wants it at `now`: from a day ago to five weeks ahead. Never raises."""
    return read_between(folder, known, now - BACK, now + AHEAD)


def read_between(folder: Path, known: Known, start: int, until: int) -> RotaFound:
    """All shifts that have any part from `start` until before `until` (ms UTC). Never raises."""
    reading = _Reading(known, start, until)
    try:
        reading.read(folder)
    except OSError as error:
        where = str(error.filename or folder)
        reading.problems.append(Problem(where, "", "", f"cannot be read: {error.strerror or error}"))
    problems = tuple(reading.problems)
    spans = () if problems else tuple(sorted(dict.fromkeys(reading.spans), key=lambda span: span.start))
    return RotaFound(
        spans, tuple(sorted(reading.named)), problems, start, until, reading.files, tuple(reading.doubts)
    )


def rota_files(folder: Path) -> list[Path]:
    """The calendar files of a folder, by name; OSError if it cannot be looked into."""
    return sorted(path for path in folder.iterdir() if path.suffix.lower() == ".ics" and path.name[0] != ".")


class _Reading:
    """One reading of all files."""

    def __init__(self, known: Known, start: int, until: int) -> None:
        self._known, self._start, self._until = known, start, until
        self._last = date(1970, 1, 1) + timedelta(days=until // DAY + 2)
        self._ends_at = time.thread_time() + LONGEST_READING
        self._events = 0
        self.files = 0
        self.spans: list[Span] = []
        self.named: set[str] = set()
        self.problems: list[Problem] = []
        self.doubts: list[Problem] = []

    def read(self, folder: Path) -> None:
        """All files of a folder; raises OSError."""
        files = rota_files(folder)
        self.files = len(files)
        if not files:
            self._wrong(folder, "", "", "at least one file whose name ends in .ics; there is none")
        if len(files) > MOST_FILES:
            self._wrong(folder, "", str(len(files)), f"at most {MOST_FILES} files")
            return
        for path in files:
            if not self._file(path):
                return

    def _file(self, path: Path) -> bool:
        """One file; whether to go on with the next."""
        if time.thread_time() > self._ends_at:
            self._wrong(path, "", "", f"no more than {LONGEST_READING:g} s of work with the files before it")
            return False
        # Without waiting: for a pipe's other end that would be for ever.
        with os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC), "rb") as file:
            content = file.read(MOST_BYTES + 1) if stat.S_ISREG(os.fstat(file.fileno()).st_mode) else None
        if content is None:
            self._wrong(path, "", "", "a file; this is none")
            return True
        if len(content) > MOST_BYTES:
            self._wrong(path, "", "", f"at most {MOST_BYTES} bytes")
            return True
        series = 0
        try:
            for events in events_in(content, self._known.zone, self._last, MOST_EVENTS - self._events):
                series += 1
                self._events += len(events)
                self._series(path, events)
        except EventProblem as problem:
            self._wrong(path, problem.key, problem.value, problem.expected)
        except TooMany as problem:
            self._wrong(path, problem.key, "", problem.expected)
            return False
        return True

    def _series(self, path: Path, events: list[Event]) -> None:
        """One event with its overrides; raises TooMany."""
        wrong = [problem for event in events for problem in event.problems]
        for problem in wrong:
            self._wrong(path, problem.key, problem.value, problem.expected)
        if wrong:
            return
        for event in events:
            self.named.update(person for person in event.persons if person in self._known.people)
        if time.thread_time() > self._ends_at:
            raise TooMany(
                events[0].key, f"a rota that is read with {LONGEST_READING:g} s of work: simpler recurrences"
            )
        room = MOST_SPANS - len(self.spans)
        for found in self._shifts(events, room):
            if isinstance(found, EventProblem):
                self._wrong(path, found.key, found.value, found.expected)
            else:
                self.spans.append(found)

        for doubt in doubts_of(events, self._start, self._until):
            self.doubts.append(Problem(str(path), doubt.key, doubt.value, doubt.expected))

    def _shifts(self, events: list[Event], room: int) -> Iterator[Span | EventProblem]:
        for count, found in enumerate(shifts_of(events, self._known, self._start, self._until), 1):
            if count > room:
                wanted = f"at most {MOST_SPANS} shifts of all persons and units in the time that is looked at"
                raise TooMany(events[0].key, wanted)
            yield found

    def _wrong(self, path: Path, key: str, value: str, expected: str) -> None:
        self.problems.append(Problem(str(path), key, value, expected))
