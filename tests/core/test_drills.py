"""Drills through the whole engine: each leg of the way, what is missed, and what is said of it."""

from __future__ import annotations

import dataclasses
import json
import re

import pytest

from monitor.core.effects import DrillStopped
from monitor.core.site import DeviceEntry
from monitor.shipped import shipped_rules
from monitor.testing import Bench, ward
from tests.core.drill_stories import MISSED, ORDER, PUMP, begun, legs, missed, outcome, trail

# ---- the way ---------------------------------------------------------------------------------------------------------


def test_each_leg_is_told_with_its_time() -> None:
    """Asked, published, back, held, called, taken, accepted, ended: each once for each nurse, at its instant."""
    bench, drill = begun()
    bench.pass_by("51 s")
    assert (
        bench.accept("nurse-1", PUMP)
        == "Accepted: the drill of elm has reached you. Nothing else is asked of you."
    )
    report = bench.engine.drills.report(drill)
    assert report is not None
    told = [
        (name, at - bench.start, said.get("person"), said.get("carrier")) for name, at, said in report["legs"]
    ]
    assert sorted(told, key=lambda leg: (leg[1], ORDER.index(leg[0]), leg[2] or "")) == [
        ("asked", 0, None, None),
        ("published", 0, None, None),
        ("back", 0, None, None),
        ("raised", 3_000, None, None),
        ("told", 8_000, "night nurse 1", "pager"),
        ("told", 8_000, "night nurse 2", "pager"),
        ("sent", 8_000, "night nurse 1", "pager"),
        ("sent", 8_000, "night nurse 2", "pager"),
        ("accepted", 60_000, "night nurse 1", None),
        ("ended", 60_000, None, None),
        ("cleared", 60_000, None, None),
    ]
    [ended] = trail(bench, "drill-ended")
    after = {"back": 0, "raised": 3_000, "told": 8_000, "sent": 8_000, "accepted": 60_000}
    assert ended == {"unit": "elm", "outcome": "accepted", "by": "command", "after": after}


def test_an_accepted_drill_stands_down_and_leaves_nothing_behind() -> None:
    """Everybody who was told hears that it is over, marked DRILL; then there is no such pump, and no open concern."""
    bench, drill = begun()
    bench.accept("nurse-1", PUMP)
    bench.pass_by("20 s")
    bench.assert_settled(PUMP)
    for nurse in ("nurse-1", "nurse-2"):
        assert bench.assert_told(nurse, "stand-down").text.startswith("DRILL OVER MEDIUM made-up pump of elm")
    assert PUMP not in bench.engine.devices
    assert PUMP not in bench.kept.load().rows.get("device", {})
    assert legs(bench, drill)[-2:] == ["ended", "cleared"]
    assert not [topic for topic in bench.published if topic.endswith("/concerns")]
    bench.assert_trail_whole()


def test_it_climbs_the_units_ladder_rung_by_rung() -> None:
    """Unaccepted, it goes to the second rung when the first one's wait is over, as a real trouble would."""
    bench, drill = begun(wait="25 min")
    bench.pass_by("9 min")
    bench.assert_nobody_told()
    bench.pass_by("2 min")
    bench.assert_told("charge", "next-rung")
    bench.accept("charge", PUMP)
    assert outcome(bench, drill) == "accepted"
    bench.pass_by("10 s")
    assert {told.person for told in bench.told} == {"nurse-1", "nurse-2", "charge"}


def test_a_drill_to_one_person_goes_to_nobody_else() -> None:
    """With `to` no rung is climbed, whoever comes on duty or declines meanwhile."""
    bench, drill = begun(to="technical", wait="30 min")
    bench.pass_by("20 min")
    bench.decline("technical", PUMP)
    bench.pass_by("15 min")
    assert {told.person for told in bench.told} == {"technical"}
    assert outcome(bench, drill) == "missed"


def test_a_duty_that_begins_meanwhile_is_not_told_of_a_drill_to_one_person() -> None:
    """At 07:00 the day nurse comes on duty and hears nothing of it."""
    bench = Bench(ward())
    bench.at("08:55:00")
    begun(bench, to="technical")
    bench.pass_by("7 min")
    assert {told.person for told in bench.told} == {"technical"}


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"unit": "ash"}, "there is no unit ash; units: elm, oak"),
        ({"to": "nobody"}, "nobody here has the id nobody"),
        ({"priority": "low"}, "priority is low, not medium or high"),
        ({"wait": "10 s"}, "between 1 min and 2 h"),
        ({"wait": "3 h"}, "between 1 min and 2 h"),
    ],
)
def test_what_cannot_be_is_refused_in_words(asked: dict[str, str], said: str) -> None:
    """Nothing is begun, and the reply says why."""
    bench = Bench(ward())
    reply = bench.drill(**asked)
    assert not reply.ok
    assert said in reply.text
    assert not bench.engine.drills.of_unit


