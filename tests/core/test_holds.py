"""What is so on purpose: held, over, away. The design's lines on holds, one story each, through the whole engine."""

from __future__ import annotations

import json
from typing import Any

import pytest

from monitor.core.gsm7 import SINGLE, septets
from monitor.core.holds import AT_RISK, LIMITS, Hold
from monitor.core.instants import HOUR, MINUTE, show
from monitor.core.problems import ProblemsFound
from monitor.core.rota import FOR_EVER, Rota, Span
from monitor.core.rulebook import parse
from monitor.core.site import Site
from monitor.shipped import shipped_rules
from monitor.testing import START, Bench, alarm, ward
from tests.core.stories import FEED, RINGING, only, ringing

AT_NIGHT: dict[str, Any] = {"windows": [{"from": "22:00", "to": "06:00"}], "target_ml": 800}


def feeding(site: Site | None = None, **plan: Any) -> Bench:
    """A pump feeds, from 22:00 on; with a plan if one is given."""
    bench = Bench(site or only(*FEED))
    if plan:
        bench.plan("pump-1", **plan)
    bench.snapshot("pump-1", activity="feeding", delivered_ml=0)
    bench.pass_by("10 s")
    return bench


def stopped(site: Site | None = None, **plan: Any) -> Bench:
    """… and is held by a person, at 22:00:10."""
    bench = feeding(site, **plan)
    bench.snapshot("pump-1", activity="held")
    return bench


def hold(bench: Bench, person: str = "nurse-1", lasting: str = "2 h", what: str = "pump-1") -> str:
    """A feed is held on purpose; what is said to it."""
    reply = bench.answer("hold", person, what, "physiotherapy", lasting=lasting)
    assert reply.ok, reply.text
    return reply.text


def events(bench: Bench, *names: str) -> list[str]:
    """What the journal has of these, in order."""
    return [happening.event for happening in bench.happened if happening.event in names]


# ---- held ------------------------------------------------------------------------------------------------------------


def test_a_hold_before_any_concern_keeps_it_quiet() -> None:
    """Nobody is told that it does not feed until the hold is over; the journal says what was kept quiet."""
    bench = stopped()
    assert hold(bench, lasting="1 h") == (
        "Held until 23:00: bay 3 bed 1. Until then nobody is called because it does not feed. Its alarms, its battery, "
        "and whether it can be seen are still watched. If it does not feed at 23:00, you are told first, then the "
        "first on duty."
    )
    bench.at("00:59:00")
    assert bench.concerns("pump-1") == []
    bench.assert_nobody_told()
    assert events(bench, "held", "quieted", "hold-ended") == ["held", "quieted"]
    quieted = next(h for h in bench.happened if h.event == "quieted")
    assert (quieted.rule, quieted.device, quieted.person) == ("idle-past-limit", "pump-1", "nurse-1")


def test_at_its_end_the_holder_is_told_first_then_rung_1() -> None:
    """Nothing feeds when the hold ends: the holder at once and alone, the first rung after a rung's wait, and so on."""
    bench = stopped()
    hold(bench, "charge", "1 h")
    bench.at("01:00:30")
    assert [(told.person, told.items[0][1]) for told in bench.notices()] == [("charge", "hold-over")]
    concern = bench.assert_open("pump-1", "idle-past-limit")
    assert concern.begun == START + 10_000
    bench.at("01:10:05")
    assert bench.notices() == []
    bench.at("01:11:00")
    assert {told.person for told in bench.notices(why="next-rung")} == {"nurse-1", "nurse-2"}
    bench.at("01:22:00")
    bench.assert_told("charge", "next-rung")


def test_what_the_end_of_a_hold_says() -> None:
    """Mail and page of it say that it was held, by whom, and that it is still so; the page fits (GSM 03.38: 160)."""
    bench = stopped()
    hold(bench, lasting="1 h")
    bench.carriers["pager"].fails("refused", address="4471")
    bench.at("01:01:00")
    mail = bench.assert_told("nurse-1", "hold-over", by="mail")
    assert (
        "It was held on purpose, as somebody had answered. That time is over, and it is still so."
        in mail.text
    )
    assert "Night nurse 1 had it." in mail.text
    bench.at("01:12:00")
    page = bench.assert_told("nurse-2", "next-rung")
    assert septets(page.text) <= SINGLE
    again = stopped()
    hold(again, lasting="1 h")
    again.at("01:01:00")
    page = again.assert_told("nurse-1", "hold-over", by="pager")
    assert page.text.startswith("MEDIUM B3/1: not delivering 1 h. Hold over, still so.")
    assert septets(page.text) <= SINGLE


