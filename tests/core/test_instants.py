"""Instants and durations, against the examples of RFC 3339 and over random ones."""

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.instants import DAY, HOUR, MINUTE, SECOND, parse, parse_duration, show, show_duration


@pytest.mark.parametrize(
    ("text", "in_utc"),
    [
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57.000Z"),
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00.000Z"),
        ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00.000Z"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870Z"),
    ],
)
def test_the_examples_of_the_standard(text: str, in_utc: str) -> None:
    """All five examples of RFC 3339 §5.8 are read as that section explains them."""
    assert show(parse(text)) == in_utc


def test_known_instants() -> None:
    """The epoch is 0, and a time before it counts backwards with its fraction still forwards."""
    assert parse("1970-01-01T00:00:00Z") == 0
    assert parse("1969-12-31T23:59:59.250Z") == -750
    assert parse("2026-03-14T01:12:09.500Z") == 1_773_450_729_500


@pytest.mark.parametrize(
    ("text", "ms"),
    [
        ("1970-01-01T00:00:00.1Z", 100),
        ("1970-01-01T00:00:00.0019Z", 1),
        ("1970-01-01T00:00:00.9999999999Z", 999),
        ("1970-01-01t00:00:01z", 1000),
        ("1970-01-01t00:00:01.5+00:00", 1500),
        ("1970-01-01T00:00:00-00:00", 0),
        ("1998-12-31T23:59:60.75Z", 915_148_800_750),
    ],
)
def test_fractions_case_and_offsets(text: str, ms: int) -> None:
    """Digits below the millisecond are cut off, t and z may be small, -00:00 is UTC (RFC 3339 §4.3, §5.6)."""
    assert parse(text) == ms


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2026-03-14",
        "2026-03-14T01:12:09",
        "2026-03-14 01:12:09Z",
        "2026-03-14T01:12Z",
        "2026-03-14T01:12:09,5Z",
        "2026-03-14T01:12:09.Z",
        "2026-03-14T01:12:09+0100",
        "2026-03-14T01:12:09+24:00",
        "2026-03-14T01:12:09+01:60",
        "20260314T011209Z",
        "2026-W11-6T01:12:09Z",
        "2026-02-29T00:00:00Z",
        "2026-13-01T00:00:00Z",
        "2026-03-14T24:00:00Z",
        "2026-03-14T01:60:00Z",
        "2026-03-14T01:12:61Z",
        "2026-03-14T01:12:60Z",
        "2026-03-14T23:59:60Z",
        "0000-01-01T00:00:00Z",
        " 2026-03-14T01:12:09Z",
        "2026-03-14T01:12:09Z\n",
        "٢٠٢٦-03-14T01:12:09Z",
        "1773450729500",
        "2026-03-14T01:12:09." + "0" * 5000 + "Z",
    ],
)
def test_what_is_no_time_is_refused_with_a_clear_text(text: str) -> None:
    """Anything RFC 3339 does not allow is a ValueError that quotes it, shortened, and says what is wrong."""
    with pytest.raises(
        ValueError, match=r"is not (an RFC 3339 time such as|a time of the calendar)"
    ) as raised:
        parse(text)
    assert len(str(raised.value)) < 200


@given(
    st.datetimes(min_value=datetime(1, 1, 2), max_value=datetime(9999, 12, 30)),  # noqa: DTZ001 -- zone below
    st.integers(-1439, 1439),
)
def test_any_time_in_any_zone_is_read_as_the_standard_library_does(moment: datetime, offset: int) -> None:
    """The instant is the one the datetime module computes, and showing it gives it again."""
    aware = moment.replace(tzinfo=timezone(timedelta(minutes=offset)))
    expected = (aware - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)
    assert parse(aware.isoformat()) == expected
    assert parse(show(expected)) == expected


def test_shown_times_have_one_form() -> None:
    """Every shown time is UTC with three digits of a second; outside the calendar there is none."""
    assert show(0) == "1970-01-01T00:00:00.000Z"
    assert show(-1) == "1969-12-31T23:59:59.999Z"
    with pytest.raises(ValueError, match="outside the years"):
        show(10**18)


@pytest.mark.parametrize(
    ("text", "ms"),
    [
        ("90 s", 90 * SECOND),
        ("4 min", 4 * MINUTE),
        ("1.5 h", 90 * MINUTE),
        ("1 h 30 min", 90 * MINUTE),
        ("1h30min", 90 * MINUTE),
        ("250 ms", 250),
        ("0.25 s", 250),
        ("2 d 1 ms", 2 * DAY + 1),
        ("0 s", 0),
        (" 24 h ", DAY),
    ],
)
def test_durations_are_read(text: str, ms: int) -> None:
    """Durations of config are read exactly."""
    assert parse_duration(text) == ms


@pytest.mark.parametrize(
    "text",
    [
        "",
        "  ",
        "4",
        "min",
        "4 m",
        "4 minutes",
        "-4 min",
        "1 min 1 h",
        "1 s 1 s",
        "1e3 s",
        "4 min,",
        "1.5.1 s",
        "٤ min",
    ],
)
def test_what_is_no_duration_is_refused(text: str) -> None:
    """No unit, an unknown one, a sign, a wrong order: a ValueError that shows what is right."""
    with pytest.raises(ValueError, match="is not a duration such as 90 s, 4 min"):
        parse_duration(text)


def test_a_part_of_a_millisecond_is_refused() -> None:
    """A duration that is no whole number of milliseconds would not be what the config says."""
    with pytest.raises(ValueError, match="whole number of milliseconds"):
        parse_duration("0.5 ms")


@pytest.mark.parametrize(
    ("ms", "text"),
    [
        (0, "0 s"),
        (250, "250 ms"),
        (1_999, "1 s"),
        (45 * SECOND, "45 s"),
        (4 * MINUTE, "4 min"),
        (4 * MINUTE + 30 * SECOND, "4 min 30 s"),
        (80 * MINUTE, "1 h 20 min"),
        (HOUR + 59 * SECOND, "1 h"),
        (27 * HOUR, "1 d 3 h"),
        (-4 * MINUTE, "-4 min"),
    ],
)
def test_durations_are_shown_for_a_person(ms: int, text: str) -> None:
    """At most two units, what is smaller cut off."""
    assert show_duration(ms) == text


@given(st.integers(0, 400 * DAY))
def test_a_shown_duration_is_at_most_one_of_its_smaller_units_short(ms: int) -> None:
    """What a person is shown is never too long, and short by less than its smaller unit."""
    again = parse_duration(show_duration(ms))
    smaller = HOUR if ms >= DAY else MINUTE if ms >= HOUR else SECOND if ms >= SECOND else 1
    assert again <= ms < again + smaller
