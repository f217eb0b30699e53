"""Calendars that are broken, hostile or enormous: each is refused by name, none is expanded without bounds."""

from __future__ import annotations

import os
import time
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.adapters import calendar as reader
from monitor.adapters.calendar import read_between
from monitor.core.instants import parse
from monitor.core.problems import Problem
from tests.adapters.calendars import calendar, event, known, read

FROM, UNTIL = "2026-03-01T00:00:00Z", "2026-04-05T00:00:00Z"
HOUR = ("DTSTART:20260302T090000", "DURATION:PT1H")


def wrong(folder: Path, text: str | bytes) -> list[Problem]:
    """What is wrong with a file; it gives no span then."""
    found = read(folder, text, FROM, UNTIL)
    assert found.spans == ()
    return list(found.problems)


@pytest.mark.parametrize(
    ("lines", "key", "expected"),
    [
        ((), "DTSTART", "is missing"),
        (("DTSTART:20260302T090000",), "DTEND", "is missing"),
        (("DTSTART:20260302T090000", "DTEND:20260302T080000"), "DTEND", "later than it begins"),
        (("DTSTART:20260302T090000", "DTEND:20260302T090000"), "DTEND", "later than it begins"),
        (("DTSTART:20260302T090000", "DURATION:-PT1H"), "DTEND", "later than it begins"),
        (("DTSTART;VALUE=DATE:20260302", "DTEND;VALUE=DATE:20260302"), "DTEND", "later than it begins"),
        (("DTSTART;VALUE=DATE:20260302", "DTEND:20260303T090000"), "DTEND", "a date as DTSTART"),
        (("DTSTART;VALUE=DATE:20260302", "DURATION:PT8H"), "DURATION", "whole days"),
        (("DTSTART:20260302T090000", "DTEND:20280302T080000"), "DTEND", "at most 366 days"),
        ((*HOUR, "DTEND:20260302T170000"), "DURATION", "one of the two"),
        (("DTSTART:20260302T090000", *HOUR), "DTSTART", "once at the most"),
        (("DTSTART:tomorrow", "DURATION:PT1H"), "DTSTART", "RFC 5545"),
        (("DTSTART:10660302T090000", "DURATION:PT1H"), "DTSTART", "of the years 1990 to 2100"),
        (
            ("DTSTART;TZID=Middle/Earth:20260302T090000", "DURATION:PT1H"),
            "DTSTART",
            "a zone of the tz database",
        ),
        ((*HOUR, "no content line"), "event 1 (UID one)", "one of its lines is none"),
        ((*HOUR, "RRULE:FREQ=SECONDLY"), "RRULE", "FREQ of HOURLY, DAILY, WEEKLY, MONTHLY, YEARLY"),
        ((*HOUR, "RRULE:FREQ=MINUTELY"), "RRULE", "FREQ of HOURLY"),
        ((*HOUR, "RRULE:FREQ=NEVER"), "RRULE", "RFC 5545"),
        ((*HOUR, "RRULE:INTERVAL=2"), "RRULE", "FREQ of"),
        ((*HOUR, "RRULE:FREQ=DAILY;INTERVAL=0"), "RRULE", "INTERVAL from 1"),
        ((*HOUR, "RRULE:FREQ=DAILY;COUNT=0"), "RRULE", "COUNT from 1"),
        ((*HOUR, "RRULE:FREQ=DAILY;COUNT=2;UNTIL=20260401T000000Z"), "RRULE", "COUNT or UNTIL"),
        ((*HOUR, "RRULE:FREQ=DAILY;BYSECOND=0,1,2"), "RRULE", "no BYSECOND"),
        (
            (*HOUR, "RRULE:FREQ=DAILY;BYHOUR=" + ",".join(map(str, range(24))) + ";BYMINUTE=0,20,40"),
            "RRULE",
            "48",
        ),
        ((*HOUR, "RRULE:FREQ=HOURLY;BYSETPOS=366"), "RRULE", "BYSETPOS of days or longer"),
        (
            (*HOUR, "RRULE:FREQ=MONTHLY;BYSETPOS=" + ",".join(map(str, range(1, 14)))),
            "RRULE",
            "at most 12 values",
        ),
        ((*HOUR, "RRULE:RSCALE=HEBREW;FREQ=DAILY"), "RRULE", "the parts of RFC 5545"),
        (
            ("DTSTART:19900101T090000", "DURATION:PT1H", "RRULE:FREQ=HOURLY"),
            "RRULE",
            "a begin not so long ago: at most 4166 days",
        ),
        ((*HOUR, "RRULE:FREQ=DAILY", "RRULE:FREQ=WEEKLY"), "RRULE", "one at the most"),
        ((*HOUR, "RRULE:FREQ=DAILY;BYHOUR=99"), "RRULE", "can be expanded"),
        ((*HOUR, "EXRULE:FREQ=DAILY"), "EXRULE", "EXDATE in its place"),
        ((*HOUR, "EXDATE:yesterday"), "EXDATE", "RFC 5545"),
        ((*HOUR, "RDATE:" + ",".join(["20260303T090000"] * 6000)), "RDATE", "at most 5000 dates"),
        ((*HOUR, "RECURRENCE-ID:20260302T090000", "RRULE:FREQ=DAILY"), "RRULE", "none in an override"),
        ((*HOUR, r"LOCATION:elm\, cellar"), "LOCATION", "a unit of the site file: ash, elm"),
    ],
)
def test_each_mistake_is_named(tmp_path: Path, lines: tuple[str, ...], key: str, expected: str) -> None:
    """File, event, property and what is expected; nothing raises, and no shift of the file counts."""
    (problem,) = wrong(tmp_path, calendar(event(*lines)))
    assert problem.file == str(tmp_path / "rota.ics")
    assert "event 1 (UID one)" in problem.key
    assert key in problem.key
    assert expected in problem.expected


