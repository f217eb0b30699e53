"""What the page on a phone says of one concern or a group, and which answers it offers: from the facts of notices.

Pure functions. Whoever edits this file keeps the page readable in one look at 3 a.m.: how urgent, where, what, who has
it, what to press; the words of notices, not others. No person's name; nobody is told to feed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final, NamedTuple

from monitor.core import notices
from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.drill_words import ASKED
from monitor.core.fact_words import what_of
from monitor.core.facts import Facts
from monitor.core.guidance import CAUTION
from monitor.core.holds import LIMITS, Hold
from monitor.core.instants import MINUTE
from monitor.core.phrases import capital, clock, for_how_long, one_line, ordinal
from monitor.core.plans import Zone
from monitor.core.wording import WHAT

HELD: Final[Mapping[str, str]] = {
    "hold": "The feed is held on purpose{until}.",
    "feed-ended": "Somebody has said that the feed is over{until}.",
    "away": "Somebody has said that the pump is away{until}.",
    "withdrawn": "The pump was said to be out of service.",
}
HOLDS: Final = (15, 30, 60, 120)  # min that a hold is offered for, within its limit
REASONS: Final = (
    "washing or care",
    "test or treatment",
    "medicine through the tube",
    "the person asked for it",
)
"""Why a feed is held, to choose from; common practice, no source."""
ELSEWHERE: Final = (
    "test or treatment elsewhere",
    "on the way",
    "out of the house",
    "out of the radio's reach",
)
"""Why a pump is away; the same."""
MOST_LISTED: Final = 500  # members of a group that a page lists; the rest is counted

PRIORITY: Final[Mapping[str, str]] = {
    "high": "High priority",
    "medium": "Medium priority",
    "low": "Low priority",
}
WHEN: Final[Mapping[str, str]] = {"high": "now", "medium": "soon", "low": "when you can"}
"""IEC 60601-1-8, as in the mails: immediate, prompt, aware."""


class Choice(NamedTuple):
    """An answer that the page offers: its word, its button, what it does; how long (min) a hold may be."""

    answer: str
    label: str
    does: str
    minutes: tuple[int, ...] = ()
    reasons: tuple[str, ...] = ()  # to choose from, where there are minutes

    @property
    def feed(self) -> bool:
        """Whether it is about feed or pump, not about who has it."""
        return self.answer in LIMITS

    @property
    def sure(self) -> str:
        """The button that is pressed when one more look was asked for."""
        return f"Yes, {self.label if self.label.startswith('I ') else self.label[0].lower() + self.label[1:]}"


ACCEPT: Final = Choice("accept", "I take it", "Everyone who was told hears that you have it.")
DECLINE: Final = Choice("decline", "I cannot", "So that nobody waits for you: the next are told sooner.")
HAND_BACK: Final = Choice(
    "hand-back", "Hand it back", "It is open again, and the next person is told at once."
)
TAKE_OVER: Final = Choice("take-over", "Take it over", "You have it from then on, and both of you are told.")
ALL: Final = "One answer is for all {count} that nobody has, and for nothing else."
LEAVE: Final = "What you cannot get to in time, leave for others: open it below and take one."
HOLD: Final = Choice(
    "hold",
    "Hold the feed",
    "The feed is paused on purpose until then. Other alarms of this pump still call.",
    reasons=REASONS,
)
AWAY: Final = Choice(
    "away",
    "The pump is away",
    "Nobody is called until then because it cannot be heard. Go by the pump's own alarm.",
    reasons=ELSEWHERE,
)
FEED_ENDED: Final = Choice(
    "feed-ended",
    "The feed is over",
    "No feed is wanted for now. If the pump feeds again, it is watched again.",
)


class Member(NamedTuple):
    """One concern of a group: what is said of it, and what opens it alone ("": nothing)."""

    text: str
    reference: str = ""


class Sheet(NamedTuple):
    """The page: its pieces in order, each a line or lines of plain text."""

    priority: str  # high, medium, low
    urgency: str
    place: str
    what: str
    standing: str  # "open", "yours", "theirs", "over"
    who: str
    next: str
    held: tuple[str, ...]  # what of the pump is so on purpose, and until when
    lines: tuple[str, ...]
    pump: tuple[str, ...]  # the first is its heading
    lead: str
    checks: tuple[str, ...]
    members: tuple[Member, ...]
    others: tuple[str, ...]  # other open concerns of the same pump
    choices: tuple[Choice, ...]
    caution: str
    at: str
    drill: bool


def standing(concern: Concern, person: str) -> str:
    """Where a concern stands for this person."""
    if not concern.live:
        return "over"
    if concern.state is State.OPEN:
        return "open"
    return "yours" if concern.holder == person else "theirs"


def sheet(
    fact: Facts,
    concern: Concern,
    person: str,
    zone: Zone,
    *,
    hold_limit: int,
    away_limit: int = 0,
    others: Sequence[str] = (),
    held: Sequence[Hold] = (),
) -> Sheet:
    """The page of one concern; the limits in ms, 0 where that cannot be said; `held` of its pump."""
    stands = standing(concern, person)
    words = WHAT.get(fact.rule)
    if stands == "over":
        what = what_of(fact.rule)
    else:
        what = (
            words.clause.format(d=for_how_long(fact.lasted)) if words else one_line(fact.sentence).rstrip(".")
        )
    pump = notices.pump_places(fact) if fact.unit_wide else notices.pump_lines(fact, zone)
    over = stands == "over"
    made = Sheet(
        priority=fact.priority,
        urgency="Over" if over else _urgency(fact, fact.priority, stands),
        place=notices.place_of(fact),
        what=capital(what) + ".",
        standing=stands,
        who=_who(fact, concern, stands, zone),
        next=_next(fact, stands, zone),
        held=tuple(_held(hold, fact.now, zone) for hold in held),
        lines=_lines(fact, zone),
        pump=tuple(line.removeprefix("- ") for line in pump.split("\n")) if pump else (),
        lead="" if over else notices.lead(fact),
        checks=() if over else tuple(one_line(check) for check in fact.checks),
        members=(),
        others=tuple(one_line(other, 120) for other in others),
        choices=_choices(fact, stands, hold_limit, away_limit),
        caution=CAUTION,
        at=clock(fact.now, fact.now, zone),
        drill=fact.drill,
    )
    return _made_up(made) if fact.drill else made


def _made_up(made: Sheet) -> Sheet:
    """A drill's page: nothing of a pump that is not there, and no answer but whether it came."""
    answers = tuple(choice for choice in made.choices if not choice.feed)
    return made._replace(
        what="Nobody is in trouble." if made.standing == "over" else ASKED,
        lines=made.lines[:1], pump=(), lead="", checks=(), held=(), others=(), choices=answers,
    )  # fmt: skip


