"""The page on a phone: what it says and offers to whom, in every state, in the words of the notices."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.guidance import CAUTION
from monitor.core.holds import Hold
from monitor.core.instants import HOUR, MINUTE
from monitor.core.notices import mail
from monitor.core.phone_page import MOST_LISTED, Sheet, group_sheet, most_urgent, sheet, standing
from tests.core.sample_facts import NOW, ZONE, facts


def concern(
    state: State = State.OPEN, holder: str | None = None, *, rank: int = 2, subject: str = "pump-0042"
) -> Concern:
    """A concern about a muted occlusion."""
    made = Concern(
        id="q2zr", subject=subject, unit="north", rule="muted-too-long", about="alarms", rank=rank, at=NOW
    )
    made.state, made.holder = state, holder
    if state is State.SETTLED:
        made.settled_at = NOW - MINUTE
    return made


def shown(about: Concern, *, limit: int = 2 * HOUR, others: tuple[str, ...] = (), **said: Any) -> Sheet:
    """The page as nurse 1 sees it."""
    return sheet(facts(**said), about, "nurse-1", ZONE, hold_limit=limit, others=others)


OPEN = concern()
MINE = concern(State.ACCEPTED, "nurse-1")
THEIRS = concern(State.ACCEPTED, "nurse-2")
OVER = concern(State.SETTLED)


@pytest.mark.parametrize(
    ("about", "said", "offered", "who"),
    [
        (OPEN, {}, ["accept", "decline", "hold", "feed-ended"], "Nobody has it yet."),
        (
            OPEN,
            {"holder": "night nurse 2"},
            ["accept", "decline", "hold", "feed-ended"],
            "Nobody has it now. Night nurse 2 had it.",
        ),
        (
            MINE,
            {"why": "further", "holder": "night nurse 1"},
            ["hand-back", "hold", "feed-ended"],
            "You have it.",
        ),
        (
            THEIRS,
            {"why": "taken", "holder": "night nurse 2"},
            ["take-over", "hold", "feed-ended"],
            "Night nurse 2 has it. Nothing is asked of you now.",
        ),
        (
            OVER,
            {"why": "stand-down", "settled": "it feeds again, no alarm."},
            [],
            "It ended at 02:13: it feeds again, no alarm. Nobody is needed for it any more.",
        ),
    ],
)
def test_what_is_offered_in_each_state(
    about: Concern, said: dict[str, Any], offered: list[str], who: str
) -> None:
    """Only answers that make sense are offered, and the page says who has it."""
    page = shown(about, **said)
    assert [choice.answer for choice in page.choices] == offered
    assert page.who == who


def test_it_says_what_the_mail_says() -> None:
    """Place, checks, values, who is next and the caution are the mail's own, word for word."""
    fact = facts()
    page = shown(OPEN)
    text = " ".join(mail([fact], ZONE).body.split())
    assert page.caution == CAUTION
    for part in (page.place, page.next, page.what[1:], page.lead, *page.checks, *page.pump, *page.lines):
        assert part.rstrip(".") in text, part


def test_it_says_how_urgent_in_words() -> None:
    """The colour of a priority never stands alone (IEC 60601-1-8; WCAG 2.2, 1.4.1)."""
    assert shown(OPEN, priority="high").urgency == "High priority: go now"
    assert shown(OPEN, priority="low").urgency == "Low priority: go when you can"
    assert shown(OPEN, setting="home", priority="medium").urgency == "Medium priority: phone soon"
    assert shown(THEIRS, why="taken", holder="night nurse 2").urgency == "Medium priority"
    assert shown(OVER, why="stand-down", settled="it is over").urgency == "Over"


def test_a_hold_is_offered_within_its_limit() -> None:
    """At most half an hour where a stop is dangerous, none where nothing can be held."""
    minutes = {
        limit: next((c.minutes for c in shown(OPEN, limit=limit).choices if c.answer == "hold"), None)
        for limit in (2 * HOUR, 30 * MINUTE, 0)
    }
    assert minutes == {2 * HOUR: (15, 30, 60, 120), 30 * MINUTE: (15, 30), 0: None}


def test_being_away_is_offered_where_a_pump_cannot_be_heard() -> None:
    """At most an hour, with reasons of its own; nowhere else, and not of a drill."""
    page = sheet(facts(), OPEN, "nurse-1", ZONE, hold_limit=2 * HOUR, away_limit=HOUR)
    [away] = [choice for choice in page.choices if choice.answer == "away"]
    assert (away.minutes, away.feed) == ((15, 30, 60), True)
    assert "on the way" in away.reasons
    assert all(choice.answer != "away" for choice in shown(OPEN).choices)
    drill = sheet(facts(drill=True), OPEN, "nurse-1", ZONE, hold_limit=2 * HOUR, away_limit=HOUR)
    assert [choice.answer for choice in drill.choices] == ["accept", "decline"]


@pytest.mark.parametrize(
    ("kind", "until", "said"),
    [
        ("hold", NOW + 30 * MINUTE, "The feed is held on purpose until 02:44."),
        ("feed-ended", NOW + HOUR, "Somebody has said that the feed is over until 03:14."),
        ("away", NOW + HOUR, "Somebody has said that the pump is away until 03:14."),
        ("withdrawn", None, "The pump was said to be out of service."),
    ],
)
def test_what_is_so_on_purpose_is_said(kind: str, until: int | None, said: str) -> None:
    """A hold and its end stand above the buttons."""
    hold = Hold("pump-0042", kind, "nurse-2", NOW, until, True)
    assert sheet(facts(), OPEN, "nurse-1", ZONE, hold_limit=HOUR, held=[hold]).held == (said,)


