"""What the trail tells of each concern, against what the engine knows of it."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.core.changes import TrailEntry
from monitor.core.concerns import State
from monitor.core.instants import HOUR, MINUTE
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.reports import courses
from monitor.reports.courses import Course, Story
from monitor.testing import START, Bench, alarm
from tests.core.stories import only

PUMPS = ("pump-1", "pump-2", "pump-3")
PEOPLE = ("nurse-1", "nurse-2", "charge")
RULES = ("unattended", "muted-too-long", "idle-past-limit", "stopped-at-glucose-risk", "low-power-unplugged")
SHOWS: list[list[dict[str, Any]]] = [
    [],
    [alarm("downstream-occlusion")],
    [alarm("occlusion", "high")],
    [alarm("container-empty", inactivation="audio-paused")],
]

pumps, people = st.sampled_from(PUMPS), st.sampled_from(PEOPLE)
steps = st.one_of(
    st.tuples(st.just("pass"), st.integers(1, 45)),
    st.tuples(
        st.just("does"), pumps, st.sampled_from(("feeding", "held", "idle", "stopped")), st.integers(0, len(SHOWS) - 1)
    ),
    st.tuples(st.just("battery"), pumps, st.sampled_from((4, 15, 90))),
    st.tuples(st.sampled_from(("accept", "accept", "decline", "hand-back", "take-over", "withdraw")), pumps, people),
    st.tuples(st.sampled_from(("hold", "feed-ended", "away")), pumps, people, st.integers(1, 60)),
    st.tuples(st.just("swap"), pumps, people, st.sampled_from((*PUMPS, "pump-4", "pump-5"))),
    st.tuples(st.just("fails"), st.booleans()),
    st.tuples(st.just("link"), st.integers(1, 20)),
    st.tuples(st.just("restart")),
)  # fmt: skip


def bench() -> Bench:
    """Three pumps that feed, nurses whose duty ends and begins in the night."""
    change = START + 3 * HOUR
    spans = [
        Span("nurse-1", "nurse", "*", 0, change),
        Span("nurse-2", "nurse", "*", change, FOR_EVER),
        Span("charge", "charge", "*", 0, FOR_EVER),
    ]
    made = Bench(only(*RULES, rota=Rota(spans)), reporting=2 * MINUTE)
    made.plan("pump-1", windows=[{"from": "22:00", "to": "22:00"}], target_ml=2000, glucose_risk=True)
    for name in PUMPS:
        made.snapshot(name, activity="feeding", delivered_ml=0.0, mains=True, battery_percent=90)
    return made


def take(made: Bench, step: tuple[Any, ...]) -> None:
    """Do one step."""
    what = step[0]
    if what == "pass":
        made.pass_by(f"{step[1]} min")
    elif what == "does":
        made.snapshot(step[1], activity=step[2], alarms=SHOWS[step[3]])
    elif what == "battery":
        made.snapshot(step[1], mains=step[2] == 90, battery_percent=step[2])
    elif what == "fails":
        for carrier in made.carriers.values():
            if step[1]:
                carrier.fails("refused")
            else:
                carrier.works()
    elif what == "link":
        made.link_down()
        made.pass_by(f"{step[1]} min")
        made.link_up()
        made.marker_back()
    elif what == "restart":
        made.restart()
    else:
        lasting = f"{step[3]} min" if what in ("hold", "feed-ended", "away") else None
        to = {"device": step[3]} if what == "swap" else {}
        reference = step[1]
        if what not in ("hold", "feed-ended", "away", "swap") and (known := made.concerns(step[1])):
            reference = made.site.code(known[-1].id, step[2])
        made.answer(what, step[2], reference, "on purpose", lasting=lasting, **to)


def story(made: Bench) -> Story:
    """What the trail tells by now."""
    return courses.read(made.kept.entries, made.now)


def agree(made: Bench) -> int:
    """Each concern that the engine knows is told as it is; how many there are."""
    told, names = story(made), made.kept.names
    assert not told.unreadable
    known = made.engine.responsibility.concerns
    for concern in known.values():
        course = told.courses[concern.id]
        holder = None if course.holder is None else names[course.holder][1]
        assert (course.state, names[course.device][1]) == (str(concern.state), concern.subject), concern.id
        assert (holder if course.state == "accepted" else None) == (
            concern.holder if concern.state is State.ACCEPTED else None
        )
        assert (course.rule, course.priority) == (concern.rule, concern.priority)
    assert {course.id for course in told.courses.values() if course.live} == {
        concern.id for concern in known.values() if concern.live
    }
    return len(known)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(steps, min_size=4, max_size=25))
def test_the_trail_tells_what_the_engine_knows(night: list[tuple[Any, ...]]) -> None:
    """After each step of a random night: the same concerns, in the same states, with the same holders."""
    made = bench()
    for step in night:
        take(made, step)
        agree(made)


NIGHTS: dict[str, list[tuple[Any, ...]]] = {
    "a hold outlasts the duty of whoever said so": [
        ("does", "pump-2", "stopped", 1), ("pass", 40), ("pass", 45), ("pass", 45), ("pass", 40),
        ("hold", "pump-2", "nurse-1", 60), ("pass", 30), ("pass", 45),
    ],
    "handed back by somebody who does not have it": [
        ("does", "pump-2", "stopped", 1), ("pass", 10), ("accept", "pump-2", "nurse-1"),
        ("hand-back", "pump-2", "charge"), ("take-over", "pump-2", "charge"), ("decline", "pump-2", "charge"),
    ],
    "an answer too late": [
        ("does", "pump-2", "stopped", 1), ("pass", 10), ("does", "pump-2", "feeding", 0), ("pass", 5),
        ("take-over", "pump-2", "charge"), ("withdraw", "pump-2", "charge"),
    ],
    "a swap with something open": [
        ("does", "pump-2", "stopped", 1), ("pass", 15), ("swap", "pump-2", "nurse-1", "pump-4"), ("pass", 5),
    ],
    "more urgent while somebody has it": [
        ("battery", "pump-2", 15), ("pass", 5), ("accept", "pump-2", "nurse-1"), ("battery", "pump-2", 4), ("pass", 5),
    ],
    "a further alarm that cannot reach whoever has it": [
        ("does", "pump-2", "stopped", 1), ("pass", 10), ("accept", "pump-2", "nurse-1"), ("fails", True),
        ("does", "pump-2", "stopped", 3), ("pass", 20),
    ],
}  # fmt: skip


@pytest.mark.parametrize("name", NIGHTS)
def test_what_could_be_told_wrongly(name: str) -> None:
    """Each of what the reading has to look out for, step by step."""
    made = bench()
    for step in NIGHTS[name]:
        take(made, step)
        agree(made)
    assert agree(made)


def test_a_story_ends_at_its_instant() -> None:
    """What happened later is left out: told as it was known then, but for what the store knows of feeds by now."""
    made = bench()
    for step in [("does", "pump-2", "stopped", 1), ("pass", 10)]:
        take(made, step)
    then = made.now
    take(made, ("pass", 1))
    take(made, ("accept", "pump-2", "nurse-1"))
    take(made, ("swap", "pump-2", "charge", "pump-4"))
    early = courses.read(made.kept.entries, then)
    assert {course.state for course in early.courses.values()} == {"open"}
    assert {course.state for course in story(made).courses.values()} == {"accepted"}
    assert early.swaps == story(made).swaps != []


def test_what_cannot_be_read_is_counted() -> None:
    """An entry that is no JSON, or lacks what it must have, is counted by its event and guessed at by nobody."""
    entries = [
        TrailEntry(n=number, at=0, event="raised", concern="c", text=text, leaf=b"")
        for number, text in enumerate([b"", b"{}", b'{"event": "raised", "at": 1, "detail": 7}', b"[]"])
    ]
    told = courses.read(entries, 10)
    assert (told.courses, told.unreadable) == ({}, {"raised": 4})
    fine = json.dumps(
        {"event": "raised", "at": 1, "concern": "c", "rule": "r", "device": "d:1", "priority": "low"}
    )
    told = courses.read(
        [TrailEntry(n=0, at=1, event="raised", concern="c", text=fine.encode(), leaf=b"")], 10
    )
    assert isinstance(told.courses["c"], Course)
