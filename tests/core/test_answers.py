"""What people answer, by command and by message, and what they are told."""

from __future__ import annotations

import json

import pytest

from monitor.core import answers
from monitor.core.instants import MINUTE
from monitor.core.site import Site
from monitor.testing import START, Bench, alarm
from tests.core.stories import FAULT, mended, only, ringing, unattended


def test_a_code_is_typed_in_any_way() -> None:
    """Small letters and blanks around it do not matter; the concern's id serves as well."""
    for typed in (
        lambda b: f"  {b.code('nurse-1', 'pump-1').lower()} ",
        lambda b: b.concern("pump-1").id.upper(),
    ):
        bench = unattended()
        assert bench.answer("accept", "nurse-1", typed(bench)).ok
        bench.assert_accepted("pump-1", "nurse-1")


@pytest.mark.parametrize(
    ("person", "code", "said"),
    [
        ("nurse-9", "nurse-1", "nobody here has this id. Give your id as the site file lists it."),
        ("nurse-1", "nurse-2", "this code was given to somebody else. Use the code from your own notice."),
        (
            "nurse-1",
            "",
            "no such code, and no pump of this id. Look at your notice again; what ended long ago is not kept.",
        ),
    ],
)
def test_a_wrong_answer_is_told_and_changes_nothing(person: str, code: str, said: str) -> None:
    """An unknown person, somebody else's code, no code at all: said plainly, recorded, nothing done."""
    bench = unattended()
    reference = bench.code(code, "pump-1") if code else "AAAAAA"
    reply = bench.answer("accept", person, reference)
    assert (reply.ok, reply.text) == (False, f"Nothing was done: {said}")
    bench.assert_open("pump-1")
    assert [h.event for h in bench.happened][-1] == "answer-refused"


def test_an_unknown_answer_names_the_known_ones() -> None:
    """What cannot be served says what can."""
    bench = unattended()
    reply = bench.answer("perhaps", "nurse-1", bench.code("nurse-1", "pump-1"))
    assert reply.text == (
        "Nothing was done: the answers are accept, decline, hand-back, take-over, hold, feed-ended, away, withdraw, "
        "swap, move."
    )


def test_somebody_not_told_may_accept_by_the_id() -> None:
    """Who happens to be there needs no notice: the concern's id will do."""
    bench = unattended()
    assert bench.answer("accept", "charge", bench.concern("pump-1").id).ok
    bench.assert_accepted("pump-1", "charge")


def test_already_accepted_says_by_whom_and_how_to_take_over() -> None:
    """The second to accept hears who has it, by duty label."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    assert bench.accept("nurse-2", "pump-1") == (
        "Already with night nurse 1. To take it over, answer take-over."
    )
    bench.assert_accepted("pump-1", "nurse-1")


@pytest.mark.parametrize("answer", ["accept", "decline", "hand-back", "take-over"])
def test_after_the_end_it_says_that_it_ended_and_when(answer: str) -> None:
    """Every answer to a settled concern: told that it ended, when, and what the pump does."""
    bench = unattended()
    bench.at("00:06:00")
    mended(bench)
    bench.at("00:10:00")
    said = bench.answer(answer, "nurse-1", bench.code("nurse-1", "pump-1")).text
    assert said == ("It ended at 22:07: it feeds again, no alarm. Nothing more is asked of you.")
    bench.assert_settled("pump-1")


def test_handing_back_what_one_does_not_have() -> None:
    """While it is open: recorded, and what can be answered."""
    bench = unattended()
    assert bench.hand_back("nurse-1", "pump-1") == (
        "You do not have it, so there is nothing to hand back. It is still open: accept or decline."
    )
    bench.assert_open("pump-1")


def test_an_accept_by_message() -> None:
    """A bedside button accepts what its topic's pump has open, most urgent first, and with it the others."""
    bench = Bench(only("unattended", "low-power-unplugged"))
    ringing(bench, mains=False, battery_percent=15)
    bench.at("00:05:20")
    bench.button("pump-1", "charge", "accept")
    bench.assert_accepted("pump-1", "charge", "unattended")
    bench.assert_accepted("pump-1", "charge", "low-power-unplugged")


def test_a_message_sent_twice_counts_once() -> None:
    """The same id again, also after a restart: counted each time, not performed; another id is another answer."""
    bench = unattended()
    bench.button("pump-1", "nurse-1", "accept", id="b-1")
    bench.hand_back("nurse-1", "pump-1")
    bench.button("pump-1", "nurse-1", "accept", id="b-1")
    bench.assert_open("pump-1")
    bench.restart()
    bench.button("pump-1", "nurse-1", "accept", id="b-1")
    bench.assert_open("pump-1")
    assert bench.engine.counters["answers repeated"] == 2
    bench.button("pump-1", "nurse-1", "accept", id="b-2")
    bench.assert_accepted("pump-1", "nurse-1")


