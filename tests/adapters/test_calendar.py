"""The rota's calendars, held against the worked examples of RFC 5545, the tz database and an independent expansion."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from dateutil import rrule
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.core.instants import parse, show
from tests.adapters.calendars import LONDON, NEW_YORK, calendar, event, read, shifts

NIGHT = ("DTSTART:20260301T200000", "DTEND:20260302T080000", "RRULE:FREQ=DAILY")


def begins(folder: Path, text: str, start: str, until: str, zone: str = NEW_YORK) -> list[str]:
    """When the shifts begin, local."""
    return [begin for begin, _, _ in shifts(folder, text, start, until, zone)]


def days(folder: Path, rule: str, first: str, start: str, until: str) -> list[str]:
    """The days on which a New York event of 09:00 recurs, as RFC 5545's examples have it."""
    dtstart = f"DTSTART;TZID=America/New_York:{first}T090000"
    text = calendar(event(dtstart, "DURATION:PT1H", f"RRULE:{rule}"))
    found = begins(folder, text, start, until)
    assert all(begin.endswith(" 09:00") for begin in found)
    return [begin[:10] for begin in found]


@pytest.mark.parametrize(
    ("local", "instant"),
    [("20071104T013000", "2007-11-04T05:30:00Z"), ("20070311T023000", "2007-03-11T07:30:00Z")],
)
def test_a_repeated_time_is_the_first_and_a_missing_one_has_the_offset_before(
    tmp_path: Path, local: str, instant: str
) -> None:
    """RFC 5545 §3.3.5 (form 3): 01:30 EDT of the day on which it comes twice, and 02:30 that does not exist."""
    text = calendar(event(f"DTSTART;TZID=America/New_York:{local}", "DURATION:PT1H"))
    (span,) = read(tmp_path, text, "2007-01-01T00:00:00Z", "2008-01-01T00:00:00Z").spans
    assert span.start == parse(instant)


def test_daily_until(tmp_path: Path) -> None:
    """RFC 5545 §3.8.5.3, "daily until December 24, 1997": UNTIL is midnight UTC, so the 23rd is the last of 113."""
    rule = "FREQ=DAILY;UNTIL=19971224T000000Z"
    found = days(tmp_path, rule, "19970902", "1997-09-01T00:00:00Z", "1998-02-01T00:00:00Z")
    assert (len(found), found[0], found[-1]) == (113, "1997-09-02", "1997-12-23")


def test_daily_over_the_end_of_summer_time(tmp_path: Path) -> None:
    """The same example: 09:00 EDT until October 25, EST from October 26; in UTC an hour later."""
    text = calendar(
        event(
            "DTSTART;TZID=America/New_York:19970902T090000",
            "DURATION:PT1H",
            "RRULE:FREQ=DAILY;UNTIL=19971224T000000Z",
        )
    )
    found = read(tmp_path, text, "1997-10-25T00:00:00Z", "1997-10-27T00:00:00Z").spans
    assert [show(span.start)[:16] for span in found] == ["1997-10-25T13:00", "1997-10-26T14:00"]


@pytest.mark.parametrize(
    ("wkst", "wanted"), [("MO", ["05", "10", "19", "24"]), ("SU", ["05", "17", "19", "31"])]
)
def test_the_start_of_the_week_matters(tmp_path: Path, wkst: str, wanted: list[str]) -> None:
    """RFC 5545 §3.8.5.3, "an example where the days generated makes a difference because of WKST"."""
    rule = f"FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST={wkst}"
    found = days(tmp_path, rule, "19970805", "1997-08-01T00:00:00Z", "1997-09-30T00:00:00Z")
    assert found == [f"1997-08-{day}" for day in wanted]


def test_an_invalid_date_is_left_out_and_not_counted(tmp_path: Path) -> None:
    """RFC 5545 §3.8.5.3, "an example where an invalid date (i.e., February 30) is ignored"."""
    rule = "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5"
    found = days(tmp_path, rule, "20070115", "2007-01-01T00:00:00Z", "2007-12-31T00:00:00Z")
    assert found == ["2007-01-15", "2007-01-30", "2007-02-15", "2007-03-15", "2007-03-30"]


def test_every_three_hours(tmp_path: Path) -> None:
    """RFC 5545 §3.8.5.3, "every 3 hours … on a specific day": its UNTIL, 17:00Z, is 13:00 EDT, so 15:00 is not there.

    The text of the RFC prints 15:00 too; the instants that it gives say otherwise.
    """
    text = calendar(
        event(
            "DTSTART;TZID=America/New_York:19970902T090000",
            "DURATION:PT1H",
            "RRULE:FREQ=HOURLY;INTERVAL=3;UNTIL=19970902T170000Z",
        )
    )
    found = begins(tmp_path, text, "1997-09-01T00:00:00Z", "1997-09-04T00:00:00Z")
    assert found == ["1997-09-02 09:00", "1997-09-02 12:00"]