def test_what_is_open_goes_to_whoever_holds_it() -> None:
    """An open concern is accepted by the holder, everyone told hears it, and its recheck is at the hold's end."""
    bench = stopped()
    bench.at("00:10:20")
    bench.assert_open("pump-1", "idle-past-limit")
    hold(bench, "nurse-2", "90 min", bench.code("nurse-2", "pump-1"))
    bench.pass_by("10 s")
    bench.assert_told("nurse-1", "taken")
    concern = bench.assert_accepted("pump-1", "nurse-2", "idle-past-limit")
    assert concern.recheck_at == bench.start + 10 * MINUTE + 20_000 + 90 * MINUTE
    bench.at("01:40:00")
    bench.assert_nobody_told()
    bench.at("01:40:40")
    assert [told.person for told in bench.notices(why="hold-over")] == ["nurse-2"]
    bench.assert_open("pump-1", "idle-past-limit")


def test_a_hold_by_another_than_who_has_it_takes_it_over() -> None:
    """Whoever says that it is so on purpose has it; both hear it, and the earlier recheck is off."""
    bench = stopped()
    bench.at("00:10:20")
    bench.accept("nurse-1", "pump-1")
    hold(bench, "nurse-2", "1 h")
    bench.pass_by("10 s")
    assert [told.person for told in bench.notices(why="taken-over")] == ["nurse-1"]
    told = bench.assert_told("nurse-2", "yours-now").text
    assert "You have it now." in told
    assert "Take over" not in told
    bench.at("00:50:00")
    bench.assert_accepted("pump-1", "nurse-2")


def test_nothing_else_is_quieted() -> None:
    """A line that blocks, a battery that runs flat and a pump out of sight call as ever during a hold."""
    bench = stopped()
    hold(bench)
    bench.snapshot("pump-1", alarms=[RINGING])
    bench.at("00:05:30")
    bench.assert_open("pump-1", "unattended")
    bench.snapshot("pump-1", alarms=[], mains=False, battery_percent=12)
    bench.at("00:07:00")
    bench.assert_open("pump-1", "low-power-unplugged")
    bench.silent.add("pump-1")
    bench.at("00:11:00")
    bench.assert_open("pump-1", "out-of-sight")
    assert not bench.concerns("pump-1", "idle-past-limit")


def test_a_line_that_blocks_is_not_covered_by_what_is_held() -> None:
    """Who holds a feed for two hours has no hands on the line: an alarm of the same priority calls as ever."""
    bench = stopped()
    bench.at("00:10:20")
    hold(bench, "nurse-1", "2 h")
    bench.assert_accepted("pump-1", "nurse-1", "idle-past-limit")
    bench.snapshot("pump-1", alarms=[RINGING])
    bench.at("00:15:40")
    bench.assert_open("pump-1", "unattended")
    assert {told.person for told in bench.notices(why="raised")} == {"nurse-1", "nurse-2"}


def test_delivering_again_ends_a_hold_by_itself() -> None:
    """A minute of feeding and it is over; what stops it then is news, and goes to rung 1."""
    bench = stopped()
    hold(bench)
    bench.at("00:20:00")
    bench.snapshot("pump-1", activity="feeding")
    bench.at("00:22:30")
    assert events(bench, "hold-ended") == ["hold-ended"]
    bench.snapshot("pump-1", activity="held")
    bench.at("00:33:00")
    bench.assert_open("pump-1", "idle-past-limit")
    assert {told.person for told in bench.notices(why="raised")} == {"nurse-1", "nurse-2"}


