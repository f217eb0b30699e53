"""The derived signals of one device: onsets, `delivering`, `feed_due`, and what is safe again."""

from __future__ import annotations

import json
from typing import Any

import pytest

from monitor.core.picture import MOST_KEYS, Picture
from tests.core.snapshots import alarm, plan, snapshot

HOUR = 3_600_000
MINUTE = 60_000
DAY = 24 * HOUR
Step = tuple[int, dict[str, Any]]
NIGHT = 20_000 * DAY + 20 * HOUR  # 20:00 UTC of some day


def seen(*steps: tuple[int, dict[str, Any]], picture: Picture | None = None) -> Picture:
    """A picture after snapshots, each an instant and what it says."""
    picture = picture or Picture("ward-a")
    for at, said in steps:
        picture.apply(snapshot(at, **said), at, at)
    return picture


def fresh_at(*steps: tuple[int, dict[str, Any]], picture: Picture | None = None) -> list[tuple[int, str]]:
    """All onsets over some snapshots: instant and condition."""
    picture = picture or Picture("ward-a")
    found = []
    for at, said in steps:
        seen((at, said), picture=picture)
        found += [(at, new.condition) for new in picture.new_onsets]
    return found


def showing(*alarms: Any) -> dict[str, Any]:
    """What a snapshot with these alarm conditions says."""
    return {"alarms": alarms}


def test_an_alarm_condition_in_the_first_snapshot_is_an_onset() -> None:
    """Whatever its `since`, it is an onset at the first snapshot."""
    assert fresh_at((DAY, showing(alarm(HOUR)))) == [(DAY, "occlusion")]


def test_a_later_since_is_a_new_onset_without_a_clear_between() -> None:
    """No snapshot showed it clear: the `since` tells."""
    assert fresh_at((10, showing(alarm(5))), (20, showing(alarm(5))), (30, showing(alarm(6)))) == [
        (10, "occlusion"),
        (30, "occlusion"),
    ]


def test_the_same_or_an_earlier_since_after_a_clear_is_no_new_onset() -> None:
    """Only a later `since` than the newest seen counts."""
    steps: tuple[Step, ...] = (
        (10, showing(alarm(5))),
        (20, {}),
        (30, showing(alarm(5))),
        (40, {}),
        (50, showing(alarm(4))),
    )
    assert fresh_at(*steps) == [(10, "occlusion")]


def test_each_condition_and_line_has_its_own_onsets() -> None:
    """The same `since` on another line, or of another condition, is another onset; all at once too."""
    both = showing(alarm(5, line="feed"), alarm(5, line="flush"), alarm(5, "container-empty"))
    assert fresh_at((10, both)) == [(10, "occlusion"), (10, "occlusion"), (10, "container-empty")]


def test_without_a_since_a_clear_tells() -> None:
    """An alarm whose `since` could not be read is an onset when it was not active before."""
    steps: tuple[Step, ...] = (
        (10, showing(alarm(None))),
        (20, showing(alarm(None))),
        (30, {}),
        (40, showing(alarm(None))),
    )
    assert fresh_at(*steps) == [(10, "occlusion"), (40, "occlusion")]


def test_a_since_that_follows_one_that_was_missing() -> None:
    """Its onset was taken as the snapshot's instant: an earlier `since` is the same, a later one is new."""
    steps: tuple[Step, ...] = ((10, showing(alarm(None))), (20, showing(alarm(8))), (30, showing(alarm(15))))
    assert fresh_at(*steps) == [(10, "occlusion"), (30, "occlusion")]


def test_a_since_years_ahead_hides_no_later_onset() -> None:
    """It cannot be right, so that it counts as missing."""
    at = 20_000 * DAY
    steps: tuple[Step, ...] = (
        (at, showing(alarm(at + 400 * DAY))),
        (at + 1, {}),
        (at + HOUR, showing(alarm(at + HOUR))),
    )
    assert fresh_at(*steps) == [(at, "occlusion"), (at + HOUR, "occlusion")]


def test_a_doubtful_clock_that_was_set_back() -> None:
    """By a doubtful clock an earlier `since` after a clear is new, the same one is not, a later one always is."""
    picture = Picture("ward-a")
    at = 20_000 * DAY
    assert fresh_at((at, showing(alarm(at))), (at + 1, {}), picture=picture) == [(at, "occlusion")]
    picture.clock_doubtful = True
    earlier = at - 3 * HOUR
    steps: tuple[Step, ...] = (
        (at + 10, showing(alarm(earlier))),
        (at + 20, {}),
        (at + 30, showing(alarm(earlier))),
        (at + 40, showing(alarm(earlier + 1))),
    )
    assert fresh_at(*steps, picture=picture) == [(at + 10, "occlusion"), (at + 40, "occlusion")]