@pytest.mark.parametrize(
    ("zone", "evening", "hours"),
    [
        (LONDON, "2026-03-28", 11.0),
        (LONDON, "2026-03-29", 12.0),
        (LONDON, "2026-10-24", 13.0),
        (NEW_YORK, "2007-11-03", 13.0),
    ],
)
def test_a_night_is_as_long_as_it_is_worked(tmp_path: Path, zone: str, evening: str, hours: float) -> None:
    """20:00 to 08:00 is 11 or 13 hours when the clocks change (tz database), in the series as in a single event.

    By RFC 5545 §3.8.5.3 the instances of a series with DTEND would all be 12 hours long: not so here, and the reason
    stands in the reader.
    """
    morning = f"{datetime.fromisoformat(evening) + timedelta(days=1):%Y-%m-%d}"
    first, last = evening.replace("-", ""), morning.replace("-", "")
    single = event(f"DTSTART:{first}T200000", f"DTEND:{last}T080000")
    series = event("DTSTART:20060101T200000", "DTEND:20060102T080000", "RRULE:FREQ=DAILY")
    for text in (calendar(single), calendar(series)):
        found = shifts(tmp_path, text, f"{morning}T02:00:00Z", f"{morning}T03:00:00Z", zone)
        assert found == [(f"{evening} 20:00", f"{morning} 08:00", hours)]


def test_a_duration_in_hours_is_exact_and_one_in_days_is_by_the_clock(tmp_path: Path) -> None:
    """RFC 5545 §3.3.6: over the change of 25 October 2026, PT12H ends at 07:00, and P1D at the same time of day."""
    exact = calendar(event("DTSTART:20261024T200000", "DURATION:PT12H"))
    nominal = calendar(event("DTSTART:20261024T200000", "DURATION:P1D"))
    when = ("2026-10-24T00:00:00Z", "2026-10-27T00:00:00Z")
    assert shifts(tmp_path, exact, *when) == [("2026-10-24 20:00", "2026-10-25 07:00", 12.0)]
    assert shifts(tmp_path, nominal, *when) == [("2026-10-24 20:00", "2026-10-25 20:00", 25.0)]


def test_a_shift_at_a_time_that_does_not_exist_does_not_vanish(tmp_path: Path) -> None:
    """RFC 5545 §3.3.10 contradicts itself; chosen: as §3.3.5 says, so 01:30 of 29 March 2026 in London is 02:30."""
    text = calendar(event("DTSTART:20260327T013000", "DTEND:20260327T090000", "RRULE:FREQ=DAILY;COUNT=4"))
    found = begins(tmp_path, text, "2026-03-27T00:00:00Z", "2026-04-02T00:00:00Z", LONDON)
    assert found == ["2026-03-27 01:30", "2026-03-28 01:30", "2026-03-29 02:30", "2026-03-30 01:30"]


def test_whole_days_are_of_the_sites_zone(tmp_path: Path) -> None:
    """VALUE=DATE: from local midnight to local midnight, 23 hours on 29 March 2026; DTEND is not worked (§3.6.1)."""
    text = calendar(
        event("DTSTART;VALUE=DATE:20260329", uid="a"),
        event("DTSTART;VALUE=DATE:20260330", "DTEND;VALUE=DATE:20260401", uid="b"),
    )
    assert shifts(tmp_path, text, "2026-03-28T00:00:00Z", "2026-04-03T00:00:00Z") == [
        ("2026-03-29 00:00", "2026-03-30 00:00", 23.0),
        ("2026-03-30 00:00", "2026-04-01 00:00", 48.0),
    ]


def test_times_are_of_their_zone_of_utc_or_of_the_site(tmp_path: Path) -> None:
    """RFC 5545 §3.3.5: form 1 is floating, here the site's; form 2 is UTC; form 3 has its zone."""
    text = calendar(
        event("DTSTART:20260701T090000", "DURATION:PT1H", uid="a"),
        event("DTSTART:20260702T090000Z", "DURATION:PT1H", uid="b"),
        event("DTSTART;TZID=America/New_York:20260703T090000", "DURATION:PT1H", uid="c"),
        event("DTSTART;TZID=GMT Standard Time:20260704T090000", "DURATION:PT1H", uid="d"),
    )
    found = read(tmp_path, text, "2026-07-01T00:00:00Z", "2026-07-08T00:00:00Z").spans
    assert [show(span.start)[11:16] for span in found] == ["08:00", "09:00", "13:00", "08:00"]