def test_a_few_seconds_of_feeding_do_not_end_it() -> None:
    """Less than a minute is bridged by the rule, and by the hold."""
    bench = Bench(only(*FEED), reporting=0)
    bench.snapshot("pump-1", activity="feeding")
    bench.pass_by("10 s")
    bench.snapshot("pump-1", activity="held")
    hold(bench, lasting="1 h")
    bench.at("00:20:00")
    bench.snapshot("pump-1", activity="feeding")
    bench.pass_by("30 s")
    bench.snapshot("pump-1", activity="held")
    bench.at("00:22:00")
    assert events(bench, "hold-ended") == []


def test_what_a_rule_still_bridges_does_not_end_it() -> None:
    """Where gaps under 2 min are bridged, a minute of feeding is none: no call while it feeds, none lost after."""
    bench = stopped(glucose_risk=True, **AT_NIGHT)
    hold(bench, lasting="30 min")
    bench.at("00:20:00")
    bench.snapshot("pump-1", activity="feeding")
    bench.at("00:21:35")
    assert events(bench, "hold-ended", "raised") == []
    bench.snapshot("pump-1", activity="held")
    bench.at("00:30:15")
    bench.assert_open("pump-1", "stopped-at-glucose-risk")


def test_said_before_it_is_stopped() -> None:
    """A hold given while it still feeds counts from then on; one that was not followed by a stop is over in 5 min."""
    bench = feeding()
    assert "It delivers now: if it is not stopped within 5 min, the hold is over." in hold(bench)
    bench.at("00:02:00")
    bench.snapshot("pump-1", activity="held")
    bench.at("01:50:00")
    assert bench.concerns("pump-1") == []
    other = feeding()
    hold(other)
    other.at("00:06:40")
    assert events(other, "hold-ended") == ["hold-ended"]


def test_a_hold_again_replaces() -> None:
    """Another's or a longer one counts from then on, in place of the one before."""
    bench = stopped()
    hold(bench, "nurse-1", "1 h")
    bench.at("00:50:00")
    hold(bench, "nurse-2", "1 h")
    bench.at("01:49:00")
    assert bench.concerns("pump-1") == []
    bench.at("01:51:00")
    assert [told.person for told in bench.notices(why="hold-over")] == ["nurse-2"]


def test_handing_back_ends_it() -> None:
    """By the holder: what is still so is told to rung 1 at once. By anybody else it is no hold of theirs."""
    bench = stopped()
    hold(bench, "charge", "1 h")
    bench.at("00:20:00")
    assert not bench.answer("hand-back", "nurse-1", "pump-1").ok
    assert bench.answer("hand-back", "charge", "pump-1").text == (
        "Handed back: it is held no longer, and is watched as before; what is still so is told now."
    )
    bench.pass_by("10 s")
    assert {told.person for told in bench.notices()} == {"nurse-1", "nurse-2"}
    bench.assert_open("pump-1", "idle-past-limit")


def test_handing_back_the_concern_ends_the_hold_too() -> None:
    """Who gives back what she held on purpose no longer says that it is on purpose."""
    bench = stopped()
    bench.at("00:10:20")
    hold(bench, "nurse-1", "1 h")
    bench.pass_by("1 min")
    bench.hand_back("nurse-1", "pump-1")
    bench.pass_by("10 s")
    bench.assert_told("charge", "handed-back")
    assert events(bench, "hold-ended") == ["hold-ended"]
    assert not bench.engine.holds.of("pump-1")


def test_handing_back_by_the_pumps_id() -> None:
    """What she has is given back, with the hold, whatever else is open there."""
    bench = stopped()
    bench.at("00:10:20")
    hold(bench, "nurse-1", "1 h")
    bench.snapshot("pump-1", alarms=[RINGING])
    bench.at("00:16:00")
    bench.assert_open("pump-1", "unattended")
    assert bench.answer("hand-back", "nurse-1", "pump-1").ok
    bench.assert_open("pump-1", "idle-past-limit")
    assert not bench.engine.holds.of("pump-1")


def test_what_another_has_taken_over_is_not_given_back() -> None:
    """The hold ends; the concern stays with whoever took it over, and is looked at again as usual."""
    bench = stopped()
    bench.at("00:10:20")
    hold(bench, "nurse-1", "1 h")
    bench.take_over("nurse-2", "pump-1")
    bench.answer("hand-back", "nurse-1", "pump-1")
    assert not bench.engine.holds.of("pump-1")
    concern = bench.assert_accepted("pump-1", "nurse-2", "idle-past-limit")
    assert concern.recheck_at == bench.now + 20 * MINUTE


