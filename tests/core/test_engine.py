"""The engine as a whole: the same night with and without stops, never silence, one step an instant."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.engine import Engine
from monitor.core.instants import MINUTE, SECOND, show
from monitor.core.timers import Kind
from monitor.testing import START, Bench, alarm, ward
from tests.core.stories import FAULT, RINGING, mended, only, unattended

MUTED = alarm("downstream-occlusion", inactivation="audio-paused")

# ---- random nights --------------------------------------------------------------------------------------------------

STATES: dict[str, dict[str, Any]] = {
    "feeds": {"activity": "feeding", "alarms": [], "mains": True},
    "rings": {"activity": "stopped", "alarms": [RINGING]},
    "muted": {"activity": "stopped", "alarms": [MUTED]},
    "fault": {"activity": "stopped", "alarms": [FAULT]},
    "held": {"activity": "held", "alarms": []},
    "off": {"activity": "off", "alarms": []},
    "finished": {"activity": "finished", "alarms": []},
    "unplugged": {"mains": False, "battery_percent": 15},
    "flat": {"mains": False, "battery_percent": 3},
}
PUMPS = ("pump-1", "pump-2", "pump-77")
PEOPLE = ("nurse-1", "nurse-2", "day-1", "charge", "manager", "nobody")
ANSWERS = ("accept", "accept", "decline", "hand-back", "take-over", "withdraw", "feed-ended")

state = st.tuples(st.just("state"), st.sampled_from(PUMPS), st.sampled_from(sorted(STATES)))
trouble = st.tuples(
    st.just("trouble"), st.sampled_from(PUMPS), st.sampled_from(["rings", "muted", "fault", "unplugged"])
)
mend = st.tuples(st.just("mend"), st.sampled_from(PUMPS), st.sampled_from([59, 63, 90]))
late = st.tuples(st.just("late"), st.sampled_from(PUMPS), st.sampled_from([1, 40, 100, 400]))
wait = st.tuples(st.just("pass"), st.sampled_from([1, 4, 20, 61, 125, 310, 620, 1300]), st.just(""))
answer = st.tuples(
    st.just("answer"), st.sampled_from(ANSWERS), st.tuples(st.sampled_from(PEOPLE), st.sampled_from(PUMPS))
)
purpose = st.tuples(
    st.just("purpose"),
    st.sampled_from(("hold", "hold", "away", "feed-ended", "swap", "move", "withdraw")),
    st.tuples(st.sampled_from(PEOPLE), st.sampled_from(PUMPS)),
)
button = st.tuples(st.just("button"), st.sampled_from(PEOPLE), st.sampled_from(PUMPS))
carrier = st.tuples(
    st.just("carrier"),
    st.sampled_from(["pager", "mail"]),
    st.sampled_from(["try-later", "refused", "works", "works"]),
)
bridge = st.tuples(st.just("bridge"), st.sampled_from([True, True, False]), st.sampled_from([True, False]))
steps = st.one_of(
    trouble, trouble, mend, mend, state, wait, answer, answer, answer, purpose, button, late, carrier, bridge
)
nights = st.lists(steps, min_size=15, max_size=35)


def do(bench: Bench, step: tuple[Any, Any, Any]) -> None:
    """One step of a random night."""
    match step:
        case "state", pump, name:
            bench.snapshot(pump, **STATES[name])
        case "trouble", pump, name:
            bench.snapshot(pump, **STATES[name])
            bench.pass_by("320 s")
        case "mend", pump, seconds:
            bench.snapshot(pump, **STATES["feeds"])
            bench.pass_by(f"{seconds} s")
        case "late", pump, seconds:
            bench.snapshot(pump, time=bench.now - seconds * SECOND)
        case "pass", seconds, _:
            bench.pass_by(f"{seconds} s")
        case "answer", answer, (person, pump):
            for concern in bench.concerns(pump)[-1:]:
                bench.answer(answer, person, bench.site.code(concern.id, person), "a reason")
        case "purpose", answer, (person, pump):
            lasting = "25 min" if answer in ("hold", "away") else None
            other = PUMPS[PUMPS.index(pump) - 1]
            to = {"swap": {"device": other}, "move": {"place": "bay 7"}}.get(answer, {})
            bench.answer(answer, person, pump, "a reason", lasting=lasting, **to)
        case "button", person, pump:
            bench.button(pump, person, "accept")
        case "carrier", name, "works":
            bench.carriers[name].works()
        case "carrier", name, outcome:
            bench.carriers[name].fails(outcome)
        case "bridge", online, backlog:
            bench.bridge(online=online, backlog=backlog)


def new_bench() -> Bench:
    """A ward an hour before the change of shift, whose pumps report every two minutes."""
    return Bench(start=START + 8 * 60 * MINUTE, reporting=2 * MINUTE)


def story(bench: Bench) -> dict[str, Any]:
    """All that can be seen of a night afterwards."""
    return {
        "concerns": [c.dump() for c in bench.engine.responsibility.in_order()],
        "told": bench.told,
        "attempts": bench.sends,
        "happened": bench.happened,
        "trail": [(e.n, e.text) for e in bench.kept.entries],
        "lists": {
            topic: json.loads(payload)["data"] for topic, payload in bench.published.items() if payload
        },
        "stored": {
            kind: {key: text for key, text in rows.items() if kind != "engine"}
            for kind, rows in bench.kept.rows.items()
        },
    }


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(nights, st.sets(st.integers(0, 29), max_size=4))
def test_a_night_with_stops_is_the_same_night(night: list[tuple[Any, Any, Any]], stops: set[int]) -> None:
    """Dumped and loaded at random points: the same concerns, notices, attempts, trail and stored rows as without."""
    straight, stopped = new_bench(), new_bench()
    for number, step in enumerate(night):
        if number in stops:
            stopped.restart()
        for bench in (straight, stopped):
            do(bench, step)
    for bench in (straight, stopped):
        bench.pass_by("25 min")
        bench.assert_trail_whole()
    one, other = story(straight), story(stopped)
    for part in one:
        assert one[part] == other[part], part


def has_something_due(engine: Engine, concern: Concern) -> bool:
    """Whether the engine's heap will come back to a concern, or to the backlog that it waits for."""
    heap = engine._timers._heap
    due = concern.due()
    if due is not None and any(
        at <= due and kind == Kind.CONCERN and key == concern.id for at, kind, key in heap
    ):
        return True
    return engine.fleet.backlogged(concern.subject) and any(kind == Kind.CATCH_UP for _, kind, _ in heap)


