"""A handover from a real store: what its pumps did and were given, against a reckoning from their raw messages."""

from __future__ import annotations

import dataclasses
import gzip
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from monitor.adapters.zones import zone_table
from monitor.core.instants import parse
from monitor.core.site import DeviceEntry
from monitor.reports.answers import answers
from monitor.reports.handover import Gap
from monitor.reports.making import Source, handover
from monitor.reports.nights import Night
from monitor.reports.spans import Span, shift
from monitor.sitefile.shifts_table import SHIFTS
from monitor.testing import Bench, ward
from tests.adapters.test_store_migrations import OLD
from tests.reports.stored import HOUR, MINUTE, PLAN, Said, demo_night, doing_at, given_ml, source


def near(ml: float, abs: float = 0.01) -> Any:
    """About so many mL."""
    return pytest.approx(ml, abs=abs)


Told = tuple[Bench, dict[str, list[Said]]]


@pytest.fixture(scope="module")
def night() -> Told:
    """The demo's night."""
    return demo_night()


@pytest.fixture(scope="module")
def made(night: Told, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Source]:
    """Its store."""
    with source(night[0], tmp_path_factory.mktemp("store")) as found:
        yield found


def of(made: Source, span: Span, now: int) -> dict[str, Night]:
    """Each pump's night."""
    return {one.device: one for one in handover(made, "elm", span, now).nights}


def test_each_strip_is_what_the_raw_messages_say(night: Told, made: Source) -> None:
    """At every 17th second of nine hours, of twelve pumps: what it did, its alarm, its sound, its power, or unseen."""
    bench, heard = night
    span = Span(bench.start, bench.now)
    seen = set()
    for name, one in of(made, span, bench.now).items():
        assert sum(piece.end - piece.start for piece in one.pieces) == span.end - span.start
        for at in range(span.start, span.end, 17_000):
            piece = next(piece for piece in one.pieces if piece.start <= at < piece.end)
            if at >= heard[name][-1].at:
                continue
            expected = doing_at(heard[name], at)
            assert piece[2:] == expected, (name, at - span.start)
            seen.add(expected[:2])
    assert {("delivering", False), ("stopped", True), ("stopped", False), ("unseen", False)} <= seen


@pytest.mark.parametrize(("first", "last"), [(0, 9), (0, 4), (3.3, 7.1), (4, 9)])
def test_what_was_given_is_what_the_counters_say(
    night: Told, made: Source, first: float, last: float
) -> None:
    """Of the whole night and of parts: within 1 mL where all was seen, at most so much where it was not."""
    bench, heard = night
    span = Span(bench.start + round(first * HOUR), bench.start + round(last * HOUR))
    complete = 0
    for name, one in of(made, span, bench.now).items():
        expected = given_ml(heard[name], span.start, span.end)
        assert one.given_ml is not None, name
        if one.complete:
            assert one.given_ml == near(expected, abs=1), name
            complete += 1
        else:
            assert one.given_ml <= expected + 1, name
            assert one.doubts, name
    assert complete >= 10


def test_planned_is_what_the_plan_wanted(night: Told, made: Source) -> None:
    """800 mL from 22:00 to 06:00, evenly: 400 by 02:00, all by 07:00."""
    bench, _ = night
    for hours, wanted in ((4, 400), (9, 800)):
        span = Span(bench.start, bench.start + hours * HOUR)
        for one in of(made, span, bench.now).values():
            assert one.planned_ml == near(wanted)


# ---- what may come in between ----------------------------------------------------------------------------------------


def feeds(
    bench: Bench, pump: str, hours: float, *, ml: float = 0.0, rate: float = 60.0, step: int = MINUTE
) -> float:
    """A pump feeds and says so each minute; what its counter shows then."""
    first = bench.now
    while bench.now < first + hours * HOUR:
        bench.snapshot(
            pump,
            activity="feeding",
            rate_ml_h=rate,
            delivered_ml=round(ml + rate * (bench.now - first) / HOUR, 1),
        )
        bench.until(bench.now + step)
    ml += rate * (bench.now - first) / HOUR
    bench.snapshot(pump, delivered_ml=round(ml, 1))
    return ml


def quiet(**more: Any) -> Bench:
    """A bench without the pumps' own reports."""
    devices = {
        "pump-1": DeviceEntry(id="pump-1", unit="elm", place="bay 3 bed 1", plan=PLAN),
        "pump-2": DeviceEntry(id="pump-2", unit="elm", place="store room"),
    }
    return Bench(ward(**{"devices": devices, **more}), reporting=0)


