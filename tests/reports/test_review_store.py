"""A review of weeks in a real store, against sums that this file keeps by itself while it makes them up."""

from __future__ import annotations

import dataclasses
import random
import re
import statistics
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.adapters.store import SqliteStore
from monitor.adapters.store_reader import StoreReader
from monitor.core.changes import Changes
from monitor.core.chronicle import KIND, Mark, key, write
from monitor.core.instants import DAY, HOUR, MINUTE, parse
from monitor.core.journal import Journal
from monitor.core.messages import Plan, Window
from monitor.core.site import DeviceEntry, Site
from monitor.reports.making import Source
from monitor.reports.review import ALL, FEW_WEEKS, NONE, PART, Review, review
from monitor.reports.review_page import html
from monitor.testing import ward

NOW = parse("2026-02-16T09:00:00Z")  # a Monday in winter; the ward's zone is UTC
MIDNIGHT = parse("2026-02-16T00:00:00Z")
WEEKS = 6
START = MIDNIGHT - WEEKS * 7 * DAY
BEGUN = START + 10 * DAY  # the first week is before the record, the second half in it
PLAN = Plan(
    windows=(Window(0, 10 * 60, None),), target_ml=1000, rate_ml_h=100, max_rate_ml_h=125, kcal_per_ml=1.0,
    glucose_risk=False, feed_kind=None, container_hung=None, set_hung=None,
)  # fmt: skip
ERASED = "pump-0109"


@dataclasses.dataclass
class Sums:
    """What was made up, week by week."""

    raised: list[Counter[str]]
    days: list[int]
    durations: list[list[int]]
    by_itself: list[int]
    planned: list[float]
    given: list[float]
    hours: Counter[int]
    openings: Counter[str]
    not_known: list[int]


def a_site() -> Site:
    """Four pumps in two units, three of them with a plan; the clock in UTC."""
    devices = {
        f"pump-010{n}": DeviceEntry(id=f"pump-010{n}", unit="elm" if n < 2 else "ash", place=f"bed {n}", plan=PLAN)
        for n in range(4)
    }  # fmt: skip
    devices["pump-0103"] = dataclasses.replace(devices["pump-0103"], plan=None)
    return ward(devices=devices)