def test_a_whole_unit_has_places_and_no_feed_to_hold() -> None:
    """A concern about a unit lists its pumps, and offers nothing about a feed."""
    page = shown(OPEN, rule="sight-lost", device="", place=None, places=("bay 1 bed 1: last seen 02:00",))
    assert "bay 1 bed 1: last seen 02:00" in page.pump
    assert [choice.answer for choice in page.choices] == ["accept", "decline"]


def test_what_comes_from_outside_is_one_line() -> None:
    """A place or reason with line breaks and hidden signs in it stays one line of what can be seen."""
    page = shown(OPEN, place="bay\n1\u202e bed\x07 2", others=("a\nb",))
    assert page.place == "bay 1 bed 2"
    assert page.others == ("a b",)
    assert all(text.isprintable() for text in (page.what, page.who, page.next, *page.pump, *page.lines))


def test_nobody_is_told_to_restart() -> None:
    """No page tells anybody to restart or to feed, in any state."""
    for about, why in ((OPEN, "raised"), (MINE, "further"), (THEIRS, "taken"), (OVER, "stand-down")):
        page = shown(about, why=why, settled="it is over")
        said = " ".join([*page.checks, *(f"{c.label} {c.does}" for c in page.choices)]).lower()
        assert "restart" not in said
        assert "start the feed" not in said


# ---- groups --------------------------------------------------------------------------------------------------


def group(*states: tuple[State, str | None, int], rules: tuple[str, ...] = ("muted-too-long",)) -> Sheet:
    """The page of a group whose members are so; their rules in turn."""
    found = []
    for n, (state, holder, rank) in enumerate(states):
        found.append(concern(state, holder, rank=rank, subject=f"pump-{n:04}"))
        found[-1].rule = rules[n % len(rules)]
    ordered = most_urgent(found)
    why = {"open": "raised", "yours": "further", "theirs": "taken", "over": "stand-down"}
    first = facts(why=why[standing(ordered[0], "nurse-1")], rule=ordered[0].rule, settled="it is over")
    return group_sheet(
        first,
        ordered,
        "nurse-1",
        ZONE,
        lambda each: (f"bed {each.subject[-2:]} ({each.subject})", "night nurse 2"),
    )


def test_a_group_is_one_page_with_one_answer() -> None:
    """It counts, lists each with who has it, and offers one answer for those that nobody has."""
    page = group(
        (State.OPEN, None, 2), (State.ACCEPTED, "nurse-2", 3), (State.OPEN, None, 3), (State.SETTLED, None, 3)
    )
    assert page.priority == "high"
    assert page.place == "4 at once, unit north"
    assert page.who == "2 with nobody yet, 1 with somebody else, 1 over."
    assert (page.choices[0].label, page.choices[0].does.split(" and")[0]) == (
        "I take all 2",
        "One answer is for all 2 that nobody has,",
    )
    assert page.next == "Next: if nobody accepts by 02:24, night nurse 2 is told."
    assert [choice.answer for choice in page.choices] == ["accept", "decline"]
    assert [member.text for member in page.members] == [
        "bed 02 (pump-0002)",
        "bed 00 (pump-0000)",
        "bed 01 (pump-0001): night nurse 2 has it",
        "bed 03 (pump-0003): over",
    ]


@pytest.mark.parametrize(
    ("states", "offered", "urgency"),
    [
        (
            [(State.ACCEPTED, "nurse-1", 2), (State.SETTLED, None, 3)],
            ["hand-back"],
            "Medium priority: go soon",
        ),
        ([(State.ACCEPTED, "nurse-2", 2)], [], "Medium priority"),
        ([(State.SETTLED, None, 3)], [], "Over"),
    ],
)
def test_a_group_that_somebody_has(
    states: list[tuple[State, str | None, int]], offered: list[str], urgency: str
) -> None:
    """What is over does not count for how urgent it is, and what somebody else has is taken over one by one."""
    page = group(*states)
    assert ([choice.answer for choice in page.choices], page.urgency) == (offered, urgency)


def test_different_troubles_are_told_apart() -> None:
    """Of a notice about several things each says what it is; of checks there are only those that come first in all."""
    page = group(*[(State.OPEN, None, 2)] * 2, rules=("muted-too-long", "low-power-unplugged"))
    assert page.place == "2 concerns"
    assert [member.text for member in page.members] == [
        "bed 00 (pump-0000), alarm without sound",
        "bed 01 (pump-0001), battery nearly flat, not on mains",
    ]
    assert page.checks == ("Look at the person first.", "Follow the line.")


def test_a_large_group_is_listed_whole() -> None:
    """Two hundred pumps are two hundred lines; beyond five hundred the rest is counted."""
    page = group(*[(State.OPEN, None, 2)] * 200)
    assert (len(page.members), page.who) == (200, "200 with nobody yet.")
    page = group(*[(State.OPEN, None, 2)] * (MOST_LISTED + 7))
    assert (len(page.members), page.members[-1].text) == (MOST_LISTED + 1, "and 7 more")