def nights_of(
    bench: Bench, folder: Path, span: Span | None = None, now: int | None = None
) -> dict[str, Night]:
    """Each pump's night, of all that was kept."""
    folder.mkdir(exist_ok=True)
    span = span or Span(bench.start, bench.now)
    with source(bench, folder) as found:
        return of(found, span, bench.now if now is None else now)


def test_a_shift_that_is_not_over_is_told_until_now(tmp_path: Path) -> None:
    """Three hours into a night of nine: given and planned are those of three hours, and nothing is said of the rest."""
    bench = quiet()
    feeds(bench, "pump-1", 3)
    one = nights_of(bench, tmp_path, Span(bench.start, bench.start + 9 * HOUR))["pump-1"]
    assert (one.given_ml, one.planned_ml) == (near(180), near(300))
    assert one.complete
    assert one.pieces[-1].end == bench.now


def test_silence_over_the_end_of_a_shift_is_not_taken_for_what_came_later(tmp_path: Path) -> None:
    """Heard until 02:00 and from 09:00 on: of the shift until 07:00 what was given by 02:00 is known, and no more."""
    bench = quiet()
    ml = feeds(bench, "pump-1", 4)
    bench.pass_by("7 h")
    feeds(bench, "pump-1", 1, ml=ml + 300)
    one = nights_of(bench, tmp_path, Span(bench.start, bench.start + 9 * HOUR))["pump-1"]
    assert one.given_ml == near(240)
    assert not one.complete
    assert one.doubts == ("not seen at the end",)
    assert [(piece.doing, (piece.end - piece.start) / HOUR) for piece in one.pieces] == [
        ("delivering", 4),
        ("unseen", 5),
    ]


def test_silence_over_a_whole_shift_is_said_once(tmp_path: Path) -> None:
    """Heard until an hour before the shift, and not in it: that it was not seen at its end is no news."""
    bench = quiet()
    feeds(bench, "pump-1", 2)
    bench.pass_by("10 h")
    one = nights_of(bench, tmp_path, Span(bench.start + 3 * HOUR, bench.now))["pump-1"]
    assert (one.given_ml, one.doubts) == (None, ("not heard of in this shift",))


def test_silence_within_a_shift_hides_what_it_did_and_not_what_it_gave(tmp_path: Path) -> None:
    """Three hours unseen in the middle: the counter tells what was given, nobody can say when."""
    bench = quiet()
    ml = feeds(bench, "pump-1", 2)
    bench.pass_by("3 h")
    feeds(bench, "pump-1", 2, ml=ml + 100)
    one = nights_of(bench, tmp_path)["pump-1"]
    assert (one.given_ml, one.complete) == (near(340), True)
    assert [piece.doing for piece in one.pieces] == ["delivering", "unseen", "delivering"]


def test_a_pump_that_said_it_is_off_is_off_until_it_speaks_again(tmp_path: Path) -> None:
    """Off at midnight and silent: off, not unseen; nothing was given, and that is known."""
    bench = quiet()
    ml = feeds(bench, "pump-1", 2)
    bench.snapshot("pump-1", activity="off", delivered_ml=ml)
    bench.pass_by("7 h")
    one = nights_of(bench, tmp_path)["pump-1"]
    assert (one.given_ml, one.complete, one.doubts) == (near(120), True, ())
    assert [piece.doing for piece in one.pieces] == ["delivering", "off"]


def test_of_a_pump_that_was_off_nothing_is_known_once_second_bell_runs_no_more(tmp_path: Path) -> None:
    """Killed at 01:00, not started again: from then on unseen, not zero; and nobody says that all is well."""
    bench = quiet()
    ml = feeds(bench, "pump-1", 2)
    bench.snapshot("pump-1", activity="off", delivered_ml=ml)
    bench.pass_by("1 h")
    bench.kept.rows.setdefault("technical", {})["alive"] = f"[1,{bench.now}]"
    with source(bench, tmp_path) as made:
        for hours, since in ((9, 0), (9, 4), (3, 0)):
            start, end = bench.start + since * HOUR, bench.start + hours * HOUR
            report = dataclasses.replace(handover(made, "elm", Span(start, end), end), live=())
            one = next(night for night in report.nights if night.device == "pump-1")
            if hours == 3:  # it ran until then
                assert (one.given_ml, one.complete, report.gaps) == (near(120), True, ())
                assert answers(report)[0].short == "nothing is open"
                continue
            assert report.gaps == (Gap(bench.now, None, "Second Bell did not run"),)
            assert (one.given_ml, one.complete) == (None if since else near(120), False)
            assert one.pieces[-1].doing == "unseen"
            assert one.pieces[-1].start == max(bench.now, start)
            opened, underfed, _ = answers(report)
            assert opened.short == "nothing known to be open"
            assert "nobody by" not in underfed.short