def test_a_device_cannot_make_us_remember_more_and_more() -> None:
    """The vocabulary is open: the oldest onsets that do not show are forgotten."""
    picture = Picture("ward-a")
    for number in range(3 * MOST_KEYS):
        seen((number + 1, showing(alarm(number + 1, f"made-up-{number}"))), picture=picture)
    assert len(picture.newest) == MOST_KEYS
    assert ("made-up-191", "") in {(condition, line) for condition, line, _ in picture.newest}


@pytest.mark.parametrize(
    ("activities", "delivering"),
    [
        (["feeding"], True),
        (["feeding", "flushing", "priming"], True),
        (["flushing"], False),
        (["feeding", "held", "flushing"], False),
        (["feeding", "unknown"], False),
        (["feeding", "stopped"], False),
        (["feeding", "idle"], False),
        (["feeding", "finished"], False),
        (["feeding", "off"], False),
        (["off", "priming", "feeding"], True),
    ],
)
def test_delivering(activities: list[str], delivering: bool) -> None:
    """True at feeding; a flush or a prime leaves it as it was; all else is false."""
    steps = [(number + 1, {"activity": activity}) for number, activity in enumerate(activities)]
    assert seen(*steps).delivering is delivering


@pytest.mark.parametrize(
    ("steps", "due"),
    [
        ([(1, {})], True),
        ([(1, {"activity": "idle"})], False),
        ([(1, {}), (2, {"activity": "stopped"})], True),
        ([(1, {}), (2, {"activity": "unknown"})], True),
        ([(1, {}), (2, {"activity": "off"})], True),
        ([(1, {"delivered_ml": 99, "target_ml": 100})], True),
        ([(1, {"delivered_ml": 100, "target_ml": 100})], False),
        ([(1, {"delivered_ml": 100})], True),
        ([(1, {}), (2, {"activity": "finished"})], False),
        ([(1, {}), (2, {"activity": "finished"}), (3, {"activity": "idle"})], False),
        ([(1, {}), (2, {"activity": "finished"}), (3, {})], True),
        ([(1, {"delivered_ml": 400}), (2, {"activity": "held", "delivered_ml": 0})], True),
        ([(1, {}), (1 + 4 * HOUR, {"activity": "held"})], True),
        ([(1, {}), (2 + 4 * HOUR, {"activity": "held"})], False),
        ([(1, {}), (2 + 4 * HOUR, {"activity": "held"}), (3 + 4 * HOUR, {"activity": "held"})], False),
        ([(1, {}), (4 * HOUR, {}), (5 * HOUR, {"activity": "held"})], True),
        ([(1, {"delivered_ml": 100, "target_ml": 100}), (2, {"activity": "held", "delivered_ml": 3})], False),
    ],
)
def test_feed_due_without_a_plan(steps: list[tuple[int, dict[str, Any]]], due: bool) -> None:
    """From a feeding snapshot on, until target, finished, or more than 4 h after the last feeding one."""
    assert seen(*steps).feed_due is due


def test_feed_ended_is_over_until_the_next_feeding() -> None:
    """The answer ends it at the next snapshot, and somebody who starts a feed begins it again."""
    picture = seen((1, {}))
    picture.feed_ended = True
    assert not seen((2, {"activity": "held"}), picture=picture).feed_due
    assert seen((3, {}), picture=picture).feed_due


def with_plan(*windows: tuple[int, int], target_ml: float | None = 1000) -> Picture:
    """A picture of a device with a plan."""
    picture = Picture("ward-a")
    picture.plan = plan(*windows, target_ml=target_ml)
    return picture


@pytest.mark.parametrize(
    ("at", "due"),
    [(NIGHT - 1, False), (NIGHT, True), (NIGHT + 10 * HOUR - 1, True), (NIGHT + 10 * HOUR, False)],
)
def test_feed_is_due_inside_a_window_over_midnight(at: int, due: bool) -> None:
    """The window [20:00, 06:00), whether anything feeds or not."""
    picture = with_plan((20 * 60, 6 * 60))
    assert seen((at, {"activity": "idle"}), picture=picture).feed_due is due


def test_in_a_window_the_target_counts_over_a_restarted_counter() -> None:
    """600 mL, a counter that restarts, and 400 mL more are the target."""
    picture = with_plan((20 * 60, 6 * 60))
    steps = [(NIGHT, 0), (NIGHT + HOUR, 600), (NIGHT + 2 * HOUR, 0), (NIGHT + 3 * HOUR, 399)]
    assert seen(*((at, {"delivered_ml": ml}) for at, ml in steps), picture=picture).feed_due
    assert not seen((NIGHT + 4 * HOUR, {"delivered_ml": 400}), picture=picture).feed_due