def test_whoever_took_it_over_is_told_at_the_end() -> None:
    """Of two, the one who has it by then."""
    bench = stopped()
    bench.at("00:10:20")
    hold(bench, "nurse-1", "1 h")
    bench.take_over("nurse-2", "pump-1")
    bench.at("01:09:00")
    bench.assert_accepted("pump-1", "nurse-2")
    bench.at("01:11:00")
    assert [told.person for told in bench.notices(why="hold-over")] == ["nurse-2"]


def test_what_was_held_and_feeds_is_stood_down_as_ever() -> None:
    """It feeds again before the end: settled, everyone told hears it, and nobody hears of the hold."""
    bench = stopped()
    bench.at("00:10:20")
    hold(bench, "nurse-1", "1 h")
    bench.at("00:30:00")
    bench.snapshot("pump-1", activity="feeding")
    bench.at("00:33:00")
    bench.assert_settled("pump-1")
    bench.assert_told("nurse-2", "stand-down")
    bench.at("02:00:00")
    bench.assert_nobody_told()


# ---- how long --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("answer", "risk", "lasting", "said"),
    [
        ("hold", False, "2 h 1 min", "a hold counts for 2 h at most, so until 00:00"),
        (
            "hold",
            True,
            "31 min",
            "a hold counts for 30 min at most, as a stop is dangerous here, so until 22:30",
        ),
        (
            "feed-ended",
            True,
            "31 min",
            "that a feed is over counts for 30 min at most, as a stop is dangerous here, so until 22:30",
        ),
        ("away", False, "61 min", "being away counts for 1 h at most, so until 23:00"),
        ("away", True, "61 min", "being away counts for 1 h at most, so until 23:00"),
    ],
)
def test_too_long_is_refused_with_what_is_allowed(answer: str, risk: bool, lasting: str, said: str) -> None:
    """Never quietly made less: how long at most, why, and until when; nothing is done."""
    bench = stopped(glucose_risk=risk, **AT_NIGHT)
    reply = bench.answer(answer, "nurse-1", "pump-1", "away", lasting=lasting)
    assert not reply.ok
    assert reply.text == f"Nothing was done: {said} at the latest. After that, answer again."
    assert not bench.engine.holds.of("pump-1")
    assert events(bench, "answer-refused") == ["answer-refused"]


def test_a_time_that_is_past_and_none_at_all() -> None:
    """Both are refused with the latest that may be said."""
    bench = stopped()
    for lasting, said in (("0 s", "that time is past. Say one to come,"), (None, "say until when,")):
        reply = bench.answer("hold", "nurse-1", "pump-1", "x-ray", lasting=lasting)
        assert reply.text == f"Nothing was done: {said} 00:00 at the latest."
    assert bench.answer("hold", "nurse-1", "pump-1", lasting="1 h").text == (
        "Nothing was done: say why, in a few words."
    )


def test_where_a_stop_is_dangerous_it_calls_after_30_min() -> None:
    """Held for as long as may be there: high at its end, to the holder first, then in 3 min to rung 1."""
    bench = stopped(glucose_risk=True, **AT_NIGHT)
    hold(bench, "charge", "30 min")
    bench.at("00:30:05")
    assert not bench.concerns("pump-1", "stopped-at-glucose-risk")
    bench.at("00:30:11")
    assert bench.concern("pump-1", "stopped-at-glucose-risk").priority == "high"
    assert {told.person for told in bench.notices()} == {"charge"}
    bench.at("00:33:20")
    assert {told.person for told in bench.notices(why="next-rung")} == {"nurse-1", "nurse-2"}