def test_a_counter_that_begins_again_between_two_marks_loses_nothing(tmp_path: Path) -> None:
    """Cleared in mid-feed at a moment that is no half hour: what it showed just before counts."""
    bench = quiet()
    feeds(bench, "pump-1", 1.75)
    bench.until(bench.now + MINUTE)
    feeds(bench, "pump-1", 2, ml=0.0)
    one = nights_of(bench, tmp_path)["pump-1"]
    assert one.given_ml == near(225, abs=0.2)
    assert (one.complete, one.doubts) == (True, ("its counter began again",))


def test_at_home_a_longer_silence_is_usual(tmp_path: Path) -> None:
    """A home pump that reports every ten minutes is seen all the time; it is unseen after a quarter of an hour."""
    bench = quiet(setting="home")
    ml = feeds(bench, "pump-1", 3, step=10 * MINUTE)
    bench.pass_by("20 min")
    feeds(bench, "pump-1", 1, ml=ml + 20, step=10 * MINUTE)
    one = nights_of(bench, tmp_path)["pump-1"]
    assert [(piece.doing, (piece.end - piece.start) / MINUTE) for piece in one.pieces] == [
        ("delivering", 180),
        ("unseen", 20),
        ("delivering", 60),
    ]
    assert len(bench.kept.rows["seen"]) < 15


def test_a_night_over_a_change_of_the_clocks(tmp_path: Path) -> None:
    """28 March 2026 in London, 20:00 to 08:00: eleven hours, a plan of 22:00 to 06:00 has seven (tz database)."""
    zone = zone_table("Europe/London")
    span = shift("night", SHIFTS, zone, parse("2026-03-29T06:00:00Z"))
    devices = {"pump-1": DeviceEntry(id="pump-1", unit="elm", place="bay 3 bed 1", plan=PLAN)}
    bench = Bench(ward(devices=devices, zone=zone, zone_name="Europe/London"), start=span.start, reporting=0)
    feeds(bench, "pump-1", 11, rate=70.0)
    one = nights_of(bench, tmp_path, span)["pump-1"]
    assert bench.now == span.end
    assert (one.given_ml, one.planned_ml) == (near(770), near(700))  # at its 100 mL/h
    part = Span(
        parse("2026-03-29T00:30:00Z"), parse("2026-03-29T01:30:00Z")
    )  # 00:30 to 02:30 on the wall: one hour
    there = nights_of(bench, tmp_path / "part", part)["pump-1"]
    assert there.planned_ml == near(100)
    assert there.given_ml == near(70)


def test_a_feed_that_goes_on_with_another_pump_is_one_feed(tmp_path: Path) -> None:
    """pump-1 gave 120 mL until midnight, pump-2 goes on with 60 mL/h until 02:00: given is 240, of 400 planned."""
    bench = quiet()
    feeds(bench, "pump-1", 2)
    bench.snapshot("pump-1", activity="off")
    bench.pass_by("4 min")
    bench.snapshot("pump-2", activity="feeding", delivered_ml=0.0, rate_ml_h=60.0)
    bench.pass_by("1 min")
    assert bench.answer("swap", "nurse-1", "pump-1", "worn out", device="pump-2").ok
    feeds(bench, "pump-2", 2 - 5 / 60, ml=1.0)
    found = nights_of(bench, tmp_path)
    old, new = found["pump-1"], found["pump-2"]
    assert (new.given_ml, new.planned_ml) == (near(236, abs=0.2), near(400))
    assert new.place == "bay 3 bed 1"
    assert new.doubts == ("until 00:05 with pump-1",)
    assert new.complete
    assert (old.planned_ml, old.given_ml) == (None, 0)
    assert old.doubts == ("its feed goes on with pump-2 since 00:05",)
    assert old.place == "place not recorded"
    before = nights_of(bench, tmp_path / "before", Span(bench.start, bench.start + HOUR))
    assert (before["pump-1"].planned_ml, before["pump-1"].given_ml) == (near(100), near(60))
    assert before["pump-2"].planned_ml is None


def test_a_feed_that_comes_back_to_its_pump(tmp_path: Path) -> None:
    """Swapped at one and back at two: what both gave is of this feed, in the row of the one that has it."""
    bench = quiet()
    ml = feeds(bench, "pump-1", 1)
    bench.snapshot("pump-1", activity="held")
    assert bench.answer("swap", "nurse-1", "pump-1", "worn out", device="pump-2").ok
    feeds(bench, "pump-2", 1)
    bench.snapshot("pump-2", activity="held")
    reply = bench.answer("swap", "nurse-1", "pump-2", "mended", device="pump-1")
    assert reply.ok, reply.text
    feeds(bench, "pump-1", 1, ml=ml)
    found = nights_of(bench, tmp_path)
    assert found["pump-1"].given_ml == near(180)
    assert found["pump-1"].planned_ml == near(300)
    assert (found["pump-2"].planned_ml, found["pump-2"].given_ml) == (None, 0)