def check_never_silent(bench: Bench) -> None:
    """An open or accepted concern of medium or high always has something due; nobody gets one notice twice."""
    for concern in bench.engine.responsibility.concerns.values():
        if concern.live and concern.priority != "low":
            assert has_something_due(bench.engine, concern), concern.dump()
        if concern.state is State.ACCEPTED:
            assert concern.holder is not None
        else:
            assert concern.holder is None
    ids = [told.notice for told in bench.told]
    assert len(ids) == len(set(ids))
    message_ids = [told.message_id for told in bench.told]
    assert len(message_ids) == len(set(message_ids))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(nights, st.sets(st.integers(0, 29), max_size=3), st.sets(st.integers(0, 29), max_size=6))
def test_an_open_concern_is_never_forgotten(
    night: list[tuple[Any, Any, Any]], stops: set[int], flaps: set[int]
) -> None:
    """Whatever happens, links that flap and restarts without a broker too: never silence, never a notice twice."""
    bench = new_bench()
    for number, step in enumerate(night):
        if number in flaps:
            if bench.engine.sight.link:
                bench.link_down()
            else:
                bench.link_up()
                if number % 2:
                    bench.marker_back()
        if number in stops:
            bench.restart(link=False)
        do(bench, step)
        check_never_silent(bench)
    bench.assert_trail_whole()


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(nights)
def test_an_open_concern_is_told_before_long(night: list[tuple[Any, Any, Any]]) -> None:
    """With carriers that work, whatever has been open and troubled for half an hour was told to somebody in it."""
    bench = new_bench()
    for step in night:
        do(bench, step)
    for carrier in bench.carriers.values():
        carrier.works()
    bench.bridge(online=True)
    bench.pass_by("10 min")
    before = {c.id for c in bench.engine.responsibility.concerns.values() if c.state is State.OPEN}
    bench.pass_by("30 min")
    told = {concern for notice in bench.notices() for concern, _ in notice.items}
    for concern in bench.engine.responsibility.concerns.values():
        if concern.id in before and concern.state is State.OPEN and concern.rule != "repeated-occlusion":
            assert concern.id in told, concern.dump()