@pytest.mark.parametrize("again", ["hold", "feed-ended"])
def test_answering_again_before_its_end_does_not_make_it_longer(again: str) -> None:
    """A button that says it each 10 min kept everybody from hearing all night: where a stop is dangerous it calls."""
    bench = stopped(glucose_risk=True, **AT_NIGHT)
    hold(bench, "nurse-1", "30 min")
    for minute in (10, 20):
        bench.at(f"00:{minute}:10")
        bench.restart()  # since when it has been so is stored
        said = {} if again == "feed-ended" else {"until": show(bench.now + 30 * MINUTE), "reason": "care"}
        bench.button("pump-1", "nurse-2", again, **said)
    reply = bench.answer("hold", "nurse-2", "pump-1", "care", lasting="30 min")
    assert reply.text.endswith("so until 22:30 at the latest. After that, answer again.")
    bench.at("00:30:12")
    assert bench.concern("pump-1", "stopped-at-glucose-risk").priority == "high"
    assert bench.notices()
    assert bench.answer("hold", "nurse-2", "pump-1", "care", lasting="30 min").ok  # once somebody has heard


def test_a_button_alone_holds_no_longer_than_one_hold_may_last() -> None:
    """Nobody who has looked says it: without danger too it ends 2 h after the first; by her id she may go on."""
    bench = stopped(**AT_NIGHT)
    for _ in range(3):
        bench.button("pump-1", "nurse-1", "hold", until=show(bench.now + HOUR), reason="care")
        bench.pass_by("45 min")
    assert [held.until for held in bench.engine.holds.of("pump-1")] == []
    bench.assert_open("pump-1", "idle-past-limit")
    other = stopped(**AT_NIGHT)
    for _ in range(3):
        hold(other, "nurse-1", "1 h")
        other.pass_by("45 min")
    assert not other.concerns("pump-1", "idle-past-limit")


def test_what_an_older_version_stored_as_held_is_held() -> None:
    """It had no word of what a hold goes on from."""
    bench = stopped()
    held = ["pump-1", "hold", "nurse-1", START, START + HOUR, True]
    bench.engine.holds.load({"pump-1": json.dumps([1, [held]])})
    assert bench.engine.holds.of("pump-1") == (
        Hold("pump-1", "hold", "nurse-1", START, START + HOUR, True, None),
    )


def test_a_plan_that_says_only_now_that_a_stop_is_dangerous() -> None:
    """What is held ends in half an hour from then; a feed that was said to be over is due again."""
    bench = stopped(**AT_NIGHT)
    hold(bench)
    bench.plan("pump-1", glucose_risk=True, **AT_NIGHT)
    assert [h.until for h in bench.engine.holds.of("pump-1")] == [bench.now + AT_RISK["hold"]]
    over = stopped(**AT_NIGHT)
    over.answer("feed-ended", "nurse-1", "pump-1")
    over.plan("pump-1", glucose_risk=True, **AT_NIGHT)
    over.at("00:17:00")
    over.assert_open("pump-1", "stopped-at-glucose-risk")


# ---- over for now ----------------------------------------------------------------------------------------------------


def test_feed_ended_of_a_pump_without_a_concern() -> None:
    """By the pump's id, before anybody is told: no feed is due, for as long as it does not feed again."""
    bench = stopped()
    assert bench.answer("feed-ended", "nurse-1", "pump-1").text == (
        "Recorded: the feed is over. If the pump feeds again, it is watched again."
    )
    bench.at("05:00:00")
    assert bench.concerns("pump-1") == []


def test_feed_ended_takes_what_is_winding_up() -> None:
    """The minute that the rule bridges is nobody's call: the concern is with whoever answered until it settles."""
    bench = stopped()
    bench.at("00:10:20")
    bench.answer("feed-ended", "nurse-1", bench.code("nurse-1", "pump-1"))
    bench.assert_accepted("pump-1", "nurse-1", "idle-past-limit")
    bench.pass_by("70 s")
    bench.assert_settled("pump-1")


def test_feed_ended_where_a_stop_is_dangerous_counts_for_30_min() -> None:
    """Then it calls, saying what had been answered: high, to whoever answered first."""
    bench = stopped(glucose_risk=True, **AT_NIGHT)
    reply = bench.answer("feed-ended", "nurse-1", "pump-1")
    assert reply.text.startswith(
        "Recorded: the feed is over for now. As a stop is dangerous here, that counts until 22:30 only."
    )
    bench.at("00:30:00")
    bench.assert_nobody_told()
    bench.at("00:30:12")
    told = bench.assert_told("nurse-1", "feed-over-over")
    assert "Feed was said to be over, is due." in told.text
    assert septets(told.text) <= SINGLE
    bench.assert_not_told("nurse-2")