def test_a_pump_that_is_moved_is_shown_where_it_is_now(tmp_path: Path) -> None:
    """Moved in mid-shift: one row, its new place, and the page says that it was moved."""
    bench = quiet()
    feeds(bench, "pump-1", 1)
    assert bench.answer("move", "nurse-1", "pump-1", place="bay 7 bed 2").ok
    feeds(bench, "pump-1", 1, ml=60)
    with source(bench, tmp_path) as found:
        report = handover(found, "elm", Span(bench.start, bench.now), bench.now)
    assert [one.place for one in report.nights if one.device == "pump-1"] == ["bay 7 bed 2"]
    assert [one.text for one in report.changes] == [
        "pump-1 was moved; it is recorded at: bay 7 bed 2, by night nurse 1"
    ]


def test_what_the_site_file_says_since_wins_over_what_was_recorded(tmp_path: Path) -> None:
    """Moved, and the site file gives it another place later: that one is shown, as notices do."""
    bench = quiet()
    feeds(bench, "pump-1", 0.1)
    assert bench.answer("move", "nurse-1", "pump-1", place="bay 7 bed 2").ok
    later = dict(bench.site.devices) | {
        "pump-1": DeviceEntry(id="pump-1", unit="elm", place="bay 9 bed 9", plan=PLAN)
    }
    site = dataclasses.replace(bench.site, devices=later, standing={})
    with source(bench, tmp_path, site) as found:
        assert of(found, Span(bench.start, bench.now), bench.now)["pump-1"].place == "bay 9 bed 9"


def test_a_plan_changed_in_the_shift_is_said(tmp_path: Path) -> None:
    """What is planned is by the new one, and the row says so."""
    bench = quiet()
    feeds(bench, "pump-1", 1)
    bench.plan("pump-1", windows=[{"from": "22:00", "to": "06:00"}], target_ml=1600)
    feeds(bench, "pump-1", 1, ml=60)
    one = nights_of(bench, tmp_path)["pump-1"]
    assert one.planned_ml == near(400)
    assert one.doubts == ("its plan was changed at 23:00: planned is by the new one",)


def test_without_marks_there_is_no_record_and_that_is_said(tmp_path: Path) -> None:
    """Of a store from before there were marks: no record, unknown, and not that the pump was not heard of."""
    bench = quiet()
    feeds(bench, "pump-1", 2)
    del bench.kept.rows["seen"]
    found = nights_of(bench, tmp_path)
    assert found["pump-1"].given_ml is None
    assert found["pump-1"].doubts == ("no record of what it did",)
    assert found["pump-2"].doubts == ("never heard of",)


def test_a_record_that_begins_in_mid_shift_says_from_when_on(tmp_path: Path) -> None:
    """The newer version was started at 23:30: before that nothing is known."""
    bench = quiet()
    feeds(bench, "pump-1", 2)
    rows = bench.kept.rows["seen"]
    begins = bench.start + 90 * MINUTE
    bench.kept.rows["seen"] = {
        key: text for key, text in rows.items() if int(key.rpartition("|")[2]) >= begins
    }
    one = nights_of(bench, tmp_path)["pump-1"]
    assert one.doubts == ("no record of what it did before 23:30",)
    assert (one.given_ml, one.complete) == (near(30, abs=1), False)


def test_a_pump_first_heard_of_after_the_shift(tmp_path: Path) -> None:
    """New on the ward at 23:00: of the hour before, it was not heard of yet."""
    bench = quiet()
    bench.pass_by("1 h")
    feeds(bench, "pump-2", 1)
    one = nights_of(bench, tmp_path, Span(bench.start, bench.start + HOUR))["pump-2"]
    assert (one.given_ml, one.doubts) == (None, ("not heard of yet in this shift",))


def test_a_store_that_an_older_version_wrote(tmp_path: Path) -> None:
    """A real one of schema 1: pumps with no record, its concerns as they were, and nothing fails."""
    with gzip.open(OLD) as packed, (tmp_path / FILE_NAME).open("wb") as file:
        shutil.copyfileobj(packed, file)
    site = dataclasses.replace(quiet().site, devices={})
    with StoreReader(tmp_path) as reader:
        made = Source(site=site, reader=reader)
        [last, *_] = sorted((entry.at for entry in reader.entries()), reverse=True)
        report = handover(made, None, Span(last - 12 * HOUR, last + HOUR), last + HOUR)
    assert report.over
    assert {one.given_ml for one in report.nights} == {None}
    assert all(one.doubts[0] == "no record of what it did" for one in report.nights)