def test_in_a_window_a_snapshot_without_a_counter_loses_nothing() -> None:
    """`delivery` may be absent: the next counter goes on from the one before."""
    picture = with_plan((20 * 60, 6 * 60))
    steps: list[tuple[int, dict[str, Any]]] = [
        (NIGHT, {"delivered_ml": 0}), (NIGHT + HOUR, {"delivered_ml": 900}), (NIGHT + 2 * HOUR, {})
    ]  # fmt: skip
    assert seen(*steps, picture=picture).feed_due
    assert seen((NIGHT + 3 * HOUR, {"delivered_ml": 999}), picture=picture).feed_due
    assert not seen((NIGHT + 4 * HOUR, {"delivered_ml": 1000}), picture=picture).feed_due


def test_in_a_window_a_feed_first_seen_in_its_middle_counts_what_it_shows() -> None:
    """The pump says 412 mL in its first snapshot, 3 h after the day began: 588 more are the target."""
    picture = with_plan((20 * 60, 6 * 60))
    assert seen((NIGHT + 3 * HOUR, {"delivered_ml": 412}), picture=picture).feed_due
    assert seen((NIGHT + 8 * HOUR - 1, {"delivered_ml": 999.5}), picture=picture).feed_due
    assert not seen((NIGHT + 8 * HOUR, {"delivered_ml": 1000}), picture=picture).feed_due


@pytest.mark.parametrize(
    ("after", "rate", "shown", "known"),
    [
        (2 * HOUR, None, 300, True),
        (2 * HOUR, None, 300.1, False),
        (2 * HOUR, 60, 300, True),
        (2 * HOUR, 200, 400, True),
        (2 * HOUR - 1, 200, 400, False),
        (0, None, 0, True),
        (0, None, 1, False),
        (-HOUR, None, 1000, True),  # of the feeding day before
    ],
)
@pytest.mark.parametrize("unsaid", [False, True])
def test_what_a_counter_shows_at_first_is_todays_if_it_can_be(
    after: int, rate: float | None, shown: float, known: bool, unsaid: bool
) -> None:
    """At most 150 mL/h, or the pump's own rate if more, since the feeding day began; else nobody knows."""
    picture = with_plan((20 * 60, 6 * 60))
    if unsaid:  # a first snapshot that says nothing of volume does not make the next one's today's
        seen((NIGHT - 2 * HOUR, {"activity": "idle"}), picture=picture)
    said = {"activity": "idle", "rate_ml_h": rate, "delivered_ml": shown}
    seen((NIGHT + after, said), picture=picture)
    assert (picture.given_known, picture.given_ml) == (known, shown if known else 0)
    assert picture.feed_due is (after >= 0)


def test_what_yesterday_gave_does_not_end_todays_feed() -> None:
    """First seen finished with yesterday's 1000 mL, feed is due until it has fed as much, or says so, today."""
    picture = with_plan((20 * 60, 6 * 60))
    yesterdays = {"activity": "finished", "delivered_ml": 1000, "target_ml": 1000}
    for minute in (30, 31, 60):
        seen((NIGHT + minute * MINUTE, yesterdays), picture=picture)
        assert (picture.given_known, picture.given_ml, picture.feed_due) == (False, 0, True)
    fed: tuple[Step, ...] = (
        (NIGHT + 2 * HOUR, {"activity": "feeding", "delivered_ml": 0}),
        (NIGHT + 5 * HOUR, {"activity": "feeding", "delivered_ml": 400}),
    )
    assert seen(*fed, picture=picture).feed_due
    assert not seen((NIGHT + 9 * HOUR, yesterdays), picture=picture).feed_due
    # A new day knows what it gives.
    assert seen((NIGHT + DAY, {"activity": "idle", "delivered_ml": 1000}), picture=picture).given_known


def test_a_feed_begun_before_it_was_seen_ends_when_the_pump_says_so() -> None:
    """What it had given is not known; seen to feed today, its word that it is finished counts."""
    picture = with_plan((20 * 60, 6 * 60))
    assert seen((NIGHT + MINUTE, {"delivered_ml": 200}), picture=picture).feed_due
    done = {"activity": "finished", "delivered_ml": 1000, "target_ml": 1000}
    assert not seen((NIGHT + 8 * HOUR, done), picture=picture).feed_due
    assert not picture.given_known