def test_feed_ended_until_a_time() -> None:
    """Of a plan: watched again from then on, with the rule's own patience."""
    bench = stopped(**AT_NIGHT)
    reply = bench.answer("feed-ended", "nurse-1", "pump-1", lasting="3 h")
    assert reply.text == (
        "Recorded: the feed is over until 01:00. Until then nobody is called because it does not feed. From 01:00 on "
        "it is watched by its plan again."
    )
    bench.at("03:00:00")
    assert not bench.concerns("pump-1", "idle-past-limit")
    bench.at("03:12:30")
    bench.assert_open("pump-1", "idle-past-limit")


# ---- away ------------------------------------------------------------------------------------------------------------


def test_away_quiets_out_of_sight_and_nothing_else() -> None:
    """A pump that goes for an x-ray: nobody is told that it is not heard of until then, and then whoever said so."""
    bench = feeding()
    reply = bench.answer("away", "nurse-1", "pump-1", "x-ray", lasting="60 min")
    assert reply.text.startswith("Recorded: bay 3 bed 1 is away until 23:00.")
    bench.silent.add("pump-1")
    bench.at("00:59:00")
    assert bench.concerns("pump-1") == []
    bench.at("01:00:30")
    assert {(told.person, told.items[0][1]) for told in bench.notices()} == {("nurse-1", "away-over")}
    assert septets(bench.assert_told("nurse-1").text) <= SINGLE


def test_back_in_time() -> None:
    """Heard of again before the time is over: nobody hears anything."""
    bench = feeding()
    bench.answer("away", "nurse-1", "pump-1", "x-ray", lasting="60 min")
    bench.silent.add("pump-1")
    bench.at("00:30:00")
    bench.silent.clear()
    bench.at("02:00:00")
    assert bench.concerns("pump-1") == []
    assert bench.told == []


# ---- whose duty it is ------------------------------------------------------------------------------------------------


def test_a_holders_duty_ends() -> None:
    """The hold stays, and what it holds with it; at its end rung 1 of the new duty is told, and she is not."""
    bench = Bench(only(*FEED), start=START + 8 * HOUR + 30 * MINUTE)  # 06:30; duty ends at 07:00
    bench.snapshot("pump-1", activity="feeding")
    bench.pass_by("10 s")
    bench.snapshot("pump-1", activity="held")
    bench.at("00:10:30")
    hold(bench, "nurse-1", "1 h")
    bench.pass_by("10 s")
    bench.at("00:31:00")
    bench.assert_accepted("pump-1", "nurse-1", "idle-past-limit")
    bench.assert_nobody_told()
    bench.at("01:10:50")
    assert [(told.person, told.items[0][1]) for told in bench.notices()] == [("day-1", "hold-over")]


def test_held_by_somebody_off_duty() -> None:
    """Hands are hands: it is taken, she hears that at its end those on duty are told, and they are."""
    bench = stopped()
    assert "You are not on duty now: if it does not feed at 23:00, the first on duty are told." in hold(
        bench, "day-1", "1 h"
    )
    bench.at("01:00:30")
    assert {told.person for told in bench.notices()} == {"nurse-1", "nurse-2"}


# ---- by message, and what a site says --------------------------------------------------------------------------------


@pytest.mark.parametrize("answer", ["hold", "away", "feed-ended"])
def test_by_message(answer: str) -> None:
    """A button needs no reason; a clock that is ahead by less than is tolerated makes it no longer than allowed."""
    bench = stopped(**AT_NIGHT)
    limit = LIMITS[answer]
    bench.button("pump-1", "nurse-1", answer, until=show(bench.now + limit + 60_000))
    assert [(h.kind, h.until) for h in bench.engine.holds.of("pump-1")] == [(answer, bench.now + limit)]
    bench.button("pump-1", "nurse-1", answer, until=show(bench.now + limit + 120_000))
    assert events(bench, "answer-refused") == ["answer-refused"]


