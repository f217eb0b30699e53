"""Weeks in local time, rates with the time under watch below them, and the page."""

from __future__ import annotations

import dataclasses

from monitor.adapters.zones import zone_table
from monitor.core.instants import DAY, HOUR, parse, show
from monitor.reports.handover import DID_NOT_RUN, Gap
from monitor.reports.review import (
    ALL,
    NONE,
    PART,
    Offender,
    Review,
    Week,
    local_days,
    recorded,
    weeks_until,
)
from monitor.reports.review_page import accepted, html, rate, share
from monitor.reports.spans import Span
from monitor.reports.survival import Acceptance, acceptance

LONDON = zone_table("Europe/London")
NOW = parse("2026-03-31T09:00:00Z")


def week(span: Span, raised: dict[str, int], days: int = 84) -> Week:
    """A week as made up."""
    return Week(
        span=span, device_days=days, raised=raised, accepted=acceptance([(95_000, True), (610_000, False)]),
        by_itself=3, openings=5, planned_ml=10_000.0, given_ml=8_700.0, not_known=2,
        days_by_unit={"Elm ward": days}, by_unit={"Elm ward": sum(raised.values())},
        by_hour=tuple(hour % 5 for hour in range(24)),
    )  # fmt: skip


def review() -> Review:
    """A review as made up."""
    spans = weeks_until(LONDON, NOW, 4)
    raised = [
        {"unattended": 9, "behind-plan": 2},
        {"unattended": 4},
        {},
        {"unattended": 5, "repeated-occlusion": 6},
    ]
    return Review(
        site="larkfield", unit="Elm ward", span=Span(spans[0].start, spans[-1].end), zone=LONDON,
        zone_name="Europe/London", weeks=tuple(week(*each) for each in zip(spans, raised, strict=True)),
        offenders=(Offender("bay 1 bed 2", "pump-0102", 7, 3, (("line blocked again and again", 6),)),), gaps=(),
        drills={"accepted": 4, "missed": 1}, entries=5_214, root="cd" * 32,
    )  # fmt: skip


def test_weeks_end_at_the_last_local_midnight_and_are_seven_local_days() -> None:
    """Over the change to summer time on 29 March 2026 in London a week is 167 hours (tz database)."""
    last = weeks_until(LONDON, NOW, 2)[-1]
    assert (show(last.start), show(last.end)) == ("2026-03-24T00:00:00.000Z", "2026-03-30T23:00:00.000Z")
    days = local_days(LONDON, last)
    assert [(day.end - day.start) // HOUR for day in days] == [24, 24, 24, 24, 24, 23, 24]
    assert (days[0].start, days[-1].end) == (last.start, last.end)


def test_a_week_in_which_it_did_not_run_is_not_recorded() -> None:
    """Nobody was told as nobody watched: no zero concerns; a bridge away for as long is still a recorded week."""
    week = Span(0, 7 * DAY)
    stopped = Gap(-DAY, None, DID_NOT_RUN)
    assert recorded(week, 0, [stopped]) == recorded(week, week.end, []) == NONE
    assert recorded(week, 0, [stopped._replace(start=1)]) == ALL
    assert recorded(week, 0, [stopped._replace(why="bridge north-7 was away")]) == ALL
    assert recorded(week, 1, []) == PART


def test_a_rate_without_time_under_watch_is_unknown() -> None:
    """No device-days: no rate, and not zero."""
    empty = week(Span(0, 1), {}, days=0)
    assert (rate(empty.per_device_day()), share(None)) == ("unknown", "unknown")
    assert rate(week(Span(0, 1), {"unattended": 21}).per_device_day("unattended")) == "25.0"


def test_how_long_until_accepted_is_said_in_words() -> None:
    """A median, none as fewer than half were accepted, none as nobody was told."""
    assert accepted(acceptance([(95_000, True)])) == "1 min 35 s"
    assert accepted(acceptance([(95_000, True), (96_000, False), (97_000, False)])) == "fewer than half"
    assert accepted(Acceptance(0, 0, None, None, None)) == "nobody told"


def test_the_page_has_every_week_rule_and_hour() -> None:
    """Each is there, with its numbers, and nothing from outside becomes markup."""
    report = review()
    page = html(dataclasses.replace(report, unit="<b>Elm</b>"), NOW)
    assert "&lt;b&gt;Elm" in page
    assert all(
        text in page for text in ("10 Mar", "3 Mar", "repeated-occlusion", "7 times", "87 %", "accepted 4")
    )
    assert page.count("device-days not known") == 4
    assert "10.7" in page  # 9 of 84 device-days, per 100
