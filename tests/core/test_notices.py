"""Whole mails and pages as a tired nurse gets them, and what each reason for telling says."""

import dataclasses
import re

import pytest

from monitor.core import guidance, notices, wording
from monitor.core.facts import Facts
from monitor.core.instants import HOUR, MINUTE
from tests.core.sample_facts import NOW, ZONE, at_home, facts

RAISED = """\
MEDIUM PRIORITY: please go to bay 3 bed 12 soon: an alarm there has been without sound for 6 min.
This is the first notice of it.
Pump: pump-0042. Unit north, demo.
How often: the 1st time; it began at 02:08.
Why it matters: The trouble behind it goes on.

The pump, now:
- alarms: line blocked after the pump (downstream), feed line, medium priority, sound paused, since 02:07
- doing: stopped by an alarm condition; feed due: yes
- power: on mains, battery 61 %, not low
- delivered: 412 mL; set rate: 85 mL/h
- target: 1000 mL; left to give: 588 mL

Look at, in this order:
1. Look at the person first.
2. Follow the line.

To take it: answer with code K7QX2M (secondbell accept K7QX2M --as YOUR-ID).
You cannot see to it: secondbell decline K7QX2M --as YOUR-ID, so that nobody waits for you.
Accepting tells all who were told that you have it. It does not silence the pump. Nobody reads a reply to this mail.
Next: if nobody accepts by 02:24, night nurse 2 is told.
"""

AT_HOME = """\
HIGH PRIORITY: please phone the carer at home 17 now: feed is due there and the pump has not delivered for 6 min, \
last seen 02:02.
It was over and is back. Night nurse 2 had it.
Told 7 min late: Second Bell could not see or send in between.
Pump: pump-0042, at this place since 2026-03-12 02:14. Unit north, demo.
How often: the 2nd time; it began at 02:08. You were told of it twice before.
Why it matters: The trouble behind it goes on.

The pump, last seen 02:02:
- alarms: none
- doing: held by a person; feed due: yes
- power: mains unknown, battery unknown
- delivered: 412 mL; set rate: unknown
- target: unknown; left to give: unknown
- messages since then that could not be read: 3
- its clock is doubtful: its times may be wrong

The carer may be asleep: say who is calling, then ask for this, in this order:
1. Look at the person first.
2. Follow the line.

To take it: answer with code K7QX2M (secondbell accept K7QX2M --as YOUR-ID).
You cannot see to it: secondbell decline K7QX2M --as YOUR-ID, so that nobody waits for you.
Accepting tells all who were told that you have it. It does not silence the pump. Nobody reads a reply to this mail.
Next: if nobody accepts by 02:24, all who were told are told again.
"""

STAND_DOWN = """\
OVER: MEDIUM PRIORITY, bay 3 bed 12, alarm without sound. Nobody is needed for it any more.
Why, and the pump now: the line is clear; feeding since 02:13.
Pump: pump-0042. Unit north, demo.
How often: the 1st time; it began at 02:08.

The pump, now:
- alarms: none
- doing: feeding; feed due: yes
- power: on mains, battery 61 %, not low
- delivered: 412 mL; set rate: 85 mL/h
- target: 1000 mL; left to give: 588 mL
"""

SIGHT_LOST = """\
HIGH PRIORITY: please go round the pumps of unit north now: Second Bell has not been able to see them for 6 min.
This is the first notice of it.
Unit north, demo.
How often: the 1st time; it began at 02:08.
Why it matters: The trouble behind it goes on.

Its pumps, as last seen:
- bay 2 bed 3, last seen 02:09, muted downstream occlusion
- bay 3 bed 12, last seen 02:10, feeding

Look at, in this order:
1. Look at the person first.
2. Follow the line.

To take it: answer with code K7QX2M (secondbell accept K7QX2M --as YOUR-ID).
You cannot see to it: secondbell decline K7QX2M --as YOUR-ID, so that nobody waits for you.
Accepting tells all who were told that you have it. It does not silence the pump. Nobody reads a reply to this mail.
Next: nobody else is told.
"""


def sight_lost() -> Facts:
    """A whole unit out of sight."""
    return facts(
        rule="sight-lost", place=None, pager_place=None, device="", priority="high", alarms=(), next_at=None,
        places=("bay 2 bed 3, last seen 02:09, muted downstream occlusion", "bay 3 bed 12, last seen 02:10, feeding"),
    )  # fmt: skip


def over() -> Facts:
    """The muted occlusion, mended."""
    return facts(
        why="stand-down", settled="the line is clear; feeding since 02:13.", alarms=(), activity="feeding"
    )


@pytest.mark.parametrize(
    ("fact", "subject", "body"),
    [
        (facts(), "MEDIUM PRIORITY, bay 3 bed 12: alarm without sound (pump-0042)", RAISED),
        (at_home(), "HIGH PRIORITY, home 17: feed due, not delivering (pump-0042)", AT_HOME),
        (over(), "OVER: MEDIUM PRIORITY, bay 3 bed 12: alarm without sound (pump-0042)", STAND_DOWN),
        (sight_lost(), "HIGH PRIORITY, unit north: pumps out of sight", SIGHT_LOST),
    ],
)
def test_whole_mails(fact: Facts, subject: str, body: str) -> None:
    """A whole mail, word for word, ends with the caution."""
    assert notices.mail([fact], ZONE) == (subject, f"{body}\n{guidance.CAUTION}\n")