def test_a_units_concern_cannot_be_held() -> None:
    """It is not about one pump's feed."""
    bench = Bench(only("sight-lost"), link=False)
    bench.at("00:01:10")
    said = bench.answer("hold", "nurse-1", bench.code("nurse-1", "unit:elm"), "why", lasting="1 h").text
    assert said == "Nothing was done: this concern is not about one pump's feed."


def test_a_pump_nobody_knows() -> None:
    """No such pump and no such code: said as ever."""
    bench = stopped()
    assert "no such code" in bench.answer("hold", "nurse-1", "pump-99", "why", lasting="1 h").text


def test_a_listed_pump_not_heard_of_yet() -> None:
    """What is said beforehand counts when it is heard of."""
    bench = Bench(only(*FEED))
    hold(bench, what="pump-4", lasting="1 h")
    bench.snapshot("pump-4", activity="feeding")
    bench.pass_by("10 s")
    bench.snapshot("pump-4", activity="held")
    bench.at("00:50:00")
    assert bench.concerns("pump-4") == []


OWN = """
id = "own-idle"
sentence = "It does not deliver although feed is due."
hazard = "Nobody is fed by a pump that stands."
about = "delivery"
pattern = "lasting"
quieted_by = ["hold"]
[[when]]
for = "patience"
priority = "medium"
[when.condition]
all = [{ field = "feed_due", is = true }, { field = "delivering", is = false }]
[thresholds.patience]
value = "5 min"
looser = "higher"
reason = "An invented one for a test."
source = "invented"
[checks]
first = ["Look at it."]
[[traces]]
name = "fires"
until = "9 min"
holds = ["6 min"]
steps = [{ at = "0 s", activity = "feeding" }, { at = "1 min", activity = "held" }]
[[traces]]
name = "quiet"
until = "4 min"
steps = [{ at = "0 s", activity = "feeding" }]
"""


def test_a_sites_own_rule_may_say_so() -> None:
    """`quieted_by` in its file does what it does in a shipped one; one without it is not quieted."""
    for text, quiet in ((OWN, True), (OWN.replace('quieted_by = ["hold"]\n', ""), False)):
        bench = stopped(ward([parse(text, "own.toml")]))
        hold(bench, lasting="1 h")
        bench.at("00:30:00")
        assert (bench.concerns("pump-1") == []) is quiet
        bench.at("01:01:00")
        bench.assert_open("pump-1", "own-idle")


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('["hold"]', '["away"]', "only where a rule is about sight of a device"),
        ('about = "delivery"', 'about = "alarms"', "only where a rule is about delivery or plan of a device"),
        ('about = "delivery"', 'about = "power"', "nothing else may be kept quiet"),
        ('["hold"]', '["sleep"]', "hold"),
    ],
)
def test_a_rule_file_cannot_quiet_more(before: str, after: str, said: str) -> None:
    """Alarms and batteries cannot be held by anybody's file: an error that says what may."""
    with pytest.raises(ProblemsFound, match=said):
        parse(OWN.replace(before, after), "own.toml")


def test_which_shipped_rules_are_quieted_by_what() -> None:
    """As the design lists them, and no other: no rule about alarms or power among them."""
    assert {rule.id: rule.quieted_by for rule in shipped_rules() if rule.quieted_by} == {
        "idle-past-limit": ("hold", "feed-ended"),
        "behind-plan": ("hold", "feed-ended"),
        "stopped-at-glucose-risk": ("hold", "feed-ended"),
        "out-of-sight": ("away",),
    }


# ---- through a restart -----------------------------------------------------------------------------------------------


def test_a_hold_survives_a_restart_and_ends_in_time() -> None:
    """Killed in the middle and begun anew: quiet until its time, told at its end, once."""
    bench = stopped()
    hold(bench, "charge", "1 h")
    bench.at("00:30:00")
    bench.restart()
    bench.at("00:59:00")
    bench.assert_nobody_told()
    bench.restart()
    bench.at("01:01:00")
    assert [(told.person, told.items[0][1]) for told in bench.notices()] == [("charge", "hold-over")]
    bench.restart()
    bench.at("01:09:00")
    bench.assert_nobody_told()
    bench.assert_trail_whole()


