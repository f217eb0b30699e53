"""Marks for handovers: one when what is drawn changes, one now and then, one when a pump is heard again."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.changes import KINDS, REPORTED
from monitor.core.chronicle import EVERY, KIND, UNSEEN, Mark, due, minute, patience, read
from monitor.core.instants import MINUTE, SECOND
from monitor.core.picture import Picture
from monitor.core.site import DRILL
from monitor.shipped import shipped_rules
from monitor.testing import START, Bench, alarm, ward
from tests.core.stories import FAULT
from tests.core.test_engine_fault import Faulty
from tests.core.test_short_way import ways

MUTED = alarm("downstream-occlusion", inactivation="audio-paused")


def bench() -> Bench:
    """All shipped rules; pumps say only what they are made to say."""
    return Bench(ward(shipped_rules()), reporting=0)


def marks(bench: Bench, device: str = "pump-1") -> list[Mark]:
    """All marks that are kept of a device."""
    found = [read(key, text) for key, text in bench.kept.rows.get(KIND, {}).items()]
    return sorted(mark for name, mark in found if name == device)


def test_the_first_snapshot_and_each_change_leave_a_mark() -> None:
    """What is drawn: activity, sound, alarm, power; and nothing for a pump that says the same again."""
    made = bench()
    made.snapshot("pump-1", mains=True, delivered_ml=1.0)
    for said in (
        {}, {"alarms": [alarm("downstream-occlusion")]}, {"alarms": [MUTED]}, {}, {"alarms": [FAULT]}, {"mains": False},
        {"alarms": [], "mains": True}, {"activity": "held"}, {"battery_percent": 50}, {"activity": "feeding"},
    ):  # fmt: skip
        made.pass_by("1 min")
        made.snapshot("pump-1", **said)
    told = [(mark.activity, mark.alarm, mark.muted, mark.mains) for mark in marks(made)]
    assert told == [
        ("feeding", "", False, True),
        ("feeding", "medium", False, True),
        ("feeding", "medium", True, True),
        ("feeding", "high", False, True),
        ("feeding", "high", False, False),
        ("feeding", "", False, True),
        ("held", "", False, True),
        ("feeding", "", False, True),
    ]
    assert marks(made)[0].heard == 0


def test_a_pump_that_says_the_same_is_marked_each_half_hour() -> None:
    """Three hours of feeding, by the short way: a mark every 30 min and none between; its counter goes with it."""
    made = bench()
    for number in range(180):
        made.snapshot("pump-1", delivered_ml=float(number))
        made.pass_by("1 min")
    found = marks(made)
    assert [(mark.at - START) // MINUTE for mark in found] == [0, 30, 60, 90, 120, 150]
    assert [mark.delivered_ml for mark in found] == [0, 30, 60, 90, 120, 150]
    assert all(mark.heard == mark.at - MINUTE for mark in found[1:])


def test_a_pump_heard_again_is_marked_with_what_it_had_said_last() -> None:
    """Silent for longer than three minutes: the mark says since when, and the last word before it is kept too."""
    made = bench()
    for number in range(10):
        made.snapshot("pump-1", delivered_ml=float(number))
        made.pass_by("1 min")
    made.pass_by("5 min")
    made.snapshot("pump-1", delivered_ml=20.0)
    first, last_word, again = marks(made)
    assert (last_word.at, last_word.delivered_ml) == (START + 9 * MINUTE, 9)
    assert (again.at, again.heard, again.delivered_ml) == (START + 15 * MINUTE, last_word.at, 20)
    assert first.at == START
    made.pass_by("3 min")
    made.snapshot("pump-1")
    assert len(marks(made)) == 3, "three minutes are not longer than three minutes"


def test_at_home_a_quarter_of_an_hour_is_no_silence() -> None:
    """As `out-of-sight` has it there: 15 min; a site may be more patient, and never less than 3 min."""
    rules = shipped_rules()
    assert patience(ward(rules).rules_for("elm", "pump-1")) == UNSEEN
    assert patience(ward(rules, setting="home").rules_for("elm", "pump-1")) == 15 * MINUTE
    patient = ward(rules, thresholds={"out-of-sight": {"patience": "20 min"}})
    assert patience(patient.rules_for("elm", "pump-1")) == 20 * MINUTE
    assert (
        patience(ward(rules, switched_off={"out-of-sight": "made up"}).rules_for("elm", "pump-1")) == UNSEEN
    )


def test_a_counter_that_goes_back_is_marked_on_both_sides() -> None:
    """What it showed last, and what it shows now, though nothing else has changed."""
    made = bench()
    taken = ways(made)
    for ml in (10.0, 11.0, 12.0, 0.5, 1.5):
        made.snapshot("pump-1", delivered_ml=ml)
        made.pass_by("1 min")
    assert [mark.delivered_ml for mark in marks(made)] == [10, 12, 0.5]
    assert taken == [False, True, True, False, True]


def test_what_does_not_act_leaves_no_mark() -> None:
    """A late one, and one that cannot be read."""
    made = bench()
    made.snapshot("pump-1")
    made.pass_by("1 min")
    made.snapshot("pump-1")
    made.snapshot("pump-1", activity="held", time=START + 30 * SECOND)
    assert [mark.activity for mark in marks(made)] == ["feeding"]
    made.message("secondbell/v1/larkfield/elm/pump-1/state", b"{")
    assert len(marks(made)) == 1


def test_a_drill_leaves_no_mark() -> None:
    """A made-up pump has no night."""
    made = bench()
    assert made.drill().ok
    made.pass_by("11 min")
    assert made.engine.counters["snapshots"]
    assert not [key for key in made.kept.rows.get(KIND, {}) if key.startswith(DRILL)]


def test_a_fault_of_ours_leaves_no_mark_of_what_was_undone(monkeypatch: pytest.MonkeyPatch) -> None:
    """The message is quarantined, the pump is what it was, and its night does not show what was not taken."""
    made = bench()
    made.snapshot("pump-1")
    made.pass_by("1 min")
    faulty = Faulty(made, monkeypatch)
    faulty.breaks(made.engine.lookout, "came")
    made.snapshot("pump-1", activity="held")
    assert faulty.errors
    made.pass_by("1 min")
    assert [mark.activity for mark in marks(made)] == ["feeding"]


def test_a_pump_that_need_not_be_heard_is_marked_when_it_is_heard_again() -> None:
    """Idle, so that no rule waits for its word, it takes the short way; after a silence it must not."""
    made = bench()
    taken = ways(made)
    for pause in ("1 min", "10 min", "1 min", "1 min"):
        made.snapshot("pump-1", activity="idle")
        made.pass_by(pause)
    assert [mark.at - START for mark in marks(made)] == [0, MINUTE, 11 * MINUTE]
    assert taken == [False, True, False, True]


def test_an_older_state_is_marked_at_its_next_snapshot() -> None:
    """Pictures of versions 4 and 5 had no such number: from the next snapshot on there are marks."""
    made = bench()
    for _ in range(5):
        made.snapshot("pump-1")
        made.pass_by("1 min")
    version, picture, subject = json.loads(made.kept.rows["device"]["pump-1"])
    assert version == Picture.VERSION == 6
    for fields in (35, 31):
        made.kept.rows[KIND] = {}
        made.kept.rows["device"]["pump-1"] = json.dumps([version - 1, picture[:fields], subject])
        made.restart()
        made.snapshot("pump-1")
        assert [mark.at for mark in marks(made)] == [made.now]
        made.pass_by("10 s")


def test_a_restart_goes_on_with_the_half_hour() -> None:
    """Killed and started in between: the next mark comes when it would have come."""
    made = bench()
    for number in range(60):
        made.snapshot("pump-1")
        made.pass_by("1 min")
        if number % 7 == 3:
            made.restart()
    assert [(mark.at - START) // MINUTE for mark in marks(made)] == [0, 30]


@given(st.integers(0, 10**13), st.integers(0, EVERY + UNSEEN))
def test_a_small_number_is_enough_to_know_when_a_mark_is_due(at: int, passed: int) -> None:
    """As a pump that is heard is marked at least each half hour: due from the 30th minute on, and not before."""
    minutes = (at + passed) // MINUTE - at // MINUTE
    assert due(minute(at), at + passed) == (minutes >= EVERY // MINUTE)
    assert 0 <= minute(at) < 256  # of which there is one object each


def test_no_start_loads_marks() -> None:
    """They are for readers alone."""
    assert KIND in KINDS
    assert KIND in REPORTED


@pytest.mark.parametrize(
    "text",
    [
        "[]", "null", '[0,"feeding",true,false,"",true,1]', '["0","feeding",true,false,"",true,1,1]',
        '[0,7,true,false,"",true,1,1]', '[0,"feeding",1,false,"",true,1,1]', '[0,"feeding",true,"","",true,1,1]',
        '[0,"feeding",true,false,"loud",true,1,1]', '[0,"feeding",true,false,[],true,1,1]',
        '[0,"feeding",true,false,"","",1,1]', '[0,"feeding",true,false,"",true,1e999,1]',
        '[0,"feeding",true,false,"",true,1,"1"]', "{",
    ],
)  # fmt: skip
def test_what_was_changed_into_no_mark_is_refused(text: str) -> None:
    """Rows stand beside the proof and can be edited: a report leaves such a one out, and does not fail of it."""
    assert read("pump-1|5", '[0,"feeding",true,false,"",null,1,null]')[1].given_ml is None
    with pytest.raises(ValueError, match=r"no mark|Expecting"):
        read("pump-1|5", text)