@pytest.mark.parametrize(
    ("fact", "text"),
    [
        (
            facts(),
            "MEDIUM B3/12: alarm without sound 6 min. Person first. Else 02:24 night nurse 2. Code K7QX2M",
        ),
        (
            at_home(),
            "HIGH H17: not delivering 6 min, last seen 02:02. Back again. 2nd time. Told 7 min late. "
            "Phone; person first. Else 02:24 all again. Code K7QX2M",
        ),
        (over(), "OVER MEDIUM B3/12: alarm without sound. Now feeding."),
        (sight_lost(), "HIGH unit north: all pumps out of sight 6 min. Person first. Code K7QX2M"),
        (
            facts(why="taken", holder="night nurse 2", recheck_at=NOW + 20 * MINUTE),
            "TAKEN MEDIUM B3/12: alarm without sound. Night nurse 2 has it. Recheck 02:34. Take over K7QX2M",
        ),
        (
            facts(drill=True, place=None, pager_place=None, next_at=None),
            "DRILL MEDIUM pump-0042, no place: nobody in trouble, accept to prove it came. Code K7QX2M",
        ),
    ],
)
def test_whole_pages(fact: Facts, text: str) -> None:
    """A whole page, word for word."""
    assert notices.page([fact], ZONE) == text


def test_gathered_concerns_go_by_urgency() -> None:
    """Of several concerns the most urgent comes first and what is over last, each with its own code on a page."""
    several = [
        over(),
        facts(),
        facts(rule="out-of-sight", priority="high", pager_place="B1/2", code="R4TN8P"),
    ]
    text = notices.mail(several, ZONE)
    assert text.subject == "HIGH PRIORITY, bay 3 bed 12: pump out of sight (pump-0042) (+2 more)"
    assert text.body.startswith("3 concerns in this mail, the most urgent first.")
    found = re.findall(r"(?m)^(HIGH|MEDIUM|OVER)\b", text.body)
    assert found == ["HIGH", "MEDIUM", "OVER"]
    assert text.body.count(guidance.CAUTION) == 1
    assert notices.page(several, ZONE) == (
        "3 in all: HIGH B1/2: out of sight 6 min R4TN8P; MEDIUM B3/12: alarm without sound 6 min K7QX2M; "
        "OVER MEDIUM B3/12: alarm without sound"
    )


def test_gathered_ones_that_somebody_has_say_who() -> None:
    """Three that one nurse has: the page says whose they are once, before all; with two holders it names neither."""
    taken = [
        facts(why="taken", holder="night nurse 2", code=f"CODE{n}", pager_place=f"B{n}") for n in range(3)
    ]
    assert notices.page(taken, ZONE) == (
        "Night nurse 2 has all 3: TAKEN MEDIUM B0: alarm without sound CODE0; TAKEN MEDIUM B1: alarm without sound "
        "CODE1; TAKEN MEDIUM B2: alarm without sound CODE2"
    )
    other = dataclasses.replace(taken[0], holder="charge nurse")
    for mixed in ([*taken[1:], other], [*taken[1:], facts()], [*taken[1:], over()]):
        assert "has all" not in notices.page(mixed, ZONE)


def test_of_many_a_page_says_the_worst_and_how_many() -> None:
    """A page cannot hold seven concerns: it holds the most urgent with their codes, and the number."""
    many = [facts(code=f"CODE{n}", priority="high" if n == 5 else "medium") for n in range(7)]
    text = notices.page(many, ZONE)
    assert text.startswith("7 in all: HIGH ")
    assert re.findall(r"CODE\d", text) == ["CODE5", "CODE0", "CODE1"]


def test_gathered_old_news_says_so_before_it_is_cut() -> None:
    """On a crowded page the age of the values stands before the words that there may be no room for."""
    old = facts(rule="repeated-occlusion", last_seen=NOW - 5 * MINUTE)
    assert notices.page([old, old, old], ZONE).count("MEDIUM B3/12: last seen 02:09, line b") == 3


def test_drills_begin_with_drill_and_stay_apart() -> None:
    """A drill says so first, everywhere, and is never gathered with a real notice."""
    drill = facts(drill=True)
    text = notices.mail([drill], ZONE)
    for part in (*text, notices.page([drill], ZONE), notices.page([drill, drill], ZONE)):
        assert part.startswith("DRILL")
    with pytest.raises(ValueError, match="drills"):
        notices.mail([drill, facts()], ZONE)


def test_nothing_to_say_is_an_error() -> None:
    """A notice about no concern is a mistake of the caller."""
    with pytest.raises(ValueError, match="one concern"):
        notices.page([], ZONE)


@pytest.mark.parametrize("field", ["why", "priority", "setting"])
def test_unknown_words_are_refused(field: str) -> None:
    """A reason, priority or setting that is none is found when the facts are made, not on a pager."""
    with pytest.raises(ValueError, match="no such"):
        facts(**{field: "urgent"})