@pytest.mark.parametrize("letters", [58, 59, 64])
def test_a_unit_with_a_long_name(letters: int) -> None:
    """The made-up pump's name fits the level of a topic, whatever the unit is called."""
    unit = "e" * letters
    bench, drill = begun(Bench(ward(units=(unit,))), unit=unit)
    device = bench.site.drill_device(unit)
    assert len(device) <= 64
    bench.accept("nurse-1", device)
    assert outcome(bench, drill) == "accepted"


def test_one_at_a_time_for_each_unit() -> None:
    """A second of the same unit is refused while one is under way; another unit's is not."""
    bench, _ = begun()
    assert "is under way" in bench.drill().text
    assert bench.drill("oak", to="manager").ok


def test_it_needs_a_rule_that_can_hold() -> None:
    """With its first rule switched off the next one is used; with both off there is no drill."""
    other = Bench(ward(switched_off={"unattended": "a test"}))
    other, _ = begun(other)
    assert other.concern(PUMP).rule == "standing-alarm"
    neither = Bench(ward(switched_off={"unattended": "a test", "standing-alarm": "a test"}))
    assert "switched off" in neither.drill().text


def test_whoever_asked_can_stop_it() -> None:
    """Its notices end, those told hear that it is over, and it is no missed drill."""
    bench, drill = begun()
    bench.engine.receive(DrillStopped(token="stop", unit="elm", drill=drill), bench.now)
    bench.work()
    assert outcome(bench, drill) == "stopped"
    bench.pass_by("10 s")
    bench.assert_told("nurse-1", "withdrawn")
    assert not bench.concerns("unit:elm")


def test_somebody_can_withdraw_it() -> None:
    """A drill whose concern is withdrawn, with a reason, is over; it is no missed one."""
    bench, drill = begun()
    bench.withdraw("charge", PUMP, "pagers are being changed")
    assert outcome(bench, drill) == "stopped"
    bench.pass_by("15 min")
    assert not bench.concerns("unit:elm")


# ---- missed ----------------------------------------------------------------------------------------------------------


def test_a_missed_drill_is_a_concern_of_its_unit() -> None:
    """After its wait the drill is over and the unit's ladder is told that it was missed, with the technical contact."""
    bench = missed()
    bench.assert_open("unit:elm", MISSED)
    for person in ("nurse-1", "technical"):
        told = bench.assert_told(person, "raised")
        assert "DRILL" not in told.text.split()[0]
        assert told.text.startswith("MEDIUM unit elm: last drill not accepted.")
        assert "Person first" not in told.text
    [ended] = trail(bench, "drill-ended")
    assert (ended["outcome"], ended["why"]) == ("missed", "nobody accepted it within 10 min")


def test_the_mail_about_a_missed_drill_sends_nobody_to_a_pump() -> None:
    """It asks why nobody accepted, and to let another run; not for a look at persons and tubes."""
    mail_first = {
        name: dataclasses.replace(person, reach=person.reach[::-1]) for name, person in ward().people.items()
    }
    mail = missed(Bench(ward(people=mail_first))).assert_told("nurse-1", "raised")
    assert mail.subject == "MEDIUM PRIORITY, unit elm: drill not accepted"
    assert mail.text.startswith(
        "MEDIUM PRIORITY: please find out why nobody accepted the drill of unit elm soon: "
    )
    assert "Why: its last drill was missed: nobody accepted it within its wait." in mail.text
    assert "Then let a drill run again: this is over when one is accepted." in mail.text
    assert not re.search(r"tube|vomiting|pumps, as last seen", mail.text, re.IGNORECASE)


def test_the_next_accepted_drill_ends_it() -> None:
    """A missed drill's concern stays until one of that unit is accepted, and does not put that one off."""
    bench = missed()
    bench.accept("nurse-1", "unit:elm")
    bench, drill = begun(bench)
    bench.accept("nurse-1", PUMP)
    bench.pass_by("1 min")
    assert outcome(bench, drill) == "accepted"
    assert bench.assert_settled("unit:elm", MISSED).settled == "a later drill was accepted"


def test_who_has_a_missed_drill_is_not_asked_again_until_another_is_missed() -> None:
    """An accepted one is quiet for hours; the next that is missed tells whoever has it."""
    bench = missed()
    bench.accept("nurse-1", "unit:elm")
    bench.at("03:00:00")
    bench.assert_accepted("unit:elm", "nurse-1", MISSED)
    count = len(bench.told)
    missed(bench)
    assert [
        (told.person, why) for told in bench.told[count:] for _, why in told.items if why == "further"
    ] == [("nurse-1", "further")]


def test_one_withdrawn_can_be_missed_anew() -> None:
    """Somebody withdraws it with a reason; the next missed drill is told again."""
    bench = missed()
    bench.withdraw("nurse-1", "unit:elm", "pagers were being changed")
    bench.pass_by("2 h")
    bench = missed(bench)
    bench.assert_open("unit:elm", MISSED)
    bench.assert_told("nurse-1", "raised")