def most_urgent(concerns: Iterable[Concern]) -> list[Concern]:
    """Those that nobody has first, then those that somebody has, then what is over; within each by priority."""
    return sorted(
        concerns, key=lambda each: (not each.live, each.state is not State.OPEN, -each.rank, each.subject)
    )


def _held(hold: Hold, now: int, zone: Zone) -> str:
    """What is so on purpose, and until when."""
    return HELD[hold.kind].format(
        until="" if hold.until is None else f" until {clock(hold.until, now, zone)}"
    )


def group_sheet(
    first: Facts,
    concerns: Sequence[Concern],
    person: str,
    zone: Zone,
    names: Callable[[Concern], tuple[str, str]],
) -> Sheet:
    """The page of a group: one answer for all that it lists.

    `concerns` as `most_urgent` gives them, one or more; `first` are the facts of the first of them; `names` gives the
    place and pump of one, and the duty label of whoever has it.
    """
    stands = [standing(concern, person) for concern in concerns]
    live = [concern for concern in concerns if concern.live]
    overall = next((one for one in ("open", "yours", "theirs") if one in stands), "over")
    priority = max(live or concerns, key=lambda each: each.rank).priority
    alike = len({(concern.rule, concern.unit) for concern in concerns}) == 1
    rest, open_now = len(concerns) - MOST_LISTED, stands.count("open")
    members = [
        Member(_member(concern, one, names(concern), alike=alike), concern.id)
        for concern, one in zip(concerns[:MOST_LISTED], stands, strict=False)
    ]
    checks = (
        first.checks if alike else first.checks[:2]
    )  # of different troubles only what is first in all of them
    return Sheet(
        priority=priority,
        urgency=_urgency(first, priority, overall) if live else "Over",
        place=f"{len(concerns)} at once, unit {one_line(first.unit, 40)}"
        if alike
        else f"{len(concerns)} concerns",
        what=f"{capital(what_of(first.rule))}."
        if alike
        else "Open one of them to see what to look at there.",
        standing=overall,
        who=", ".join(f"{stands.count(one)} {said}" for one, said in _COUNTED if one in stands) + ".",
        next=notices.next_told(first, zone) if open_now else "",
        held=(),
        lines=(),
        pump=(),
        lead=notices.lead(first) if live else "",
        checks=tuple(one_line(check) for check in checks) if live else (),
        members=(*members, *([Member(f"and {rest} more")] if rest > 0 else [])),
        others=(),
        choices={"open": (_accept_all(open_now), DECLINE), "yours": (HAND_BACK,)}.get(overall, ()),
        caution=CAUTION,
        at=clock(first.now, first.now, zone),
        drill=first.drill,
    )


