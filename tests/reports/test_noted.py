"""Holds, drills and changes in plain words, from what the engine notes."""

from __future__ import annotations

import pytest

from monitor.core.instants import HOUR
from monitor.core.site import DeviceEntry
from monitor.reports import courses
from monitor.reports.courses import Story
from monitor.reports.handover import Names
from monitor.reports.noted import WORDS, changes, drills, holds
from monitor.reports.spans import Span
from monitor.testing import Bench, ward
from tests.reports.stored import PLAN


def bench() -> Bench:
    """Two pumps of which one feeds, all rules."""
    devices = {
        f"pump-{n}": DeviceEntry(
            id=f"pump-{n}", unit="elm", place=f"bay 3 bed {n}", plan=PLAN if n == 1 else None
        )
        for n in (1, 2)
    }
    made = Bench(ward(devices=devices))
    made.snapshot("pump-1", activity="feeding", delivered_ml=1.0)
    made.pass_by("10 min")
    return made


def told(made: Bench, unit: str | None = "elm") -> tuple[Story, Names, str | None, Span]:
    """What the words are made from."""
    names = Names(
        site=made.site,
        known=made.kept.names,
        units={name: device.picture.unit for name, device in made.engine.devices.items()},
        called={"elm": "Elm ward"},
    )
    return courses.read(made.kept.entries, made.now), names, unit, Span(made.start, made.now)


def texts(made: Bench, unit: str | None = "elm") -> list[str]:
    """The holds."""
    return [one.text for one in holds(*told(made, unit))]


def test_a_hold_is_told_until_when_and_by_whom_without_its_reason() -> None:
    """While it stands; the reason that somebody typed may name a person, and is not repeated."""
    made = bench()
    assert made.answer("hold", "nurse-1", "pump-1", "bath for Mr Example", lasting="60 min").ok
    assert texts(made) == ["bay 3 bed 1 (pump-1): on hold until 23:10, by night nurse 1"]
    assert texts(made, "oak") == []
    made.snapshot("pump-1", activity="held")
    made.pass_by("61 min")
    assert texts(made) == ["bay 3 bed 1 (pump-1) was on hold until 23:10 (the time was up), by night nurse 1"]


def test_a_feed_that_is_over_is_told_until_the_pump_feeds_again() -> None:
    """With no end of its own; once it was seen to feed again, it was over until then."""
    made = bench()
    assert made.answer("feed-ended", "nurse-1", "pump-1").ok
    assert texts(made) == ["bay 3 bed 1 (pump-1): the feed is over until it feeds again, by night nurse 1"]
    fed = {"pump-1": made.now + HOUR}
    assert [one.text for one in holds(*told(made), fed.get)] == [
        "bay 3 bed 1 (pump-1) the feed was over until about 23:10 (it feeds again), by night nurse 1"
    ]


def test_away_handed_back_and_out_of_service() -> None:
    """Each with its own words, those in force first."""
    made = bench()
    assert made.answer("away", "nurse-1", "pump-1", "x-ray", lasting="30 min").ok
    made.pass_by("1 min")
    assert made.answer("hold", "nurse-2", "pump-1", "x-ray", lasting="30 min").ok
    made.pass_by("1 min")
    assert made.answer("hand-back", "nurse-2", "pump-1").ok
    made.pass_by("1 min")
    assert made.answer("withdraw", "charge", "pump-2", "to the workshop").ok
    assert texts(made) == [
        "bay 3 bed 1 (pump-1): away until 22:40, by night nurse 1",
        "bay 3 bed 2 (pump-2): out of service until it is used again, by charge nurse",
        "bay 3 bed 1 (pump-1) was on hold until 22:12 (handed back), by night nurse 2",
    ]
    assert [one.text for one in changes(*told(made))] == [
        "bay 3 bed 2 (pump-2) was taken out of service, by charge nurse"
    ]


