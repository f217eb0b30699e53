"""Nobody gets more than a set number of notices below high in 10 min; what is held back goes as one summary."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.instants import MINUTE, SECOND
from monitor.core.load_limit import LoadLimit
from monitor.testing import START, Bench, Told, ward
from tests.core.explosions import group_code, told_to
from tests.core.stories import FAULT, RINGING, mended, only, ringing

WITHIN = 10 * MINUTE


def busy(count: int, *, gap: str = "20 s", most: int = 4, **changed: object) -> Bench:
    """One pump after the other is in trouble, too far apart to be gathered, each for a reason of its own unit."""
    units = tuple(f"ward-{n}" for n in range(count))
    bench = Bench(only("unattended", units=units, most_notices=most, **changed), reporting=0)
    for n in range(count):
        ringing(bench, f"pump-{n}", unit=f"ward-{n}")
        bench.pass_by(gap)
    return bench


def sent_within(told: list[Told], within: int = WITHIN) -> int:
    """The most that were sent within any such time."""
    times = sorted(one.at for one in told)
    return max((sum(1 for other in times if at <= other < at + within) for at in times), default=0)


def test_no_more_than_the_limit_and_all_the_rest_in_one_summary() -> None:
    """Eight alarms: four pages at once, and when the first of them is 10 min old one page of the other four."""
    bench = busy(8)
    bench.at("00:14:55")
    told = told_to(bench, "nurse-1")
    assert [len(one.items) for one in told] == [1, 1, 1, 1]
    bench.at("00:15:15")
    told = told_to(bench, "nurse-1")
    assert len(told) == 5
    assert told[4].at == told[0].at + WITHIN
    assert told[4].text == (
        "Held back: 4 open. MEDIUM B3/4: alarm unanswered; MEDIUM B3/5: alarm unanswered; MEDIUM B3/6: alarm "
        f"unanswered +1 more. Code {group_code(told[4])} takes all 4"
    )
    assert {key for one in told for key, _ in one.items} == {bench.concern(f"pump-{n}").id for n in range(8)}


def test_the_summary_is_answered_with_one_code() -> None:
    """It takes the four that it tells of, and none of those that were told before."""
    bench = busy(8)
    bench.at("00:15:15")
    said = bench.answer("accept", "nurse-1", group_code(told_to(bench, "nurse-1")[-1]))
    assert said.ok
    assert [bench.concern(f"pump-{n}").holder for n in range(8)] == [None] * 4 + ["nurse-1"] * 4


def test_high_is_never_limited() -> None:
    """With all of it used up by medium ones a high one goes at once, and it does not count."""
    bench = busy(8)
    bench.at("00:09:00")
    assert len(told_to(bench, "nurse-1")) == 4
    for n in range(3):
        bench.snapshot(f"pump-9{n}", unit="ward-0", activity="stopped", alarms=[FAULT])
        bench.pass_by("61 s")
    bench.at("00:14:30")
    high = [one for one in told_to(bench, "nurse-1") if "HIGH" in one.text]
    assert len(high) == 3
    bench.at("00:15:15")
    assert told_to(bench, "nurse-1")[-1].text.startswith("Held back: 4 open")


def test_escalation_goes_on_meanwhile() -> None:
    """What is held back for the nurses is told to the charge nurse when their time is over."""
    bench = busy(5, most=3)
    held = bench.site.times.give_up["medium"] + 10 * MINUTE
    bench.at("00:30:00")
    concern = bench.concern("pump-4")
    calls = [h for h in bench.happened if h.event == "called" and h.concern == concern.id]
    assert [h.detail["rung"] for h in calls][:2] == [0, 1]
    assert calls[1].now - calls[0].now <= held


def test_each_is_told_as_it_is_then_and_what_is_over_is_not_told_at_all() -> None:
    """Of four held back one is mended and one accepted by another meanwhile: two are told, with their own codes."""
    bench = busy(8)
    bench.at("00:09:00")
    mended(bench, "pump-4")
    bench.accept("charge", "pump-5")
    bench.at("00:15:15")
    last = told_to(bench, "nurse-1")[-1]
    assert {key for key, _ in last.items} == {bench.concern(f"pump-{n}").id for n in (6, 7)}
    assert all(bench.code("nurse-1", f"pump-{n}") in last.text for n in (6, 7))


def test_what_is_over_is_held_back_before_calls_are() -> None:
    """The last third is kept for calls: stand-downs use two of three, the third is still there for a call."""
    bench = busy(3, most=3, gap="12 s")
    assert bench.site.most_notices == 3
    bench.at("00:05:50")
    assert len(told_to(bench, "nurse-1")) == 3
    bench.at("00:15:45")  # the first three are 10 min old now, but for the ladder's next
    before = len(told_to(bench, "nurse-1"))
    for n in range(3):
        mended(bench, f"pump-{n}")
        bench.pass_by("70 s")
    ringing(bench, "pump-9", unit="ward-0")
    bench.pass_by("5 min 10 s")
    whys = [sorted({why for _, why in one.items}) for one in told_to(bench, "nurse-1")[before:]]
    assert whys == [["stand-down"], ["stand-down"], ["raised"]]
    bench.pass_by("10 min")
    last = bench.concern("pump-2").id
    assert last in {key for one in bench.notices("nurse-1") for key, _ in one.items}
    held = [h for h in bench.happened if (h.event, h.person, h.concern) == ("held-back", "nurse-1", last)]
    assert len(held) == 1  # once, although it had to wait for longer when its time came


def test_what_is_told_meanwhile_is_not_in_the_summary() -> None:
    """One of four held back becomes high: told at once, and not once more with the others."""
    bench = busy(8)
    bench.at("00:09:00")
    bench.snapshot("pump-4", alarms=[RINGING | {"priority": "high"}])
    worse = bench.assert_told("nurse-1", "priority-raised")
    bench.at("00:15:15")
    last = told_to(bench, "nurse-1")[-1]
    assert last.items != worse.items
    assert {key for key, _ in last.items} == {bench.concern(f"pump-{n}").id for n in (5, 6, 7)}


def test_a_fallback_after_a_failure_counts_once() -> None:
    """No pager works: every notice goes by mail, as many as without the failure."""
    bench = Bench(only("unattended", units=tuple(f"w{n}" for n in range(8)), most_notices=4), reporting=0)
    bench.carriers["pager"].fails("refused")
    for n in range(8):
        ringing(bench, f"pump-{n}", unit=f"w{n}")
        bench.pass_by("20 s")
    bench.at("00:14:00")
    assert len(told_to(bench, "nurse-1")) == 4


def test_the_trail_says_what_was_held_back_and_when_it_was_told() -> None:
    """An entry for each notice that was held back, with its concerns, and one for the summary."""
    bench = busy(8)
    bench.at("00:15:15")
    held = [h for h in bench.happened if h.event == "held-back" and h.person == "nurse-1"]
    assert [h.detail["cause"] for h in held] == ["load limit"] * 4
    assert [h.concern for h in held] == [bench.concern(f"pump-{n}").id for n in range(4, 8)]
    [summary] = [h for h in bench.happened if h.event == "told-together" and h.person == "nurse-1"]
    assert summary.detail["summary"] is True
    assert set(summary.detail["concerns"]) == {h.concern for h in held}  # type: ignore[call-overload]
    bench.assert_trail_whole()


@pytest.mark.parametrize("stop", ["00:05:50", "00:07:20", "00:14:00"])
def test_a_restart_forgets_neither_what_was_sent_nor_what_is_held_back(stop: str) -> None:
    """Killed while it counts or while something is held back: the same notices at the same instants."""
    stories = []
    for restart in (False, True):
        bench = busy(8)
        bench.at(stop)
        if restart:
            bench.restart()
        bench.at("00:40:00")
        stories.append(sorted((t.at, t.person, t.text) for t in bench.told))
    assert stories[0] == stories[1]


def test_drills_do_not_count_and_go_after_what_is_real() -> None:
    """A drill's page waits while a real one is gathered, is never in one with it, and takes nobody's place."""
    bench = Bench(only("unattended", most_notices=3), reporting=0)
    ringing(bench, "pump-1")
    bench.at("00:05:04")
    made_up = Concern(
        id="made-up", subject="drill-elm", unit="elm", rule="unattended", about="alarms", rank=2, at=bench.now
    )
    made_up.state = State.OPEN
    bench.engine.responsibility.concerns[made_up.id] = made_up
    bench.engine.responsibility._caller.tell(made_up, "nurse-1", "raised", bench.now - 3 * SECOND)
    bench.at("00:05:20")
    told = told_to(bench, "nurse-1")
    assert [one.text.startswith("DRILL") for one in told] == [False, True]
    assert [len(one.items) for one in told] == [1, 1]
    assert told[1].at == told[0].at + 1
    sent = bench.kept.rows["load"]
    assert json.loads(sent["nurse-1"])[1] == [told[0].at]


# ---- the count itself ------------------------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.integers(0, 3 * MINUTE), st.booleans()), max_size=60), st.integers(3, 12))
@settings(max_examples=25)
def test_the_count_against_its_definition(steps: list[tuple[int, bool]], most: int) -> None:
    """Sent whenever it says so, and at the instant that it names: never more than `most` in any `within`."""
    limit = LoadLimit(ward(most_notices=most, most_within=WITHIN))
    now, sent = START, list[int]()
    for gap, calls in steps:
        now += gap
        room = most if calls else max(1, most - most // 3)
        lately = [at for at in sent if now - at < WITHIN]
        until = limit.wait("nurse-1", now, calls=calls)
        assert (until is None) == (len(lately) < room)
        if until is not None:
            assert until > now
            assert sum(until - at < WITHIN for at in sent) < room
            assert sum(until - 1 - at < WITHIN for at in sent) >= room
            continue
        limit.count("nurse-1", now)
        sent.append(now)
    for first in sent:
        assert sum(first <= at < first + WITHIN for at in sent) <= most


def test_people_are_counted_apart_and_rows_bring_it_back() -> None:
    """One nurse's notices are not the other's; stored, loaded, and given back where a notice failed."""
    site = ward(most_notices=3)
    limit = LoadLimit(site)
    for second in range(3):
        limit.count("nurse-1", START + second * SECOND)
    assert limit.wait("nurse-2", START + 5 * SECOND, calls=True) is None
    again = LoadLimit(site)
    again.load({key: text for (_, key), text in limit.take_rows().items() if text is not None})
    for one in (limit, again):
        assert one.wait("nurse-1", START + 5 * SECOND, calls=True) == START + WITHIN
        one.give_back("nurse-1", START + 2 * SECOND)
        assert one.wait("nurse-1", START + 5 * SECOND, calls=True) is None