def test_what_a_file_says_of_zones_is_not_used(tmp_path: Path) -> None:
    """A VTIMEZONE that moves London by five hours changes nothing: the tz database counts, as everywhere."""
    wrong = (
        "BEGIN:VTIMEZONE\r\nTZID:Europe/London\r\nBEGIN:STANDARD\r\nDTSTART:16010101T000000\r\n"
        "TZOFFSETFROM:+0500\r\nTZOFFSETTO:+0500\r\nRRULE:FREQ=SECONDLY\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n"
    )
    text = calendar(wrong, event("DTSTART;TZID=Europe/London:20260701T090000", "DURATION:PT1H"))
    assert begins(tmp_path, text, "2026-07-01T00:00:00Z", "2026-07-03T00:00:00Z", LONDON) == [
        "2026-07-01 09:00"
    ]


def test_an_exception_and_a_swap(tmp_path: Path) -> None:
    """EXDATE leaves a night out (§3.8.5.1), RECURRENCE-ID gives one to somebody else (§3.8.4.4), CANCELLED ends one."""
    swap = ("RECURRENCE-ID:20260304T200000", "DTSTART:20260304T200000", "DTEND:20260305T080000")
    off = (
        "RECURRENCE-ID:20260306T200000",
        "DTSTART:20260306T200000",
        "DTEND:20260307T080000",
        "STATUS:CANCELLED",
    )
    text = calendar(
        event(*NIGHT, "EXDATE:20260303T200000"), event(*swap, summary="nurse: nurse-2"), event(*off)
    )
    found = read(tmp_path, text, "2026-03-02T12:00:00Z", "2026-03-08T12:00:00Z")
    assert [(show(span.start)[:10], span.person) for span in found.spans] == [
        ("2026-03-02", "nurse-1"),
        ("2026-03-04", "nurse-2"),
        ("2026-03-05", "nurse-1"),
        ("2026-03-07", "nurse-1"),
    ]
    assert found.doubts == ()


def test_a_swap_that_moves_a_shift_and_one_from_then_on(tmp_path: Path) -> None:
    """An override may lie at another time than what it replaces; RANGE=THISANDFUTURE (§3.2.13) changes all after it."""
    moved = ("RECURRENCE-ID:20260303T200000", "DTSTART:20260303T220000", "DTEND:20260304T060000")
    later = (
        "RECURRENCE-ID;RANGE=THISANDFUTURE:20260305T200000",
        "DTSTART:20260305T200000",
        "DTEND:20260306T070000",
    )
    text = calendar(event(*NIGHT), event(*moved), event(*later, summary="nurse: nurse-2"))
    found = read(tmp_path, text, "2026-03-03T12:00:00Z", "2026-03-07T12:00:00Z").spans
    assert [(show(s.start)[5:16], show(s.end)[5:16], s.person) for s in found] == [
        ("03-03T22:00", "03-04T06:00", "nurse-1"),
        ("03-04T20:00", "03-05T08:00", "nurse-1"),
        ("03-05T20:00", "03-06T07:00", "nurse-2"),
        ("03-06T20:00", "03-07T07:00", "nurse-2"),
    ]


@pytest.mark.parametrize("which", ["20260304T210000", "20260303T200000"])
def test_a_swap_that_meets_no_shift_is_pointed_out(tmp_path: Path, which: str) -> None:
    """An override of 21:00, or of a night that EXDATE leaves out, swaps nothing: worth a second look, no mistake."""
    swap = (f"RECURRENCE-ID:{which}", "DTSTART:20260304T210000", "DTEND:20260305T080000")
    text = calendar(event(*NIGHT, "EXDATE:20260303T200000"), event(*swap, summary="nurse: nurse-2"))
    found = read(tmp_path, text, "2026-03-02T12:00:00Z", "2026-03-08T12:00:00Z")
    (doubt,) = found.doubts
    assert found.problems == ()
    assert doubt.key == "event 2 (UID one): RECURRENCE-ID"
    assert doubt.value == f"2026-03-0{which[7]} {which[9:11]}:00"


def test_an_exception_beats_an_added_date(tmp_path: Path) -> None:
    """RFC 5545 §3.8.5.1: EXDATE excludes what RRULE or RDATE would give."""
    extra = "RDATE:20260310T200000,20260311T200000"
    rule = "RRULE:FREQ=DAILY;COUNT=1"
    text = calendar(event(*NIGHT[:2], rule, extra, "EXDATE:20260311T200000"))
    found = begins(tmp_path, text, "2026-03-01T00:00:00Z", "2026-03-31T00:00:00Z", LONDON)
    assert found == ["2026-03-01 20:00", "2026-03-10 20:00"]