@pytest.mark.parametrize(
    ("summary", "value", "expected"),
    [
        ("nurse: nurse-9", "'nurse-9'", "a person of the site file: charge, nurse-1, nurse-2"),
        ("nuse: nurse-1", "'nuse'", "a role that a ladder names: charge, nurse"),
        ("early shift", "'early shift'", "ROLE: PERSON"),
        ("nurse:", "'nurse:'", "ROLE: PERSON"),
        ("", "''", "ROLE: PERSON"),
        ("nurse: " + "x" * 5000, "'" + "x" * 59 + "…'", "a person of the site file"),
    ],
)
def test_who_is_unknown_is_named(tmp_path: Path, summary: str, value: str, expected: str) -> None:
    """Person, role and form of SUMMARY, with the day of the first shift that has it."""
    (problem,) = wrong(tmp_path, calendar(event(*HOUR, "RRULE:FREQ=DAILY", summary=summary)))
    assert problem.key.endswith(": SUMMARY")
    assert ("2026-03-02 09:00" in problem.key) == problem.expected.startswith("a ")
    assert (problem.value, problem.expected[: len(expected)]) == (value, expected)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "at least one VEVENT"),
        (b"BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n", "at least one VEVENT"),
        (b"<html>not found</html>", "iCalendar (RFC 5545)"),
        (b"\xff\xfe\x00", "UTF-8 text"),
        (calendar(event(*HOUR)).removesuffix("END:VCALENDAR\r\n").encode(), "is the file cut off?"),
        (calendar(event(*HOUR)).encode()[:-40], "is the file cut off?"),
        (b"BEGIN:VEVENT\r\n" * 3000, "is the file cut off?"),
        (b"BEGIN:VEVENT\r\n" * 3000 + b"END:VEVENT\r\n" * 3000, "iCalendar"),
        (b"END:VCALENDAR\r\n", "iCalendar (RFC 5545)"),
        (b"x" * (reader.MOST_BYTES + 1), "at most 4194304 bytes"),
        (b"BEGIN:VEVENT\r\n" * (reader.MOST_EVENTS + 1), "no more than 5000 events"),
    ],
)
def test_a_broken_or_enormous_file_is_named(tmp_path: Path, content: bytes, expected: str) -> None:
    """No calendar, half a calendar, another kind of text, far too much: one problem about the whole file."""
    (problem,) = wrong(tmp_path, content)
    assert problem.key == ""
    assert expected in problem.expected or "END" in problem.expected


def test_no_file_and_too_many(tmp_path: Path) -> None:
    """An empty folder, none at all, and a folder of hundreds are each refused by name."""
    when = (parse(FROM), parse(UNTIL))
    (empty,) = read_between(tmp_path, known(), *when).problems
    assert empty.expected == "at least one file whose name ends in .ics; there is none"
    (none,) = read_between(tmp_path / "nowhere", known(), *when).problems
    assert none == Problem(str(tmp_path / "nowhere"), "", "", "cannot be read: No such file or directory")
    for number in range(reader.MOST_FILES + 1):
        (tmp_path / f"{number}.ics").write_text("x")
    (many,) = read_between(tmp_path, known(), *when).problems
    assert (many.value, many.expected) == ("201", "at most 200 files")


def test_one_mistake_hides_no_other_and_keeps_all_back(tmp_path: Path) -> None:
    """All files and events are looked at; with anything wrong nothing of the rota is given."""
    (tmp_path / "a.ics").write_text(
        calendar(event(*HOUR, uid="good"), event("DTSTART:20260302T090000", uid="bad"))
    )
    problems = wrong(tmp_path, calendar(event(*HOUR, summary="nurse: nobody")))
    assert [problem.file.rpartition("/")[2] for problem in problems] == ["a.ics", "rota.ics"]
    assert problems[0].key == "event 2 (UID bad): DTEND"


