"""How a group is told, answered and told again: one notice a person, each concern with its own record."""

from __future__ import annotations

import json

import pytest

from monitor.core.concerns import State
from monitor.core.groups import ALONE
from monitor.core.gsm7 import SINGLE, septets
from monitor.core.instants import SECOND
from monitor.testing import START, Bench
from tests.core.explosions import (
    MINUTE_OF_THE_RULE,
    by_mail,
    full_ward,
    group_code,
    lose_mains,
    recover,
    told_to,
)
from tests.core.stories import only, ringing


def test_five_high_go_at_once_and_the_rest_five_seconds_later_as_one() -> None:
    """Nothing of the first five is delayed; from the sixth on one page, which tells all so far and how many are new."""
    bench = full_ward(37)
    lose_mains(bench, 4)
    lost = bench.now
    bench.pass_by("1 min 20 s")
    told = told_to(bench, "nurse-1")
    assert [(one.at - lost - 62 * SECOND, len(one.items)) for one in told] == [(0, 1)] * 5 + [
        (5 * SECOND, 37)
    ]
    code = bench.site.code(next(iter(bench.engine.outbox.groups.known)), "nurse-1")
    assert told[-1].text == (
        "HIGH elm: 37 pumps battery nearly flat, no mains. B1/1, B1/2 +35. 32 new. Persons first. "
        f"Else 22:04 charge nurse. Code {code} takes all 37"
    )
    assert len({concern.id for pump in bench.site.devices for concern in bench.concerns(pump)}) == 37


def test_medium_is_told_once_in_all() -> None:
    """The first five are still being gathered when the sixth comes: one page, no later than they were due."""
    bench = full_ward(37)
    lose_mains(bench, 15)
    lost = bench.now
    bench.pass_by("1 min 20 s")
    [told] = told_to(bench, "nurse-1")
    assert (told.at - lost, len(told.items)) == (67 * SECOND, 37)
    assert told.text.startswith("MEDIUM elm: 37 pumps battery nearly flat, no mains. B1/1, B1/2 +35.")


def test_five_are_told_as_ever() -> None:
    """Up to five go one by one if high, and gathered with a code each if medium."""
    bench = full_ward(5)
    lose_mains(bench, 4)
    bench.pass_by("1 min 20 s")
    assert [len(told.items) for told in told_to(bench, "nurse-1")] == [1] * 5
    bench = full_ward(5)
    lose_mains(bench, 15)
    bench.pass_by("1 min 20 s")
    assert sorted(len(told.items) for told in told_to(bench, "nurse-1")) == [2, 3]
    assert not bench.engine.outbox.groups.known


def test_the_mail_of_a_group() -> None:
    """One list, the most urgent first, each with place, pump and code; the checks once; 50 named, the rest counted."""
    bench = full_ward(60, people=by_mail())
    lose_mains(bench, 15)
    lose_mains(bench, 4, "pump-40")
    bench.pass_by("1 min 20 s")
    told = told_to(bench, "nurse-1")[-1]
    lines = [line for line in told.text.splitlines() if line.startswith("- ")]
    assert told.subject == "HIGH PRIORITY, unit elm: 60 pumps, battery nearly flat, not on mains"
    assert lines[0].startswith(
        "- bay 11 bed 1 (pump-40): high, since 22:00; feeding, not on mains, battery 4 %, last"
    )
    assert lines[1].startswith("- bay 1 bed 1 (pump-0): medium")
    assert lines[2].startswith("- bay 1 bed 2 (pump-1): medium")
    assert len(lines) == 50
    assert "And 10 more that have no room here." in told.text
    assert told.text.count("1. Look at the person first.") == 1
    assert all(f"Code {bench.code('nurse-1', f'pump-{n}')}" in told.text for n in (0, 1, 40))
    assert "To take all 60: answer with code" in told.text