def test_a_test_address_that_is_watched_is_no_units_concern() -> None:
    """A drill to one person from a terminal is seen by whoever asked; by calendar nobody looks, so it is told."""
    bench, _ = begun(to="technical")
    bench.pass_by("11 min")
    assert not bench.concerns("unit:elm")
    bench, _ = begun(bench, to="technical", by="calendar")
    bench.pass_by("11 min")
    bench.assert_open("unit:elm", MISSED)
    bench, _ = begun(bench, to="manager")
    bench.accept("manager", PUMP)
    bench.pass_by("1 min")
    bench.assert_open("unit:elm", MISSED)
    bench, _ = begun(bench, to="technical")
    bench.accept("technical", PUMP)
    bench.pass_by("1 min")
    bench.assert_settled("unit:elm", MISSED)


@pytest.mark.parametrize(
    ("fails", "why"),
    [("broker", "the broker did not bring it back"), ("carriers", "no carrier has taken it")],
)
def test_it_says_how_far_it_came(fails: str, why: str) -> None:
    """A broker that loses it, and carriers that refuse it, are named as what failed."""
    bench = Bench(ward())
    if fails == "broker":
        bench.losing = True
    else:
        for carrier in bench.carriers.values():
            carrier.fails("refused", text="550 no such pager")
    said = bench.drill()
    bench.pass_by("11 min")
    report = bench.engine.drills.report(said.text)
    assert report is not None
    assert (report["outcome"], report["why"]) == ("missed", why)


def test_a_message_that_was_lost_is_sent_again() -> None:
    """The broker loses the first; the next, five seconds later, goes the way."""
    bench = Bench(ward())
    bench.losing = True
    drill = bench.drill().text
    bench.pass_by("2 s")
    bench.losing = False
    bench.pass_by("20 s")
    assert legs(bench, drill)[:4] == ["asked", "published", "back", "raised"]


# ---- what is said ----------------------------------------------------------------------------------------------------


def test_a_drills_notices_say_that_it_is_made_up() -> None:
    """Mail and page begin with DRILL, ask for an acceptance alone, and send nobody to any pump."""
    mail_first = {
        name: dataclasses.replace(person, reach=person.reach[::-1]) for name, person in ward().people.items()
    }
    for site, starts in (
        (ward(), "DRILL MEDIUM made-up pump of elm: nobody in trouble, accept to prove it came."),
        (
            ward(people=mail_first),
            "DRILL: made up, to prove that the way to you works. Nobody is in trouble.",
        ),
    ):
        bench, _ = begun(Bench(site))
        told = bench.assert_told("nurse-1", "raised")
        assert told.text.startswith(starts)
        assert bench.code("nurse-1", PUMP) in told.text
        assert not re.search(r"go to|person first|Look at|mains|sounding", told.text, re.IGNORECASE)
        bench.accept("nurse-1", PUMP)
        bench.pass_by("20 s")
        over = bench.assert_told("nurse-2", "stand-down")
        assert (over.subject or over.text).startswith("DRILL OVER")
        assert "no feed is due" not in over.text
    assert told.subject == "DRILL MEDIUM PRIORITY, made-up pump of elm: alarm unanswered"
    assert "Night nurse 1 accepted it." in over.text


def test_it_is_no_pump_of_the_unit() -> None:
    """When sight is lost in a drill, the places to go round are the real pumps' alone."""
    bench = Bench(ward(devices={"pump-1": DeviceEntry(id="pump-1", unit="elm", place="bay 1 bed 1")}))
    bench.snapshot("pump-1")
    begun(bench)
    bench.link_down()
    bench.pass_by("59 s")
    assert PUMP in bench.engine.devices
    concern = bench.concern(PUMP)
    places = bench.engine.lookout.places(concern, bench.now)
    assert [place.partition(":")[0] for place in places] == ["bay 1 bed 1"]
    assert all("drill" not in place for place in places)


def test_a_store_from_before_there_were_drills_loads() -> None:
    """A unit's row of that time has three values: no drill of it was missed."""
    bench = Bench(ward())
    bench.link_down()
    bench.pass_by("2 min")
    rows = bench.kept.rows["unit"]
    bench.kept.rows["unit"] = {unit: json.dumps(json.loads(text)[:3]) for unit, text in rows.items()}
    bench.restart(link=False)
    bench.assert_open("unit:elm", "sight-lost")
    assert not bench.engine.lookout.units["elm"].picture.drill_missed


def test_the_shipped_rule_is_there() -> None:
    """`drill-missed` is shipped; its concern is of medium priority, so that it climbs."""
    [rule] = [rule for rule in shipped_rules() if rule.id == MISSED]
    assert [branch.priority for branch in rule.when] == ["medium"]