class Maker:
    """Writes entries and marks as the engine would, and adds up what it writes."""

    def __init__(self, site: Site) -> None:
        self.site, self.journal, self.random = site, Journal(site), random.Random(6)
        self.rows: dict[tuple[str, str], str | None] = {}
        self.sums = Sums(
            [Counter() for _ in range(WEEKS)], [0] * WEEKS, [[] for _ in range(WEEKS)], [0] * WEEKS,
            [0.0] * WEEKS, [0.0] * WEEKS, Counter(), Counter(), [0] * WEEKS,
        )  # fmt: skip
        self.events: list[tuple[int, str, dict[str, object]]] = []
        self.number = 0
        self.heard: dict[str, int] = {}

    def concern(self, at: int, device: str, rule: str, fate: str) -> None:
        """One concern: accepted, settled untold, withdrawn after being told, or undone."""
        self.number += 1
        concern = f"c{self.number}"
        more = {"concern": concern, "rule": rule, "device": device, "priority": "medium"}
        self.events.append((at, "raised", {**more, "since": at - MINUTE}))
        if fate in ("accepted", "withdrawn"):
            sent = at + 5_000
            self.events.append((sent, "notice-sent", {**more, "person": "nurse-1", "concerns": [concern]}))
            took = self.random.randrange(20_000, 20 * MINUTE)
            event = "accepted" if fate == "accepted" else "withdrawn"
            self.events.append((sent + took, event, {**more, "person": "nurse-1"}))
            if fate == "accepted":
                self.events.append((sent + took + MINUTE, "settled", {**more, "why": "gone"}))
        elif fate == "settled":
            self.events.append((at + 3_000, "settled", {**more, "why": "gone"}))
        else:
            self.events.append((at + 3_000, "undone", {**more, "live": False}))
        if fate == "undone" or device.startswith("DRILL") or self.site.is_drill(device):
            return
        week = (at - START) // (7 * DAY)
        self.sums.raised[week][rule] += 1
        self.sums.hours[at % DAY // HOUR] += 1
        self.sums.openings[device] += 1
        if fate == "accepted":
            self.sums.durations[week].append(took)
        self.sums.by_itself[week] += fate == "settled"

    def fed(self, device: str, day: int, ml: float, *, told: bool = True) -> None:
        """A pump's day: it feeds evenly from midnight for ten hours, then is off; without a word before and after."""
        counter = ml if told else None
        week = (day - START) // (7 * DAY)
        heard = self.heard.get(device, 0)
        for minute in range(0, 601, 30):
            at = day + minute * MINUTE
            given = counter * minute / 600 if counter is not None else None
            doing = "feeding" if minute < 600 else "off"
            mark = Mark(at, heard, doing, minute < 600, False, "", True, given, given)
            heard = at + 29 * MINUTE
            self.rows[KIND, key(device, at)] = write(mark)
        self.heard[device] = day + 10 * HOUR
        self.sums.days[week] += 1
        if self.site.devices[device].plan is None:
            return
        if not told:
            self.sums.not_known[week] += 1
            return
        self.sums.planned[week] += 1000
        self.sums.given[week] += ml

    def make(self) -> None:
        """All weeks."""
        for number in range(10, WEEKS * 7):
            day = START + number * DAY
            for n, device in enumerate(self.site.devices):
                if self.random.random() < 0.15:
                    continue  # stays out of sight that day; it was off before
                self.fed(device, day, 600 + 100 * n, told=not (n == 1 and number % 5 == 0))
            for _ in range(self.random.randrange(3)):
                self.concern(
                    day + self.random.randrange(DAY - HOUR),
                    self.random.choice([*self.site.devices, ERASED]),
                    self.random.choice(["unattended", "behind-plan"]),
                    self.random.choice(["accepted", "accepted", "settled", "withdrawn", "undone"]),
                )
            if number % 7 == 0:
                self.concern(day + HOUR, self.site.drill_device("elm"), "unattended", "accepted")
                self.events.append((day + 2 * HOUR, "drill-ended", {"unit": "elm", "outcome": "accepted"}))
        self.events.append((START + 20 * DAY, "link-down", {}))
        self.events.append((START + 20 * DAY + 3 * HOUR, "link-up", {}))

    def store(self, folder: Path) -> None:
        """Write it all, one entry of it unreadable and one name erased."""
        fields = ("concern", "rule", "device", "person", "priority")
        self.journal.note("started", now=BEGUN)
        self.journal.note("link-up", now=BEGUN + 1000)
        for at, event, told in sorted(self.events, key=lambda one: one[0]):
            about = {name: str(told[name]) for name in fields if name in told}
            detail = {name: value for name, value in told.items() if name not in fields}
            self.journal.note(event, now=at, detail=detail, **about)  # type: ignore[arg-type]
        self.journal.note("rechecked", now=NOW - 12 * HOUR, concern="c1")
        entries, frontier, names = self.journal.take_entries()
        entries[-1] = dataclasses.replace(entries[-1], text=b"{")
        for name, (kind, called) in names.items():
            if called == ERASED:
                names[name] = (kind, "")
        store = SqliteStore.open(folder, site=self.site.name)
        store.commit(Changes(rows=self.rows, entries=entries, frontier=frontier, names=names))
        store.close()


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Maker, Source]]:
    """Six weeks of which the last four and a half are recorded."""
    folder = tmp_path_factory.mktemp("weeks")
    maker = Maker(a_site())
    maker.make()
    maker.store(folder)
    with StoreReader(folder, site=maker.site.name) as reader:
        yield maker, Source(site=maker.site, reader=reader, called={"elm": "Elm ward"})


@pytest.fixture(scope="module")
def told(made: tuple[Maker, Source]) -> Review:
    """The review of all units."""
    return review(made[1], None, WEEKS, NOW)