_COUNTED: Final = (
    ("open", "with nobody yet"),
    ("yours", "with you"),
    ("theirs", "with somebody else"),
    ("over", "over"),
)


def _accept_all(count: int) -> Choice:
    """The one answer for a group."""
    return ACCEPT._replace(label=f"I take all {count}", does=f"{ALL.format(count=count)} {LEAVE}")


def _member(concern: Concern, stands: str, names: tuple[str, str], *, alike: bool) -> str:
    """One of a group: its place and pump, what is wrong if they differ, and who has it if anybody does."""
    where, holder = names
    what = "" if alike else f", {what_of(concern.rule)}"
    who = {"open": "", "yours": ": you have it", "over": ": over"}.get(
        stands, f": {one_line(holder, 60)} has it"
    )
    return f"{one_line(where, 90)}{what}{who}"


def _urgency(fact: Facts, priority: str, stands: str) -> str:
    """How urgent, and what to do; of what somebody else has only how urgent it is."""
    if stands == "theirs":
        return PRIORITY[priority]
    return f"{PRIORITY[priority]}: {'phone' if fact.setting == 'home' else 'go'} {WHEN[priority]}"


def _who(fact: Facts, concern: Concern, stands: str, zone: Zone) -> str:
    """Who has it, in a sentence or two."""
    if stands == "over":
        ended = fact.now if concern.settled_at is None else concern.settled_at
        why = one_line(fact.settled or "it is over").rstrip(".")
        return f"It ended at {clock(ended, fact.now, zone)}: {why}. Nobody is needed for it any more."
    if stands == "yours":
        return "You have it."
    holder = capital(one_line(fact.holder or "", 60))
    if stands == "theirs":
        return f"{holder or 'Somebody'} has it. Nothing is asked of you now."
    return f"Nobody has it now. {holder} had it." if holder else "Nobody has it yet."


def _next(fact: Facts, stands: str, zone: Zone) -> str:
    """What happens next, and when."""
    if stands == "over":
        return "If it comes back, somebody is told again."
    if stands == "open":
        return notices.next_told(fact, zone)
    again = f"at {clock(fact.recheck_at, fact.now, zone)}" if fact.recheck_at is not None else "later"
    then = "you and the next are told" if stands == "yours" else "it is open again"
    return f"Next: {again} Second Bell looks again; if it is still so, {then}."


def _lines(fact: Facts, zone: Zone) -> tuple[str, ...]:
    """Pump and unit, how often, why the rule holds, when it happened, why it matters."""
    moved = f", at this place since {clock(fact.place_since, fact.now, zone)}" if fact.place_since else ""
    pump = f"Pump: {one_line(fact.device, 64)}{moved}. " if fact.device else ""
    began = clock(fact.begun, fact.now, zone)
    lines = [
        f"{pump}Unit {one_line(fact.unit, 64)}, {one_line(fact.site, 64)}.",
        f"How often: the {ordinal(fact.times)} time; it began at {began}.",
    ]
    if fact.reason:
        lines.append(one_line(fact.reason, 600))
    if fact.onsets:
        lines.append(notices.when_it_was(fact, zone))
    if fact.hazard:
        lines.append(f"Why it matters: {one_line(fact.hazard)}")
    return tuple(lines)


def _choices(fact: Facts, stands: str, hold_limit: int, away_limit: int) -> tuple[Choice, ...]:
    """The answers that make sense now, the likeliest first."""
    if stands == "over":
        return ()
    minutes = tuple(each for each in HOLDS if each * MINUTE <= hold_limit)
    feed = () if fact.unit_wide or not minutes else (HOLD._replace(minutes=minutes), FEED_ENDED)
    if away := tuple(each for each in HOLDS if each * MINUTE <= away_limit):
        feed = (AWAY._replace(minutes=away), *feed)
    if stands == "open":
        return (ACCEPT, DECLINE, *feed)
    return (HAND_BACK, *feed) if stands == "yours" else (TAKE_OVER, *feed)