# ---- one instant, one step ------------------------------------------------------------------------------------------


def test_what_settles_at_an_instant_is_not_told_about() -> None:
    """Safe again and wait over at one instant: it settles first, and nobody is called."""
    bench = unattended()
    concern = bench.concern("pump-1")
    assert concern.wait_at is not None
    bench.until(concern.wait_at - 62 * SECOND)
    mended(bench)  # safe again, with the lateness, exactly when the wait is over
    bench.pass_by("70 s")
    bench.assert_settled("pump-1")
    assert {why for told in bench.notices() for _, why in told.items} == {"stand-down"}


def test_safe_again_comes_after_a_restart_too() -> None:
    """Stopped in the minute of feeding that makes it safe: it settles at its end, with no further snapshot needed."""
    bench = unattended(reporting=0)
    mended(bench)
    fed = bench.now
    bench.pass_by("30 s")
    bench.restart()
    bench.until(fed + 62 * SECOND)
    assert bench.assert_settled("pump-1").settled_at == fed + 60 * SECOND


def test_the_order_is_the_same_after_a_restart() -> None:
    """Several concerns that a change of duty opens are told in the order in which they were raised."""
    stories = []
    for stopped in (False, True):
        bench = Bench(only("unattended"), start=START + 8 * 60 * MINUTE + 40 * MINUTE, reporting=0)
        for n in (5, 2, 6, 1, 4, 3):
            bench.snapshot(f"pump-{n}", activity="stopped", alarms=[RINGING])
            bench.pass_by("1 s")
        bench.at("00:06:00")
        for n in range(1, 7):
            bench.accept("nurse-1", f"pump-{n}")
        if stopped:
            rows = bench.kept.rows["concern"]
            bench.kept.rows["concern"] = dict(sorted(rows.items()))  # as a store may give them
            bench.restart()
        bench.at("00:21:00")
        stories.append([h.device for h in bench.happened if h.event == "duty-ended"])
    assert stories[0] == stories[1] == [f"pump-{n}" for n in (5, 2, 6, 1, 4, 3)]


def test_time_never_runs_back() -> None:
    """An input with an earlier now is taken at the latest one seen."""
    bench = unattended()
    late = bench.engine.now
    bench.now -= 30 * SECOND
    bench.accept("nurse-1", "pump-1")
    assert bench.engine.now == late


def test_nothing_to_do_is_no_transaction() -> None:
    """Without a change there is nothing to store and nothing to perform."""
    bench = unattended()
    changes = bench.engine.take_changes()
    assert changes.empty()
    assert bench.engine.take_effects() == []


def test_effects_come_only_with_their_changes() -> None:
    """A send's notice is in the rows of the transaction that is taken before it."""
    bench = Bench(only("unattended"))
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING])
    bench.at("00:05:05")
    bench.holding_sends = True
    bench.pass_by("4 s")
    stored = {key: json.loads(text)[1]["state"] for key, text in bench.kept.rows["notice"].items()}
    assert {send.notice for send in bench.sends} <= stored.keys()
    assert {stored[send.notice] for send in bench.sends} == {"sending"}


def test_a_duty_that_ended_while_stopped_is_not_missed() -> None:
    """Accepted before the change of shift, the service down over it: open to the new duty at the start."""
    bench = unattended(start=START + 8 * 60 * MINUTE + 50 * MINUTE)
    bench.accept("nurse-1", "pump-1")
    bench.now = START + 9 * 60 * MINUTE + 5 * MINUTE
    bench.restart()
    bench.pass_by("6 s")
    bench.assert_told("day-1", "duty")
    bench.assert_open("pump-1")