def test_several_persons_and_units_and_files(tmp_path: Path) -> None:
    """SUMMARY and LOCATION may name several, with commas; overlapping shifts of several files all count."""
    (tmp_path / "a.ICS").write_text(
        calendar(event("DTSTART:20260701T090000", "DURATION:PT8H", r"LOCATION:elm\, ash"))
    )
    (tmp_path / "notes.txt").write_text("no calendar")
    text = calendar(event("DTSTART:20260701T100000", "DURATION:PT1H", summary=r"charge : charge\, nurse-2"))
    found = read(tmp_path, text, "2026-07-01T00:00:00Z", "2026-07-02T00:00:00Z")
    assert [(s.person, s.role, s.unit) for s in found.spans] == [
        ("nurse-1", "nurse", "elm"),
        ("nurse-1", "nurse", "ash"),
        ("charge", "charge", "*"),
        ("nurse-2", "charge", "*"),
    ]
    assert (found.files, found.named) == (2, ("charge", "nurse-1", "nurse-2"))


def test_who_is_named_long_ago_is_still_named(tmp_path: Path) -> None:
    """Whoever has no shift now is off duty, not on call for ever; what an old shift says of others is no mistake."""
    old = event("DTSTART:20200101T090000", "DURATION:PT8H", summary=r"porter: nurse-2\, somebody-gone")
    text = calendar(old, event(*NIGHT, uid="two"))
    found = read(tmp_path, text, "2026-07-01T00:00:00Z", "2026-07-02T00:00:00Z")
    assert (found.problems, found.named) == ((), ("nurse-1", "nurse-2"))
    assert {span.person for span in found.spans} == {"nurse-1"}


@pytest.mark.parametrize("until", ["20260304T010000Z", "20260303T200000", "20260303"])
def test_the_last_shift_is_worked_however_its_end_is_written(tmp_path: Path, until: str) -> None:
    """UNTIL bounds inclusively (RFC 5545 §3.3.10): in UTC, floating with a floating DTSTART, or, wrongly, as a day."""
    text = calendar(event("DTSTART:20260301T200000", "DURATION:PT1H", f"RRULE:FREQ=DAILY;UNTIL={until}"))
    found = begins(tmp_path, text, "2026-03-01T00:00:00Z", "2026-03-31T00:00:00Z")
    assert found == ["2026-03-01 20:00", "2026-03-02 20:00", "2026-03-03 20:00"]


def test_a_shift_that_is_under_way_is_there(tmp_path: Path) -> None:
    """What began before the time that is looked at, and ends in it, counts, a long series too."""
    text = calendar(event(*NIGHT))
    assert begins(tmp_path, text, "2031-03-02T05:00:00Z", "2031-03-02T06:00:00Z", LONDON) == [
        "2031-03-01 20:00"
    ]


weekdays = st.lists(
    st.sampled_from(["MO", "TU", "WE", "TH", "FR", "SA", "SU"]), min_size=1, max_size=4, unique=True
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.sampled_from(["DAILY", "WEEKLY", "MONTHLY"]),
    st.integers(1, 4),
    st.none() | weekdays,
    st.none() | st.integers(1, 60),
    st.integers(0, 23),
    st.integers(1, 20),
)
def test_a_series_is_what_another_expansion_says(
    tmp_path: Path,
    frequency: str,
    interval: int,
    by_day: list[str] | None,
    count: int | None,
    hour: int,
    hours: int,
) -> None:
    """Starts and wall-clock ends over a year with both changes, against dateutil.rrule on naive local times.

    The local times are made instants by zoneinfo (PEP 495, fold 0), so only the recurrence itself is shared.
    """
    rule = f"FREQ={frequency};INTERVAL={interval}"
    rule += f";BYDAY={','.join(by_day)}" if by_day and frequency != "MONTHLY" else ""
    rule += f";COUNT={count}" if count else ""
    first = datetime(2026, 1, 5, hour, 30)  # noqa: DTZ001 -- a floating time
    length = timedelta(hours=hours)
    text = calendar(
        event(f"DTSTART:{first:%Y%m%dT%H%M%S}", f"DTEND:{first + length:%Y%m%dT%H%M%S}", f"RRULE:{rule}")
    )
    found = read(tmp_path, text, "2026-01-01T00:00:00Z", "2026-12-31T00:00:00Z").spans
    end = datetime(2026, 12, 30)  # noqa: DTZ001
    wanted = {first, *rrule.rrulestr(rule, dtstart=first).between(first, end, inc=True)}
    zone = ZoneInfo(LONDON)

    def instant(local: datetime) -> int:
        return round(local.replace(tzinfo=zone).timestamp() * 1000)

    last = end - timedelta(days=2)
    expected = [(instant(at), instant(at + length)) for at in sorted(wanted) if at < last]
    if not (
        count and by_day and frequency == "DAILY"
    ):  # DTSTART may be no day of its rule, and is counted or not
        got = [(span.start, span.end) for span in found if span.start < instant(last)]
        assert got == [pair for pair in expected if pair[0] < pair[1]]  # an hour that the clocks leave out
