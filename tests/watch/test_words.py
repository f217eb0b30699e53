"""What the watch says fits a page and says what matters; what it reads of a presence is what the monitor publishes."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.zones import zone_table
from monitor.core.gsm7 import SINGLE, septets
from monitor.core.instants import parse
from monitor.core.published import monitor_presence_payload
from monitor.watch.beats import LONGEST, Beat, read_beat
from monitor.watch.judgement import Finding, Say, Wrong
from monitor.watch.words import Watched, Words, drill, status, words

MINUTE = 60_000
TWO = parse("2026-07-14T01:14:00Z")  # 02:14 in London, where it is summer
WATCHED = Watched(
    site="larkfield", monitor="main", name="attic", zone=zone_table("Europe/London"), repeat=10 * MINUTE
)


def said(say: Say, watched: Watched = WATCHED, after: int = MINUTE) -> Words:
    """What is said a while after 02:14."""
    return words(say, watched, TWO + after, lambda instant: instant)


@pytest.mark.parametrize("wrong", Wrong)
@pytest.mark.parametrize("times", [1, 2, 40])
@pytest.mark.parametrize("site", ["larkfield", "w" * 64])
def test_every_page_fits_and_says_what_matters(wrong: Wrong, times: int, site: str) -> None:
    """One page of 160 septets (domain §6): since when, that the pumps' alarms count, and the first step, uncut."""
    watched = Watched(site=site, monitor="main", name="attic", zone=WATCHED.zone, repeat=WATCHED.repeat)
    page = said(Say(Finding(wrong, TWO), times, began=TWO), watched).page
    assert septets(page) <= SINGLE
    assert "02:14" in page
    assert "own alarms" in page
    assert "First: " in page
    assert not page.endswith("..")
    assert page.startswith("STILL ") is (times > 1)


@pytest.mark.parametrize("wrong", Wrong)
def test_every_mail_says_what_to_do_and_what_comes_next(wrong: Wrong) -> None:
    """What is wrong since when, the pumps' own alarms, steps in order, and when it is said again."""
    mail = said(Say(Finding(wrong, TWO), 2, began=TWO))
    assert "since 02:14." in mail.body
    assert "The pumps' own alarms still sound" in mail.body
    assert "What to do, in this order:\n1. " in mail.body
    assert "said again each 10 min" in mail.body
    assert "for the 2nd time" in mail.body
    assert "Second Bell at larkfield" in mail.subject


def test_what_is_not_known_exactly_is_not_said_exactly() -> None:
    """Of what the broker had kept, it is said that it may have been so before."""
    assert "since 02:14 or before." in said(Say(Finding(Wrong.LOST, TWO, exact=False), 1, began=TWO)).body


def test_back_says_for_how_long_it_was_gone() -> None:
    """When, after how long, and that what came meanwhile is looked at."""
    back = said(Say(Finding(Wrong.LOST, TWO), 2, back_at=TWO + 17 * MINUTE, began=TWO), after=18 * MINUTE)
    assert "well again since 02:31, after 17 min" in back.page
    assert septets(back.page) <= SINGLE
    assert "from 02:14 on, for 17 min" in back.body


def test_a_drill_is_marked_and_alarms_nobody() -> None:
    """It begins with DRILL, on the page, in the subject and in the body."""
    tried = drill(WATCHED, TWO, lambda instant: instant)
    assert [text.startswith("DRILL") for text in tried] == [True, True, True]
    assert all("othing is wrong" in text for text in (tried.body, tried.page))


def test_the_status_is_one_line() -> None:
    """For `systemctl status`."""
    assert status(None, WATCHED, lambda instant: instant, TWO) == "larkfield/main: well"
    line = status(Finding(Wrong.STUCK, TWO), WATCHED, lambda instant: instant, TWO)
    assert line == "larkfield/main: HANGS, the monitor hangs, since 02:14"


@given(
    st.booleans(), st.integers(0, 2**42), st.none() | st.integers(0, 2**42), st.booleans(), st.integers(0, 2**40),
    st.none() | st.integers(0, 2**42), st.integers(1_000, 60_000),
)  # fmt: skip
def test_it_reads_what_the_monitor_publishes(
    online: bool, at: int, step: int | None, stopped: bool, late: int, unstored: int | None, interval: int
) -> None:
    """The contract's own model, written and read back."""
    payload = monitor_presence_payload(
        online=online, at=at, last_step=step, stopped=stopped, late_ms=late, unstored_since=unstored,
        interval_ms=interval, version="0.5.0",
    )  # fmt: skip
    assert read_beat(payload) == Beat(online, at, step, stopped, late, unstored, interval)


def test_an_older_monitor_is_understood() -> None:
    """One that says no more than that it is there, and when."""
    old = b'{"online": true, "at": "2026-07-14T01:14:00Z", "last_step": null}'
    assert read_beat(old) == Beat(online=True, at=TWO)


@pytest.mark.parametrize(
    ("interval", "believed"), [(1, 1_000), (86_400_000, 60_000), (True, 15_000), ("9", 15_000)]
)
def test_nobody_may_make_it_wait(interval: object, believed: int) -> None:
    """An interval of a day, or none, is not believed."""
    beat = read_beat(
        json.dumps({"online": True, "at": "2026-07-14T01:14:00Z", "interval_ms": interval}).encode()
    )
    assert beat is not None
    assert beat.interval_ms == believed


@given(st.binary(max_size=200) | st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=9),
    lambda part: st.lists(part, max_size=3)
    | st.dictionaries(st.sampled_from(["online", "at", "last_step", "late_ms", "interval_ms"]), part, max_size=5),
    max_leaves=9,
).map(lambda value: json.dumps(value).encode()))  # fmt: skip
def test_whatever_comes_is_a_beat_or_nothing(payload: bytes) -> None:
    """Nothing raises: it must not be talked into ending."""
    read_beat(payload)


@pytest.mark.parametrize(
    "payload", [b"", b"null", b"[" * 100_000, b"{}", b'{"online": 1}', b" " * LONGEST + b"{}"]
)
def test_what_is_no_presence_is_none(payload: bytes) -> None:
    """Empty, too deep, too long, or another shape."""
    assert read_beat(payload) is None