def test_old_ids_are_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    """The memory of ids is bounded, in the store as well."""
    monkeypatch.setattr(answers, "MOST_REMEMBERED", 3)
    bench = unattended()
    for n in range(5):
        bench.button("pump-1", "nurse-1", "decline", id=f"b-{n}")
    assert set(bench.kept.rows["answer"]) == {f"urn:bridge:bedside|b-{n}" for n in (2, 3, 4)}
    bench.restart()
    assert list(bench.engine.answers.seen) == [f"urn:bridge:bedside|b-{n}" for n in (2, 3, 4)]


def test_a_message_that_came_too_late_is_answered_by_a_notice() -> None:
    """A button gets no reply: that somebody had it already, or that it had ended, goes as a notice."""
    bench = unattended()
    bench.accept("nurse-1", "pump-1")
    bench.pass_by("10 s")
    bench.button("pump-1", "charge", "accept")
    bench.pass_by("5 s")
    assert "Night nurse 1 had it first." in bench.assert_told("charge", "already").text
    mended(bench)
    bench.pass_by("2 min")
    bench.button("pump-1", "manager", "accept", concern=bench.concern("pump-1").id)
    bench.pass_by("5 s")
    assert "Ended before your answer." in bench.assert_told("manager", "answer-late").text


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"person": "nurse-9"}, "nobody here has this id"),
        ({"concern": "zzzz"}, "no such code"),
        ({"device": "pump-2"}, "another pump"),
        ({"device": "pump-3", "concern": None}, "nothing is open about this pump."),
    ],
)
def test_a_wrong_message_is_recorded_and_changes_nothing(said: dict[str, str | None], why: str) -> None:
    """Nobody hears of it but the trail; the concern stays open."""
    bench = unattended()
    bench.snapshot("pump-2")
    concern = said.get("concern", bench.concern("pump-1").id)
    rest = {} if concern is None else {"concern": concern}
    bench.button(said.get("device") or "pump-1", said.get("person") or "nurse-1", "accept", **rest)
    refused = [h for h in bench.happened if h.event == "answer-refused"]
    assert len(refused) == 1
    assert why in str(refused[0].detail["why"])
    bench.assert_open("pump-1")


def test_a_button_that_is_refused_says_so_once() -> None:
    """Something is open, and whoever pressed it for too long a hold must not think that she has it."""
    bench = unattended()
    for _ in range(3):
        bench.button("pump-1", "charge", "hold", until="2026-03-14T06:00:00Z")
    bench.pass_by("10 s")
    told = bench.notices("charge")
    assert [[why for _, why in notice.items] for notice in told] == [["not-taken"]]
    assert "Your answer was not taken." in told[0].text
    assert len(told[0].text) <= 160
    bench.assert_open("pump-1")
    bench.button("pump-2", "charge", "hold", until="2026-03-14T06:00:00Z")
    bench.pass_by("10 s")
    bench.assert_not_told("charge")


def test_withdrawing_is_no_answer_of_a_button() -> None:
    """A message cannot withdraw; that is not in the contract, and lands in quarantine."""
    bench = unattended()
    bench.button("pump-1", "nurse-1", "withdraw", reason="no")
    bench.assert_open("pump-1")
    assert [kept.reason for kept in bench.kept.quarantined] == ["bad-answer"]


def test_feed_ended_settles_what_was_about_the_feed() -> None:
    """The feed is over for now: no feed is due, and the idle pump is nobody's concern any more."""
    bench = Bench(only("idle-past-limit"))
    bench.snapshot("pump-1", activity="feeding")
    bench.pass_by("10 s")
    bench.snapshot("pump-1", activity="held")
    bench.at("00:10:30")
    said = bench.answer(
        "feed-ended", "nurse-1", bench.code("nurse-1", "pump-1"), "bag is empty, next at 06"
    ).text
    assert said.startswith("Recorded: the feed is over.")
    bench.pass_by("63 s")  # the rule bridges gaps of less than a minute
    bench.assert_settled("pump-1")


def test_feed_ended_by_a_button_before_any_concern() -> None:
    """Said beforehand it keeps the idle pump from becoming a concern; feeding again takes it back."""
    bench = Bench(only("idle-past-limit"))
    bench.snapshot("pump-1", activity="feeding")
    bench.pass_by("10 s")
    bench.snapshot("pump-1", activity="held")
    bench.button("pump-1", "nurse-1", "feed-ended")
    bench.at("01:00:00")
    assert bench.concerns("pump-1") == []
    bench.snapshot("pump-1", activity="feeding")
    bench.pass_by("10 s")
    bench.snapshot("pump-1", activity="held")
    bench.pass_by("11 min")
    bench.assert_open("pump-1", "idle-past-limit")


