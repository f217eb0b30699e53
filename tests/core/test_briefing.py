"""The facts of a notice: how old they are, why it is over, what a pump does."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.core.briefing import doing, last_seen, why_settled
from monitor.core.instants import HOUR, SECOND
from monitor.core.messages import AlarmCondition, Plan, Window
from monitor.core.picture import Picture
from monitor.testing import START, Bench, ward
from tests.core.stories import RINGING, only

BLOCKED = AlarmCondition("downstream-occlusion", "feed", "medium", "enabled", START)
LOW = AlarmCondition("battery-low", "", "low", "enabled", START)


def picture(**said: Any) -> Picture:
    """A picture of which only this is known."""
    found = Picture("elm")
    for name, value in said.items():
        setattr(found, name, value)
    return found


@pytest.mark.parametrize(
    ("about", "known", "why"),
    [
        ("alarms", {"activity": "feeding", "delivering": True}, "it feeds again, no alarm"),
        (
            "alarms",
            {"activity": "feeding", "delivering": True, "alarms": (LOW,)},
            "it feeds again, a low priority alarm only",
        ),
        ("delivery", {"activity": "flushing", "delivering": True}, "it delivers again; the pump is flushing, no alarm"),
        ("delivery", {"activity": "finished"}, "no feed is due; the pump is finished, no alarm"),
        ("power", {"activity": "feeding", "mains": True}, "it is on mains again; the pump is feeding, no alarm"),
        ("power", {"activity": "off", "mains": False}, "its battery is no longer low; the pump is off, no alarm"),
        (
            "power",
            {"activity": "feeding"},
            "it no longer says how it is powered, so look at its plug; the pump is feeding, no alarm",
        ),
        (
            "sight",
            {"activity": "stopped", "alarms": (BLOCKED,)},
            "it is heard of again; the pump is stopped by an alarm condition, "
            "in alarm: line blocked after the pump (downstream)",
        ),
    ],
)  # fmt: skip
def test_an_end_says_why_and_what_the_pump_does(about: str, known: dict[str, Any], why: str) -> None:
    """Why it is over in words that are true of the picture: no all-clear of what is not known."""
    assert why_settled(about, "any", picture(**known)) == why


PLAN = Plan((Window(20 * 60, 6 * 60, 100.0),), 1000.0, None, None, 1.5, False, "powder", START, None)
MEALS = PLAN._replace(windows=(Window(18 * 60, 21 * 60, 100.0), Window(23 * 60, 24 * 60, 100.0)))
MORNING = START + 10 * HOUR
BEHIND = {
    "plan": PLAN,
    "acted": START,
    "window_start": START - 2 * HOUR,
    "counter_ml": 150.0,
    "given_ml": 150.0,
}


@pytest.mark.parametrize(
    ("rule", "known", "why"),
    [
        ("behind-plan", BEHIND, "what was given is 50 mL (75 kcal) behind the plan, within the limits"),
        ("behind-plan", BEHIND | {"given_ml": 199.5}, "what was given is as planned again"),
        (
            "behind-plan",
            BEHIND | {"window_start": None, "acted": MORNING},
            "the times of its plan are over, 850 mL (1275 kcal) short of the target",
        ),
        (
            "behind-plan",
            BEHIND | {"window_start": None, "acted": MORNING, "given_ml": 1000.0},
            "the times of its plan are over, and the target was given",
        ),
        (
            "behind-plan",
            BEHIND | {"plan": MEALS, "window_start": None},
            "its plan pauses until the next time of the day, 150 mL (225 kcal) behind it so far",
        ),
        (
            "behind-plan",
            BEHIND | {"day_start": START},
            "a new feeding day of its plan has begun; what the last one was short of was not given",
        ),
        ("behind-plan", BEHIND | {"feed_ended": True}, "somebody has answered that the feed is over for now"),
        (
            "behind-plan",
            BEHIND | {"given_known": False},
            "what was given is not known any more, as the pump's counter went back",
        ),
        ("behind-plan", {}, "there is no plan for it any more"),
        ("over-plan", {"plan": PLAN, "delivering": True}, "it gives no more than the plan allows"),
        ("over-plan", {"plan": PLAN}, "it delivers no more"),
        ("hung-too-long", {"plan": PLAN}, "the hang times as recorded are within their limits again"),
        ("hung-too-long", {"plan": PLAN._replace(container_hung=None)}, "no hang times are recorded any more"),
        ("an-integrators-own", {"plan": PLAN}, "it is as planned again"),
    ],
)  # fmt: skip
def test_the_end_of_a_concern_about_a_plan_is_no_more_than_is_known(
    rule: str, known: dict[str, Any], why: str
) -> None:
    """Whether the plan was kept, ran out, or nobody knows: said as it is, and what the pump does now."""
    found = picture(**known)
    found.activity = "held"
    assert why_settled("plan", rule, found, START - HOUR) == f"{why}; the pump is held by a person, no alarm"


@pytest.mark.parametrize(
    ("mains", "why"),
    [
        (True, "its battery no longer falls"),
        (False, "it is off the mains now; nobody knows yet whether it charges"),
        (None, "it no longer says how it is powered, so look at its plug"),
    ],
)
def test_a_battery_that_did_not_charge(mains: bool | None, why: str) -> None:
    """Unplugged is no proof that it charges."""
    found = picture(mains=mains, activity="feeding")
    assert why_settled("power", "not-charging", found) == f"{why}; the pump is feeding, no alarm"


def test_a_unit_has_no_picture() -> None:
    """The end of a sight-lost speaks of the pumps."""
    assert why_settled("sight", "sight-lost", None) == "the pumps can be seen again"


def test_an_unknown_activity_is_said_as_it_is() -> None:
    """What we do not know is said as unknown."""
    assert doing(picture(activity="unknown")) == "what the pump does is unknown, no alarm"


@pytest.mark.parametrize(("acted", "received", "seen"), [(0, 80, 80), (0, 91, 0), (80, 0, 0)])
def test_values_are_as_old_as_they_were_true(acted: int, received: int, seen: int) -> None:
    """Live ones by their receipt, so that a skewed clock does not age them; a backlog's by their own time."""
    known = picture(acted=START + acted * SECOND, receipt=START + received * SECOND)
    assert last_seen(ward(), known) == START + seen * SECOND


def test_a_notice_names_the_next_and_when() -> None:
    """The mail of the first rung says who is told next and when; past the last rung that all are."""
    bench = Bench(only("unattended"), reporting=0)
    bench.carriers["pager"].fails("refused")
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING])
    bench.at("00:05:20")
    assert "Next: if nobody accepts by 22:15, charge nurse is told." in bench.assert_told("nurse-1").text
    bench.at("00:25:40")
    assert "all who were told are told again" in bench.assert_told("manager").text


def test_lateness_is_said_once() -> None:
    """Who has heard already how late it was told does not read it in every later notice."""
    bench = Bench(only("unattended"), link=False)
    bench.carriers["pager"].fails("refused")
    bench.link_up()
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING], time=START - 20 * 60 * SECOND)
    bench.marker_back()
    bench.at("00:00:15")
    assert "Told 15 min late" in bench.assert_told("nurse-1").text
    bench.at("00:20:40")
    assert "late" not in bench.assert_told("nurse-1", "round-again").text.replace("can come late", "")