def test_a_hold_goes_with_its_feed_to_another_pump() -> None:
    """After a swap it is the new pump's, and the old one is out of service."""
    made = bench()
    made.snapshot("pump-1", activity="held")
    assert made.answer("hold", "nurse-1", "pump-1", "bath", lasting="60 min").ok
    made.pass_by("5 min")
    assert made.answer("swap", "nurse-1", "pump-1", "worn", device="pump-2").ok
    made.pass_by("1 min")
    found = texts(made)
    assert sum("pump-2): on hold until 23:10" in text for text in found) == 1
    assert sum("pump-1): out of service until it is used again" in text for text in found) == 1
    assert sum("(the feed went on with another pump)" in text for text in found) == 1
    [swapped] = [one.text for one in changes(*told(made)) if "swapped" in one.text]
    assert swapped.endswith(": pump-1 swapped for pump-2, with its feed, by night nurse 1")


@pytest.mark.parametrize("risk", [True, False])
def test_holds_of_the_trail_are_those_of_the_engine(risk: bool) -> None:
    """What stands at the end is what the engine holds, shortened where a plan says that a stop is dangerous."""
    made = bench()
    assert made.answer("hold", "nurse-1", "pump-1", "bath", lasting="90 min").ok
    if risk:
        made.plan("pump-1", windows=[{"from": "21:00", "to": "06:00"}], target_ml=900, glucose_risk=True)
    [hold] = made.engine.holds.all()
    until = "22:40" if risk else "23:40"
    assert hold.until is not None
    assert texts(made) == [f"bay 3 bed 1 (pump-1): on hold until {until}, by night nurse 1"]


def test_drills_are_told_by_how_they_ended() -> None:
    """Accepted after how long and by whom; missed, and why; stopped; under way."""
    made = bench()
    assert made.drill().ok
    made.pass_by("40 s")
    assert made.accept("nurse-1", "drill-elm")
    made.pass_by("2 min")
    assert [one.text for one in drills(*told(made))] == [
        "drill in Elm ward: accepted by night nurse 1 after 40 s"
    ]
    assert made.drill(to="charge").ok
    made.pass_by("1 min")
    assert drills(*told(made))[-1].text == "drill in Elm ward: not over at the end of this report"
    made.pass_by("15 min")
    last = drills(*told(made))[-1].text
    assert last.startswith("drill in Elm ward to charge nurse: missed, ")
    assert drills(*told(made, "oak")) == ()
    assert courses.read(made.kept.entries, made.now).courses  # its concern is there, and is nobody's trouble
    assert not [one for one in changes(*told(made)) if "drill" in one.text]


def test_changes_of_pumps_and_of_the_site_are_told() -> None:
    """A pump that nobody listed, one that moved to another unit, a new plan, two bridges, and a new site file."""
    made = bench()
    made.snapshot("pump-9", activity="feeding")
    made.plan("pump-2", windows=[{"from": "21:00", "to": "06:00"}], target_ml=900)
    made.plan("pump-2", windows=[{"from": "21:00", "to": "06:00"}], target_ml=800)
    made.engine.note(
        "configuration-changed", digest="0", devices={"added": {"count": 2, "which": []}},
        rules={"changed": {"count": 1, "which": ["unattended"]}},
    )  # fmt: skip
    made.engine.note("rota-changed", added=1, removed=2, gained=[], lost=[])
    made.work()
    made.pass_by("1 min")
    made.snapshot("pump-9", unit="oak")
    here = [one.text for one in changes(*told(made))]
    assert here == [
        "bay 3 bed 2 (pump-2): its feeding plan was changed",
        "the rota was changed: 1 duty new, 2 gone",
        "the site file was changed: 1 rule changed, 2 pumps new",
    ]
    assert [one.text for one in changes(*told(made, "oak")) if "pump-9" in one.text] == [
        "place not recorded (pump-9) was heard of for the first time; the site file does not list it",
        "pump-9 is heard of from oak since then",
    ]


def test_only_changes_of_the_shift_are_told() -> None:
    """What was before it is not repeated."""
    made = bench()
    made.answer("withdraw", "charge", "pump-2", "to the workshop")
    made.pass_by("1 h")
    story, names, unit, span = told(made)
    assert changes(story, names, unit, Span(span.start, span.end))
    assert not changes(story, names, unit, Span(span.end - HOUR // 2, span.end))


def test_no_words_have_a_hole() -> None:
    """Whatever an entry lacks, a sentence comes of it."""
    made = bench()
    _, names, _, _ = told(made)
    for event, words in WORDS.items():
        text = words({"event": event}, {}, "pump-1", names)
        assert text, event
        assert "{" not in text