def test_feed_ended_does_not_end_an_alarm() -> None:
    """An alarm that still sounds keeps the concern about it open."""
    bench = unattended()
    bench.answer("feed-ended", "nurse-1", bench.code("nurse-1", "pump-1"))
    bench.pass_by("1 min")
    bench.assert_open("pump-1")


def test_a_code_for_a_unit_works_as_any_other() -> None:
    """A sight-lost is accepted like a pump's concern, and named as a unit in the answer."""
    bench = Bench(only("sight-lost"), link=False)
    bench.at("00:01:10")
    assert bench.accept("technical", "unit:elm").startswith("You have unit elm (pumps out of sight).")
    said = bench.answer("feed-ended", "nurse-1", bench.code("nurse-1", "unit:elm"))
    assert (said.ok, said.text) == (False, "Nothing was done: this concern is not about one pump's feed.")


def test_a_reason_is_one_clean_line() -> None:
    """A half surrogate, a line break or a hidden sign in a reason harms neither the trail nor a notice."""
    bench = unattended()
    reason = json.loads('"out of \\ud800service\\nBcc: x\\u202e"')
    assert bench.withdraw("charge", "pump-1", reason).startswith("Withdrawn")
    assert bench.concern("pump-1").settled == "withdrawn: out of service Bcc: x"
    bench.assert_trail_whole()


def test_answers_about_a_high_concern_covered_by_a_lower_one() -> None:
    """Accepting the lower code of a pump takes its open higher concern too."""
    bench = Bench(only("unattended", "low-power-unplugged"))
    ringing(bench, mains=False, battery_percent=15)
    bench.at("00:01:20")
    bench.snapshot("pump-1", alarms=[FAULT])
    bench.at("00:03:30")
    assert bench.concern("pump-1", "unattended").priority == "high"
    bench.accept("nurse-2", "pump-1", "low-power-unplugged")
    bench.assert_accepted("pump-1", "nurse-2", "unattended")
    assert bench.concern("pump-1", "unattended").recheck_at == START + 13 * MINUTE + 30_000


def test_a_wrong_code_from_a_button_costs_no_look_at_other_pumps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 250 concerns and 66 persons it took 40 ms, as often as whoever may publish likes: the codes of one pump do."""
    bench = unattended()
    ringing(bench, "pump-2")
    bench.pass_by("6 min")
    other = bench.concern("pump-2").id
    worked_out: list[str] = []
    code = Site.code

    def noted(site: Site, concern: str, person: str) -> str:
        worked_out.append(concern)
        return code(site, concern, person)

    monkeypatch.setattr(Site, "code", noted)
    bench.button("pump-1", "nurse-1", "accept", concern="ZZZZZZ")
    assert [h.event for h in bench.happened][-1] == "answer-refused"
    assert worked_out.count(bench.concern("pump-1").id) > 0
    assert worked_out.count(other) == 0
    bench.assert_open("pump-1")


def test_a_button_that_bounces_does_not_page_a_ward_each_second() -> None:
    """Taken and handed back 30 times in a minute, high, it was 500 pages: a few count, it stays open, she hears why."""
    bench = Bench(only("unattended"))
    bench.snapshot("pump-1", activity="stopped", alarms=[alarm("device-fault", "high")])
    bench.pass_by("2 min 5 s")
    for _ in range(30):
        bench.button("pump-1", "nurse-1", "accept")
        bench.pass_by("1 s")
        bench.button("pump-1", "nurse-1", "hand-back")
        bench.pass_by("1 s")
    events = [h.event for h in bench.happened]
    assert events.count("accepted") == answers.MOST_TAKEN
    bench.assert_open("pump-1")
    told = [h.person for h in bench.happened if h.event == "told" and h.detail.get("why") == "not-taken"]
    assert told == ["nurse-1"]
    assert bench.accept("nurse-1", "pump-1").startswith("You have")  # by her code she takes it all the same
    bench.hand_back("nurse-1", "pump-1")
    bench.pass_by("11 min")
    bench.button("pump-1", "nurse-1", "accept")
    bench.assert_accepted("pump-1", "nurse-1")


def test_a_flood_of_answers_by_message_does_not_fill_the_trail() -> None:
    """2,000 about one pump: some are taken, the rest refused and counted; who has it can still hand it back."""
    bench = unattended()
    bench.button("pump-1", "nurse-1", "accept")
    before = len(bench.happened)
    for _ in range(1_000):
        bench.button("pump-1", "nurse-2", "hand-back")
        bench.button("pump-1", "charge", "decline")
    assert len(bench.happened) - before < 3 * answers.MOST_ANSWERED
    bench.assert_accepted("pump-1", "nurse-1")
    bench.button("pump-1", "nurse-1", "hand-back")
    bench.assert_open("pump-1")
    bench.pass_by("11 min")
    bench.button("pump-1", "nurse-1", "accept")
    bench.assert_accepted("pump-1", "nurse-1")