def test_the_mails_of_a_group_are_one_thread() -> None:
    """Its later mails name the first (RFC 5322 §3.6.4); what is told of one alone has its concern's own thread."""
    bench = full_ward(40, people=by_mail())
    lose_mains(bench, 15, spread=10 * SECOND)
    bench.pass_by("1 min 30 s")
    first, second = told_to(bench, "nurse-1")
    assert (first.thread, second.thread) == (None, first.message_id)
    bench.restart()
    recover(bench, *[f"pump-{n}" for n in range(39)])
    bench.pass_by("1 min 20 s")
    [over] = bench.notices("nurse-1")
    assert over.thread == first.message_id
    recover(bench, "pump-39")
    bench.pass_by("1 min 20 s")
    [last] = bench.notices("nurse-1")
    assert last.thread == second.message_id  # the first mail that told of it


def test_further_ones_join_the_next_notice_of_the_group() -> None:
    """It tells all that are open, with how many are new, and waits longer from one notice to the next."""
    bench = full_ward(200)
    lose_mains(bench, 15, spread=60 * SECOND)
    began = bench.now
    bench.pass_by("1 min 30 s")
    told = told_to(bench, "nurse-1")
    assert [round((one.at - began) / SECOND) for one in told] == [7, 17, 37, 67]
    assert [len(one.items) for one in told] == [17, 51, 118, 200]
    assert "82 new." in told[-1].text
    listed = {key for one in told for key, why in one.items if why != "still"}
    assert len(listed) == 200


def test_a_group_accept_covers_what_it_lists_and_nothing_else() -> None:
    """Taken with the code of a notice that listed 17: those are hers, what came later is open and told."""
    bench = full_ward(40)
    lose_mains(bench, 15, *[f"pump-{n}" for n in range(17)])
    bench.pass_by("1 min 8 s")
    [told] = told_to(bench, "nurse-1")
    lose_mains(bench, 15, *[f"pump-{n}" for n in range(17, 40)])
    bench.pass_by("30 s")
    said = bench.answer("accept", "nurse-1", group_code(told))
    assert said.ok
    assert said.text.startswith("You have 17 in unit elm (battery nearly flat, not on mains).")
    assert "alarms are not silenced" in said.text
    states = [bench.concern(f"pump-{n}").state for n in range(17)]
    assert states == [State.ACCEPTED] * 17
    bench.pass_by("45 s")
    assert len(told_to(bench, "nurse-1")[-1].items) == 23
    assert {bench.concern(f"pump-{n}").state for n in range(17, 40)} == {State.OPEN}


def test_everybody_told_hears_once_who_has_them() -> None:
    """One page: whose they are, and the code to take them over."""
    bench = full_ward(37)
    lose_mains(bench, 15)
    bench.pass_by("1 min 10 s")
    bench.answer("accept", "nurse-1", group_code(told_to(bench, "nurse-1")[-1]))
    bench.pass_by("10 s")
    [taken] = bench.notices("nurse-2")
    assert taken.text.startswith(
        "TAKEN MEDIUM elm: 37 pumps battery nearly flat, no mains. Night nurse 1 has them."
    )
    code = taken.text.split("Take over ")[1]
    said = bench.answer("take-over", "nurse-2", code)
    assert said.text.startswith("You have 37 in unit elm")
    assert bench.concern("pump-36").holder == "nurse-2"


def test_answers_of_a_group_say_what_became_of_each() -> None:
    """Some with somebody else, some over: the answer counts them; a second accept changes nothing."""
    bench = full_ward(10)
    lose_mains(bench, 15)
    bench.pass_by("1 min 10 s")
    code = group_code(told_to(bench, "nurse-1")[-1])
    bench.accept("nurse-2", "pump-0")
    recover(bench, "pump-1", "pump-2")
    bench.pass_by("1 s")
    said = bench.answer("accept", "nurse-1", code).text
    assert said.startswith("You have 7 in unit elm")
    assert said.endswith("1 is with night nurse 2. 2 have ended. To take those over, answer take-over.")
    again = bench.answer("accept", "nurse-1", code).text
    assert again.startswith("You already have 7 in unit elm")
    assert bench.answer("hand-back", "nurse-1", code).text.startswith("Handed back: 7 in unit elm")
    bench.pass_by("10 s")
    [handed] = bench.notices("charge")
    assert "7 pumps" in handed.text
    assert "Handed back, nobody has them." in handed.text