def test_a_new_window_begins_a_new_count() -> None:
    """Yesterday's 1000 mL are not tonight's."""
    picture = with_plan((20 * 60, 6 * 60))
    seen((NIGHT, {"delivered_ml": 0}), (NIGHT + 5 * HOUR, {"delivered_ml": 1000}), picture=picture)
    assert not picture.feed_due
    tonight = NIGHT + 24 * HOUR
    assert seen((tonight, {"activity": "idle", "delivered_ml": 1000}), picture=picture).feed_due
    assert seen((tonight + HOUR, {"delivered_ml": 40}), picture=picture).feed_due
    assert not seen((tonight + 9 * HOUR, {"delivered_ml": 1000}), picture=picture).feed_due


def test_finished_ends_it_only_if_the_plan_is_met() -> None:
    """A pump set to 500 mL of a plan's 1000 is finished and feed is still due; begun early, its own count tells."""
    picture = with_plan((20 * 60, 6 * 60))
    said = {"activity": "finished", "delivered_ml": 500, "target_ml": 500}
    assert seen((NIGHT, {"delivered_ml": 0}), (NIGHT + HOUR, said), picture=picture).feed_due
    early = with_plan((20 * 60, 6 * 60))
    steps: tuple[Step, ...] = ((NIGHT - HOUR, {"delivered_ml": 0}), (NIGHT - 1, {"delivered_ml": 200}))
    seen(*steps, (NIGHT, {"delivered_ml": 200}), picture=early)
    done = {"activity": "finished", "delivered_ml": 1000, "target_ml": 1000}
    assert not seen((NIGHT + HOUR, done), picture=early).feed_due


def test_a_plan_without_a_target_takes_the_pumps() -> None:
    """The pump's own target, or its word that it is finished."""
    picture = with_plan((20 * 60, 6 * 60), target_ml=None)
    assert seen((NIGHT, {"delivered_ml": 0, "target_ml": 500}), picture=picture).feed_due
    assert not seen((NIGHT + HOUR, {"delivered_ml": 500, "target_ml": 500}), picture=picture).feed_due
    other = with_plan((20 * 60, 6 * 60), target_ml=None)
    assert seen((NIGHT, {}), picture=other).feed_due
    assert not seen((NIGHT + HOUR, {"activity": "finished"}), picture=other).feed_due


def test_feed_ended_lasts_until_the_next_window_or_feed() -> None:
    """The answer holds for this window only."""
    picture = with_plan((20 * 60, 6 * 60))
    seen((NIGHT, {"activity": "held"}), picture=picture)
    picture.feed_ended = True
    assert not seen((NIGHT + 1, {"activity": "held"}), picture=picture).feed_due
    assert seen((NIGHT + 24 * HOUR, {"activity": "held"}), picture=picture).feed_due


def test_safe_again() -> None:
    """Feeding for a minute with no medium or high alarm condition, or no feed due and none active."""
    picture = seen((0 + 1, showing(alarm(1))))
    assert not picture.safe(1 + HOUR, MINUTE)
    seen((10, showing(alarm(1, priority="low"))), picture=picture)
    assert not picture.safe(10 + MINUTE - 1, MINUTE)
    assert picture.safe(10 + MINUTE, MINUTE)
    seen((20, {"activity": "off"}), picture=picture)
    assert not picture.safe(20 + HOUR, MINUTE)
    assert seen((30, {"activity": "finished"}), picture=picture).safe(30, MINUTE)


def test_a_picture_survives_a_trip_through_json() -> None:
    """Every field comes back, and the picture goes on as if nothing had happened."""
    picture = with_plan((20 * 60, 6 * 60))
    seen(
        (NIGHT, {"delivered_ml": 5, **showing(alarm(NIGHT), alarm(None, "other", line="flush"))}),
        picture=picture,
    )
    again = Picture.load(json.loads(json.dumps(picture.dump())))
    assert again.dump() == picture.dump()
    assert [getattr(again, field) for field in Picture.FIELDS] == [
        getattr(picture, f) for f in Picture.FIELDS
    ]
    step = (NIGHT + 1, {"delivered_ml": 7, **showing(alarm(NIGHT), alarm(NIGHT + 1, "other", line="flush"))})
    assert fresh_at(step, picture=again) == fresh_at(step, picture=picture)


def test_a_number_comes_back_as_it_was_written() -> None:
    """Of devices that share numbers, 61 and 61.0 stay apart: a row stored again is the row that was read."""
    for percent in (61.0, 61, 61.0):
        picture = Picture("elm")
        picture.battery_percent = picture.rate_ml_h = percent
        text = json.dumps(picture.dump())
        assert json.dumps(Picture.load(json.loads(text)).dump()) == text