def test_every_reason_has_its_own_text() -> None:
    """No two reasons for telling read the same, in mail or on a page."""
    told = [
        facts(why=why, holder="day nurse 1", settled="it is clear", recheck_at=NOW) for why in wording.WHY
    ]
    assert len({notices.mail([fact], ZONE) for fact in told}) == len(told)
    assert len({notices.page([fact], ZONE) for fact in told}) == len(told)


@pytest.mark.parametrize("why", wording.WHY)
def test_a_thread_keeps_its_subject(why: str) -> None:
    """Through a thread only a word before the subject changes."""
    subject = notices.mail([facts(why=why)], ZONE).subject
    first = notices.mail([facts()], ZONE).subject
    assert subject.removeprefix(f"{wording.WHY[why].label}: ") == first


@pytest.mark.parametrize("why", wording.WHY)
def test_who_has_it_is_told(why: str) -> None:
    """Where a reason is about a holder the duty label is in it, and without one the sentence still stands."""
    whole = notices.mail([facts(why=why, holder="day nurse 1")], ZONE).body
    told = wording.WHY[why].mail
    assert ("day nurse 1" in whole.lower()) == ("{" in told.replace("{span}", ""))
    without = notices.mail([facts(why=why)], ZONE).body
    assert "{" not in without
    assert "None" not in without


@pytest.mark.parametrize("why", [why for why, told in wording.WHY.items() if told.kind == "over"])
def test_what_is_over_asks_for_no_answer(why: str) -> None:
    """Nothing that is over carries a code or checks."""
    fact = facts(why=why, settled="it is clear")
    for text in (notices.mail([fact], ZONE).body, notices.page([fact], ZONE)):
        assert "K7QX2M" not in text
        assert "in this order" not in text


def test_taken_and_yours_say_what_can_be_done() -> None:
    """Somebody else may take over; who has it may hand back; both hear of the recheck."""
    taken = notices.mail([facts(why="taken", holder="night nurse 2", recheck_at=NOW + HOUR)], ZONE).body
    assert "secondbell take-over K7QX2M" in taken
    assert "at 03:14 Second Bell looks again" in taken
    yours = notices.mail([facts(why="further", recheck_at=NOW + HOUR)], ZONE).body
    assert "secondbell hand-back K7QX2M" in yours
    assert "secondbell accept" not in yours


def test_glucose_risk_in_a_mail_but_never_on_the_air() -> None:
    """A dangerous stop is said in the mail's body, and in neither its subject nor the page."""
    fact = facts(rule="stopped-at-glucose-risk", glucose_risk=True)
    text = notices.mail([fact], ZONE)
    assert "a stop is dangerous for this person" in text.body
    assert "danger" not in text.subject
    assert notices.page([fact], ZONE).startswith("MEDIUM B3/12: not delivering 6 min.")


def test_a_rule_without_words_is_told_by_its_sentence() -> None:
    """A site's own rule needs no row in the tables; on a page it says no more than that somebody is needed."""
    fact = facts(rule="glucose-diary", sentence="The diary has not been written.")
    assert "soon: The diary has not been written." in notices.mail([fact], ZONE).body
    assert notices.page([fact], ZONE).startswith("MEDIUM B3/12: needs somebody.")


def test_a_pump_never_seen_has_no_values() -> None:
    """Where nothing was ever heard no value is shown, not even a zero."""
    body = notices.mail([facts(last_seen=0, rule="out-of-sight")], ZONE).body
    assert "The pump has not been seen yet." in body
    assert "delivered" not in body


@pytest.mark.parametrize(("age", "seen"), [(MINUTE, "now"), (MINUTE + 1, "last seen 02:12")])
def test_old_values_are_told_as_last_seen(age: int, seen: str) -> None:
    """Values of exactly one reporting interval ago are of now, older ones are last seen."""
    fact = facts(last_seen=NOW - age)
    assert f"The pump, {seen}:" in notices.mail([fact], ZONE).body
    assert ("last seen 02:12" in notices.page([fact], ZONE)) == (seen != "now")


def test_technical_notices() -> None:
    """The technical contact gets what is wrong, its details and when, as a mail and as a page."""
    mail = notices.technical_mail("mail cannot be sent\r\nBcc: x", ["relay: no answer", "3 wait"], NOW, ZONE)
    assert mail.subject == "Second Bell, technical: mail cannot be sent Bcc: x"
    assert mail.body == (
        "Second Bell, 02:14: mail cannot be sent Bcc: x.\n\nrelay: no answer\n3 wait\n\n"
        f"{guidance.CAUTION_SHORT}\n"
    )
    page = notices.technical_page("mail cannot be sent", ["relay: no answer"], NOW, ZONE)
    assert page == "Second Bell technical 02:14: mail cannot be sent; relay: no answer"


def test_no_field_is_for_a_person() -> None:
    """There is nowhere to put a person's name."""
    assert not [
        field.name for field in dataclasses.fields(Facts) if re.search("name|person|patient", field.name)
    ]