def test_who_has_a_group_and_cannot_see_to_it_declines() -> None:
    """As with one concern it is handed back, and the next are told; what she keeps beside open ones is said."""
    bench = full_ward(7)
    lose_mains(bench, 15)
    bench.pass_by("1 min 20 s")
    code = group_code(told_to(bench, "nurse-1")[-1])
    bench.answer("accept", "nurse-1", code)
    told = len(told_to(bench, "charge"))
    assert bench.answer("decline", "nurse-1", code).text.startswith("Handed back: 7 in unit elm")
    bench.pass_by("10 s")
    assert {concern.state for pump in bench.site.devices for concern in bench.concerns(pump)} == {State.OPEN}
    assert len(told_to(bench, "charge")) > told
    bench.answer("accept", "nurse-1", "pump-1")
    said = bench.answer("decline", "nurse-1", code).text
    assert said.startswith("Declined: 6 in unit elm")
    assert "You still have bay 1 bed 2" in said


def test_a_group_declined_by_all_goes_to_the_next_rung_at_once() -> None:
    """Both nurses say no with their codes: the charge nurse gets one page of all."""
    bench = full_ward(37)
    lose_mains(bench, 15)
    bench.pass_by("1 min 10 s")
    for person in ("nurse-1", "nurse-2"):
        said = bench.answer("decline", person, group_code(told_to(bench, person)[-1]))
        assert said.ok
        assert said.text.startswith("Declined: 37 in unit elm")
    bench.pass_by("6 s")
    assert [len(told.items) for told in bench.notices("charge")] == [37]


@pytest.mark.parametrize("answer", ["hold", "withdraw", "feed-ended"])
def test_what_is_about_one_pump_is_not_answered_for_many(answer: str) -> None:
    """A hold or a withdrawal needs a pump; nothing is done, and it says what to do."""
    bench = full_ward(8)
    lose_mains(bench, 15)
    bench.pass_by("1 min 10 s")
    said = bench.answer(answer, "nurse-1", group_code(told_to(bench, "nurse-1")[-1]), "for a walk")
    assert not said.ok
    assert "this code is for many pumps" in said.text


def test_a_group_code_of_somebody_else_is_refused() -> None:
    """As for one concern's: the code belongs to one person."""
    bench = full_ward(8)
    lose_mains(bench, 15)
    bench.pass_by("1 min 10 s")
    said = bench.answer("accept", "charge", group_code(told_to(bench, "nurse-1")[-1]))
    assert not said.ok
    assert "somebody else" in said.text


def test_waits_run_from_the_groups_notice_and_are_over_together() -> None:
    """Raised within a minute of one another: the next rung hears once of all, never later than by its own wait."""
    bench = full_ward(37)
    lose_mains(bench, 15, spread=55 * SECOND)
    bench.pass_by("1 min 40 s")
    waits = {bench.concern(pump).wait_at or 0 for pump in bench.site.devices}
    assert len(waits) > 1
    bench.pass_by("12 min")
    [told] = bench.notices("charge")
    assert len(told.items) == 37
    assert told.at <= min(waits) + 5 * SECOND


def test_what_is_left_of_a_group_is_told_at_length() -> None:
    """Two of 37 are still there at the next rung: one page with their own codes, not a count."""
    bench = full_ward(37)
    lose_mains(bench, 15)
    bench.pass_by("1 min 10 s")
    recover(bench, *[f"pump-{n}" for n in range(2, 37)])
    bench.pass_by("11 min")
    [told] = bench.notices("charge")
    assert all(bench.code("charge", f"pump-{n}") in told.text for n in (0, 1))
    assert "takes all" not in told.text