def test_a_hold_that_ended_while_nothing_ran() -> None:
    """Told once what had piled up has been read, saying how late."""
    bench = stopped()
    hold(bench, "charge", "1 h")
    bench.at("00:50:00")
    bench.silent.add("pump-1")
    bench.now = START + 80 * MINUTE
    bench.restart(link=False)
    bench.link_up()
    bench.snapshot("pump-1", activity="held")
    bench.assert_nobody_told()
    bench.marker_back()
    bench.pass_by("10 s")
    told = bench.assert_told("charge", "hold-over")
    assert "late" in told.text


def test_a_rule_that_is_no_longer_quieted_calls_after_a_restart() -> None:
    """What a changed rule file no longer keeps quiet is told at the start, not never."""
    bench = stopped(ward([parse(OWN, "own.toml")]))
    hold(bench, lasting="2 h")
    bench.at("00:30:00")
    bench.restart(ward([parse(OWN.replace('quieted_by = ["hold"]\n', ""), "own.toml")]))
    bench.pass_by("10 s")
    bench.assert_open("pump-1", "own-idle")


def test_a_hold_over_the_end_of_sight() -> None:
    """The broker is gone when the hold ends: told by what was last known, and not a second time when it is back."""
    bench = stopped()
    hold(bench, "charge", "1 h")
    bench.at("00:50:00")
    bench.link_down()
    bench.at("01:01:00")
    bench.assert_told("charge", "hold-over")
    bench.link_up()
    bench.marker_back()
    bench.at("01:05:00")
    assert len(bench.concerns("pump-1", "idle-past-limit")) == 1


def test_low_is_told_to_both_at_once() -> None:
    """What is behind the plan at the end of a hold is told once, so to the holder and to the first rung."""
    bench = feeding(only("behind-plan"), **AT_NIGHT)
    bench.snapshot("pump-1", activity="held")
    hold(bench, "charge", "2 h")
    bench.at("01:59:00")
    bench.assert_nobody_told()
    bench.at("02:01:00")
    assert {told.person for told in bench.notices()} == {"charge", "nurse-1", "nurse-2"}


ALL = Rota([Span("nurse-1", "nurse", "*", 0, FOR_EVER)])


def test_a_raised_priority_during_a_hold_calls() -> None:
    """A rule that is quieted and rises later is not made to: what was accepted under a hold opens by the table."""
    text = OWN.replace(
        "[thresholds.patience]",
        '[[when]]\nfor = "long"\npriority = "high"\n[when.condition]\nall = [{ field = "feed_due", is = true }, '
        '{ field = "delivering", is = false }]\n[thresholds.long]\nvalue = "20 min"\nlooser = "higher"\n'
        'reason = "An invented one for a test."\nsource = "invented"\n[thresholds.patience]',
    )
    bench = stopped(ward([parse(text, "own.toml")], rota=ALL))
    bench.at("00:06:00")
    bench.assert_open("pump-1", "own-idle")
    hold(bench, "nurse-1", "2 h")
    bench.at("00:21:00")
    bench.assert_open("pump-1", "own-idle")
    bench.assert_told("nurse-1", "priority-raised")


def test_an_alarm_that_stays_over_the_end_keeps_its_own_concern() -> None:
    """The end of a hold touches nothing that it did not quiet."""
    bench = stopped()
    hold(bench, "nurse-1", "1 h")
    bench.snapshot("pump-1", alarms=[alarm("downstream-occlusion")])
    bench.at("00:06:00")
    bench.accept("nurse-2", "pump-1", "unattended")
    bench.at("01:02:00")
    bench.assert_open("pump-1", "idle-past-limit")


def test_what_was_withdrawn_is_not_told_again_by_a_start() -> None:
    """A nurse has withdrawn one concern while it holds, and the feed is held: a restart raises neither again."""
    bench = Bench(only("unattended", "idle-past-limit"))
    ringing(bench)
    bench.at("00:05:10")
    hold(bench, "nurse-1", "1 h")
    bench.withdraw("nurse-1", "pump-1", "seen to", "unattended")
    bench.pass_by("1 min")
    bench.restart()
    bench.pass_by("10 min")
    bench.assert_nobody_told()
    bench.assert_settled("pump-1", "unattended")