def test_a_holder_who_left_the_site_holds_nothing() -> None:
    """Restarted with a site file that no longer lists the acceptor: open again, rung 1 is told."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    people = {name: person for name, person in bench.site.people.items() if name != "nurse-1"}
    bench.restart(only("unattended", people=people))
    bench.pass_by("6 s")
    bench.assert_open("pump-1")
    bench.assert_told("nurse-2", "duty")


def test_a_moved_pump_takes_its_list_along() -> None:
    """The retained list of open concerns is published under the new unit and cleared under the old."""
    bench = unattended()
    bench.snapshot("pump-1", unit="oak")
    old, new = (bench.published[f"secondbell/v1/larkfield/{unit}/pump-1/concerns"] for unit in ("elm", "oak"))
    assert old == b""
    assert [c["state"] for c in json.loads(new)["data"]] == ["open"]


def test_old_concerns_are_forgotten() -> None:
    """A day after its end a concern leaves memory and store; the trail keeps it."""
    bench = unattended()
    mended(bench)
    bench.at("00:07:00")
    concern = bench.assert_settled("pump-1").id
    bench.silent.add("pump-1")
    bench.snapshot("pump-1", activity="finished")
    bench.pass_by("24 h")
    assert bench.concerns("pump-1") == []
    assert concern not in bench.kept.rows["concern"]
    assert any(entry.concern == concern for entry in bench.kept.entries)


def test_a_concern_that_settled_ahead_of_our_clock_is_forgotten_too() -> None:
    """A pump's clock a minute ahead does not keep its settled concern in memory for ever."""
    bench = Bench(only("low-power-unplugged"), reporting=0)
    bench.snapshot("pump-1", mains=False, battery_percent=15)
    bench.at("00:02:00")
    bench.snapshot("pump-1", mains=True, time=bench.now + 60 * SECOND)
    bench.assert_settled("pump-1")
    bench.pass_by("25 h")
    assert bench.concerns("pump-1") == []


@pytest.mark.parametrize("ahead", [-80, -1, 0, 1, 80])
def test_a_bridges_clock_does_not_make_an_onset_new(ahead: int) -> None:
    """The onset that raised a concern is not a new one at its wait, however the bridge's clock stands."""
    bench = Bench(only("repeated-occlusion"), reporting=0)
    for minute in (1, 3, 5):
        bench.at(f"00:{minute:02d}:00")
        time = bench.now + ahead * SECOND
        bench.snapshot("pump-1", activity="stopped", alarms=[RINGING | {"since": time}], time=time)
        bench.pass_by("10 s")
        bench.snapshot("pump-1", activity="feeding", alarms=[], time=time + 10 * SECOND)
    bench.at("00:16:00")
    bench.assert_not_told("charge")


def only_rules_of(rules: Iterable[str]) -> Engine:
    """An engine that runs rules alone."""
    return Engine(only(*rules), now=START, link=True, only_rules=True, trail=False)


def test_only_rules_notes_edges_and_nothing_else() -> None:
    """As `replay --only-rules`: holds and ends, no concern, no notice, no list."""
    bench = Bench(ward())
    bench.engine = only_rules_of(["unattended"])
    bench.snapshot("pump-1", activity="stopped", alarms=[RINGING])
    bench.at("00:06:00")
    mended(bench)
    bench.at("00:10:00")
    assert [(h.event, h.at - START) for h in bench.happened] == [("holds", 5 * MINUTE), ("ends", 6 * MINUTE)]
    assert (bench.sends, bench.published) == ([], {})


def test_the_counts_of_duplicates_are_stored_with_them() -> None:
    """A batch of nothing but duplicates changes no device; it is acknowledged, so its counts are stored."""
    bench = Bench(only("unattended"))
    bench.snapshot("pump-1")
    topic, payload = "secondbell/v1/larkfield/elm/pump-1/state", snapshot_bytes(bench.now)
    counts = []
    for _ in range(3):
        bench.message(topic, payload)
        counters = json.loads(bench.kept.rows["engine"]["engine"])["counters"]
        counts.append((counters["messages"], counters.get("duplicate", 0) + counters.get("late", 0)))
    assert counts == [(2, 0), (3, 1), (4, 2)]


def snapshot_bytes(at: int) -> bytes:
    """A device-state message by another bridge's name for its id."""
    event = {
        "specversion": "1.0", "id": "again", "source": "urn:bridge:north-7", "type": "secondbell.device-state.v1",
        "subject": "pump-1", "time": show(at + 1_000), "datacontenttype": "application/json",
        "data": {"sequence": 7, "activity": "feeding", "alarms": []},
    }  # fmt: skip
    return json.dumps(event).encode()