def test_the_stand_down_of_many_says_how_many_are_still_open() -> None:
    """30 of 37 recover at once: one page, and what remains is in it."""
    bench = full_ward(37)
    lose_mains(bench, 15)
    bench.pass_by("1 min 10 s")
    recover(bench, *[f"pump-{n}" for n in range(30)])
    bench.pass_by("1 min 20 s")
    [told] = bench.notices("nurse-1")
    assert (
        told.text
        == "OVER MEDIUM elm: 30 pumps battery nearly flat, no mains. 7 not over yet. B1/1, B1/2 +28."
    )


def test_a_rise_of_many_to_high_is_one_page() -> None:
    """A group of medium that gets worse together: told at the gather time as one, not as 37 pages."""
    bench = full_ward(37)
    lose_mains(bench, 15)
    bench.pass_by("3 min")
    lose_mains(bench, 4)
    bench.pass_by("1 min 30 s")
    told = bench.notices("nurse-1")
    assert len(told) <= ALONE + 1
    assert told[-1].text.startswith("HIGH elm: 37 pumps")
    assert len(told[-1].items) == 37


def test_many_open_at_the_change_of_duty_are_one_page_to_who_comes() -> None:
    """Twelve alarms raised hours apart are open at 07:00: the day nurse gets them as one."""
    bench = Bench(only("unattended"), start=START + (8 * 60 + 30) * 60 * SECOND, reporting=0)
    for n in range(12):
        ringing(bench, f"pump-{n}")
        bench.pass_by("2 min")
    bench.at("00:30:10")
    first = [told for told in bench.told if told.person == "day-1"]
    assert len(first) == 1
    assert len(first[0].items) == 12


def test_a_page_of_any_group_fits() -> None:
    """Whatever the unit and the places are called, 160 septets at most and the code whole (3GPP TS 23.038)."""
    unit = "W" * 64
    site = only("low-power-unplugged", units=(unit,), devices={})
    bench = Bench(site, reporting=0)
    for n in range(9):
        bench.snapshot(f"pump-{'x' * 50}{n}", unit=unit, activity="feeding", mains=False, battery_percent=15)
    bench.pass_by("1 min 20 s")
    for told in bench.told:
        assert septets(told.text) <= SINGLE
        assert told.text.endswith("takes all 9")


def test_a_restart_in_the_middle_changes_nothing() -> None:
    """Killed while the first are gathered, between two notices, and after: the same notices at the same instants."""
    stories = []
    for stops in ((), ("1 s", "64 s", "80 s", "5 min")):
        bench = full_ward(40)
        lose_mains(bench, 4, spread=40 * SECOND)
        for stop in stops:
            bench.until(max(bench.now, START + 40 * SECOND + bench_ms(stop)))
            bench.restart()
        bench.at("00:12:00")
        recover(bench)
        bench.at("00:14:00")
        stories.append(sorted((t.at, t.person, t.text) for t in bench.told))
    assert stories[0] == stories[1]


def bench_ms(text: str) -> int:
    """A duration in ms."""
    number, unit = text.split()
    return int(number) * (60 if unit == "min" else 1) * SECOND


def test_notices_of_version_1_still_load() -> None:
    """What an older release stored while gathering is sent by this one (VERSION 1 had no groups)."""
    bench = full_ward(2)
    lose_mains(bench, 15)
    bench.pass_by(MINUTE_OF_THE_RULE)
    rows = bench.kept.rows["notice"]
    assert rows
    for key, text in rows.items():
        version, state = json.loads(text)
        assert version == 2
        for field in ("group", "kind", "loud", "drill", "held", "counted"):
            del state[field]
        rows[key] = json.dumps([1, state])
    bench.restart()
    bench.pass_by("10 s")
    assert {told.person for told in bench.notices()} == {"nurse-1", "nurse-2"}
