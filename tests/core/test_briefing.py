"""The facts of a notice: how old they are, why it is over, what a pump does."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.core.briefing import doing, last_seen, why_settled
from monitor.core.instants import SECOND
from monitor.core.messages import AlarmCondition
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