def test_concerns_and_device_days(made: tuple[Maker, Source], told: Review) -> None:
    """By week, rule and hour: drills and what was undone left out, an erased pump's counted."""
    sums = made[0].sums
    assert [dict(week.raised) for week in told.weeks] == [dict(one) for one in sums.raised]
    assert [week.device_days for week in told.weeks] == sums.days
    assert told.by_hour == tuple(sums.hours[hour] for hour in range(24))
    assert sum(number for number, _ in told.by_unit.values()) == sum(one.total() for one in sums.raised)
    assert told.drills == {"accepted": 4}


def test_acceptance_and_what_was_over_before_anybody_was_told(
    made: tuple[Maker, Source], told: Review
) -> None:
    """Those withdrawn after being told are censored; a median of accepted ones alone would be no later."""
    sums = made[0].sums
    for week, durations, by_itself in zip(told.weeks, sums.durations, sums.by_itself, strict=True):
        assert (week.accepted.accepted, week.by_itself) == (len(durations), by_itself)
        if week.accepted.median is not None:
            assert week.accepted.median >= statistics.median_low(durations)


def test_feed(made: tuple[Maker, Source], told: Review) -> None:
    """Planned and given of days of which both are known; the others are counted as not known."""
    sums = made[0].sums
    assert [week.planned_ml for week in told.weeks] == pytest.approx(sums.planned)
    assert [week.given_ml for week in told.weeks] == pytest.approx(sums.given)
    assert [week.not_known for week in told.weeks] == sums.not_known


def test_what_is_missing_is_said(told: Review) -> None:
    """No record is no zero; a gap has its hours; an entry that cannot be read is counted."""
    assert [week.recorded for week in told.weeks] == [NONE, PART, *[ALL] * 4]
    assert [week.out_of_sight // HOUR for week in told.weeks] == [0, 0, 3, 0, 0, 0]
    assert told.unreadable == 1
    page = html(told, NOW)
    text = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    assert "4 of 6 weeks are recorded from begin to end." in text
    assert "Too few weeks" not in text
    assert "no record of this week" in text
    assert "1 entry of the trail could not be read" in text
    assert ERASED not in page


def test_repeat_offenders(made: tuple[Maker, Source], told: Review) -> None:
    """Most often first, by what was made up."""
    sums = made[0].sums
    expected = {name: often for name, often in sums.openings.items() if often > 1 and name != ERASED}
    assert {one.device: one.times for one in told.offenders if one.device.startswith("pump")} == expected
    assert [one.times for one in told.offenders] == sorted(
        (one.times for one in told.offenders), reverse=True
    )


def test_one_unit(made: tuple[Maker, Source], told: Review) -> None:
    """Units together are all but what is of no known unit, which is in each."""
    elm, ash = (review(made[1], unit, WEEKS, NOW) for unit in ("elm", "ash"))
    for one, two, all_of_it in zip(elm.weeks, ash.weeks, told.weeks, strict=True):
        assert one.device_days + two.device_days == all_of_it.device_days
        assert one.number + two.number == all_of_it.number + all_of_it.by_unit.get("", 0)


def test_few_weeks_are_no_trend(made: tuple[Maker, Source]) -> None:
    """With fewer than four weeks the page says so."""
    page = html(review(made[1], None, FEW_WEEKS - 1, NOW), NOW)
    assert "Too few weeks to speak of a trend." in page


def test_a_changed_plan_makes_days_before_it_unknown(tmp_path: Path) -> None:
    """By what plan it was fed before the change nobody can say any more."""
    maker = Maker(a_site())
    for number in range(35, 42):
        maker.fed("pump-0100", START + number * DAY, 1000)
    maker.events.append((START + 40 * DAY, "plan-changed", {"device": "pump-0100", "withdrawn": False}))
    maker.store(tmp_path)
    with StoreReader(tmp_path, site=maker.site.name) as reader:
        [week] = review(Source(site=maker.site, reader=reader), None, 1, NOW).weeks
    assert (week.device_days, week.not_known, week.planned_ml) == (7, 5, 2000)