def test_two_events_that_say_they_are_one(tmp_path: Path) -> None:
    """The library would drop one of two with one UID, a shift lost in silence; a newer SEQUENCE is no mistake."""
    (problem,) = wrong(tmp_path, calendar(event(*HOUR), event(*HOUR, summary="nurse: nurse-2")))
    assert (problem.key, problem.expected) == ("event 2 (UID one): UID", "another than that of event 1")
    newer = calendar(event(*HOUR), event(*HOUR, "SEQUENCE:2", summary="nurse: nurse-2"))
    assert [span.person for span in read(tmp_path, newer, FROM, UNTIL).spans] == ["nurse-2"]


def test_a_recurrence_without_end_is_expanded_as_far_as_it_is_looked_at(tmp_path: Path) -> None:
    """No UNTIL, no COUNT: 36 nights, whatever comes after, and little memory."""
    tracemalloc.start()
    try:
        found = read(tmp_path, calendar(event(*HOUR, "RRULE:FREQ=DAILY")), FROM, UNTIL)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert (len(found.spans), found.problems) == (34, ())
    assert peak < 20_000_000


def test_more_shifts_than_any_rota_has_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """100 series of 24 shifts a day: the reading ends at the limit, not at the memory's."""
    monkeypatch.setattr(reader, "MOST_SPANS", 2_000)
    text = calendar(*(event(*HOUR, "RRULE:FREQ=HOURLY", uid=str(n)) for n in range(100)))
    (problem,) = wrong(tmp_path, text)
    assert problem.expected.startswith("at most 2000 shifts")


def test_a_recurrence_that_never_comes_does_not_stall(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """30 February, daily, costs the expansion seconds for nothing: the reading is given up after its time."""
    monkeypatch.setattr(reader, "LONGEST_READING", 0.1)
    never = (event(*HOUR, "RRULE:FREQ=WEEKLY;BYMONTH=2;BYMONTHDAY=30", uid=str(n)) for n in range(1000))
    began = time.monotonic()
    problems = wrong(tmp_path, calendar(*never))
    assert any(problem.expected.startswith("a rota that is read with ") for problem in problems)
    assert time.monotonic() - began < 60  # an hour without the limit


def test_zones_without_an_end_cost_one_pass(tmp_path: Path) -> None:
    """2 MB of beginnings: each look for an end from each of them took 10 min, with no other thread running."""
    began = time.thread_time()
    (problem,) = wrong(tmp_path, "BEGIN:VCALENDAR\n" + "BEGIN:VTIMEZONE\n" * 130_000)
    assert problem.expected.startswith("each BEGIN:VCALENDAR")
    assert time.thread_time() - began < 60


def test_what_is_no_file_is_not_waited_for(tmp_path: Path) -> None:
    """A pipe that nobody writes to would hold the start, or every look at the files, for ever."""
    os.mkfifo(tmp_path / "pipe.ics")
    (tmp_path / "zero.ics").symlink_to("/dev/zero")
    problems = wrong(tmp_path, calendar(event(*HOUR)))
    assert [(Path(problem.file).name, problem.expected) for problem in problems] == [
        ("pipe.ics", "a file; this is none"),
        ("zero.ics", "a file; this is none"),
    ]


LINES = [
    "DTSTART:20260302T090000", "DTSTART;VALUE=DATE:20260302", "DTEND:20260302T170000", "DURATION:PT8H", "DURATION:P1W",
    "RRULE:FREQ=DAILY", "RRULE:FREQ=WEEKLY;BYDAY=MO,2TU", "RRULE:FREQ=MONTHLY;BYSETPOS=-1;BYDAY=MO", "RRULE:",
    "EXDATE:20260303T090000", "EXDATE;VALUE=DATE:20260303", "RDATE;VALUE=PERIOD:20260305T090000/PT3H", "RDATE:", "UID:",
    "RECURRENCE-ID:20260303T090000", "RECURRENCE-ID;RANGE=THISANDFUTURE:20260303", "SEQUENCE:x", "STATUS:CANCELLED",
    "LOCATION:elm", "LOCATION:,,", "BEGIN:VALARM", "END:VALARM", "END:VEVENT", "BEGIN:VEVENT", " folded",
    "X-Y;Z=\"", "\0",
]  # fmt: skip


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.lists(st.sampled_from(LINES), max_size=8), min_size=1, max_size=3), st.booleans())
def test_nothing_raises_whatever_it_says(tmp_path: Path, events: list[list[str]], alike: bool) -> None:
    """Any mixture of lines is either shifts that end after they begin, or problems with file and expectation."""
    text = calendar(*(event(*lines, uid="one" if alike else str(n)) for n, lines in enumerate(events)))
    found = read(tmp_path, text, FROM, UNTIL)
    assert all(span.start < span.end for span in found.spans)
    assert all(problem.file and problem.expected for problem in found.problems)
    assert not (found.spans and found.problems)
