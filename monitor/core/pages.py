"""What a page says: the essentials first, 160 GSM 7-bit characters, the code whole at its end.

Nothing on a page says more of a person than that a pump needs somebody. Texts from outside go through `fit`.
"""

from collections.abc import Sequence
from typing import Final

from monitor.core.drill_words import drill_head
from monitor.core.fact_words import by_urgency, filled, how_seen, pager_place
from monitor.core.facts import Facts
from monitor.core.gsm7 import SINGLE, fit, septets
from monitor.core.phrases import capital, clock, for_how_long, ordinal
from monitor.core.plans import Zone
from monitor.core.wording import WHAT

ON_A_PAGE: Final = 3
"""Concerns that one page has room for, each with its code; gather no more into one page."""


def page(facts: Sequence[Facts], zone: Zone) -> str:
    """The page about one concern, or several gathered: at most 160 septets, ending in the code, whole.

    Gathered ones have each its own code behind it. Of more than `ON_A_PAGE` the most urgent are said, and how many
    there are in all; of what somebody else has, who that is, where it is one. In ASCII, since not every pager has the
    rest of the alphabet. ValueError as `mail`.
    """
    ordered = by_urgency(facts)
    drill = "DRILL " if ordered[0].drill else ""
    if len(ordered) > 1:
        count = min(len(ordered), 999)
        start = f"{drill}{count} in all: "
        holders = {fact.holder if fact.told_as.kind == "told" else None for fact in ordered}
        if len(holders) == 1 and (holder := fit(holders.pop() or "", 24, ascii_only=True)):
            start = f"{drill}{capital(holder)} has all {count}: "
        shown = ordered[:ON_A_PAGE]
        room = (SINGLE - septets(start)) // len(shown) - len("; ")
        return start + "; ".join(_item(fact, zone, room) for fact in shown)
    fact = ordered[0]
    tail = _tail(fact)
    text = fit(drill + _head(fact, zone), SINGLE - septets(tail), ascii_only=True)
    for extra in _extras(fact, zone):
        longer = f"{text} {fit(extra, ascii_only=True)}" if extra else text
        if septets(longer) + septets(tail) <= SINGLE:
            text = longer
    return text + tail  # without a link: whoever hears it on the air could answer with it


def _head(fact: Facts, zone: Zone, *, seen_first: bool = False) -> str:
    """What a page says first: priority, place, what, for how long, and how old the news is if it is old."""
    words = WHAT.get(fact.rule)
    what = words.page.format(d=for_how_long(fact.lasted)) if words else "needs somebody"
    if fact.told_as.kind in ("told", "over") and words:
        what = words.short
    if fact.drill:
        what = drill_head(fact)
    elif fact.stale and not fact.unit_wide and fact.told_as.kind != "over":
        seen = how_seen(fact, zone)
        what = f"{seen}, {what}" if seen_first else f"{what}, {seen}"
    label = f"{fact.told_as.label} " if fact.told_as.label else ""
    return f"{label}{fact.priority.upper()} {pager_place(fact)}: {what}."


def _extras(fact: Facts, zone: Zone) -> list[str]:
    """What a page says next as far as there is room, the most useful first."""
    kind = fact.told_as.kind
    found = [filled(fact.told_as.page, fact, zone, 24)]
    if kind == "over" and not fact.unit_wide and not fact.drill:
        doing = f" {fit(fact.activity, 12, ascii_only=True)}" if fact.last_seen > 0 else ""
        found.append(f"{capital(how_seen(fact, zone))}{doing}.")
    if kind == "call":
        if fact.times > 1:
            found.append(f"{ordinal(fact.times)} time.")
        if fact.late_by:
            found.append(f"Told {for_how_long(fact.late_by)} late.")
        words = WHAT.get(fact.rule)
        if not fact.drill and not (words and words.errand):
            found.append("Phone; person first." if fact.setting == "home" else "Person first.")
        found.append(else_told(fact, zone))
    if kind in ("told", "yours") and fact.recheck_at is not None:
        found.append(f"Recheck {clock(fact.recheck_at, fact.now, zone)}.")
    return found


def else_told(fact: Facts, zone: Zone) -> str:
    """Who is told next, and when, if nobody accepts; "" if nobody is."""
    if fact.next_at is None:
        return ""
    who = fit(fact.next_who, 24, ascii_only=True) if fact.next_who else "all again"
    return f"Else {clock(fact.next_at, fact.now, zone)} {who}."


def _tail(fact: Facts) -> str:
    """The end of a page: the code, where there is something to answer."""
    if fact.told_as.kind == "over":
        return ""
    return f" {'Take over' if fact.told_as.kind == 'told' else 'Code'} {fit(fact.code, 20, ascii_only=True)}"


def _item(fact: Facts, zone: Zone, room: int) -> str:
    """One concern among several on a page: as much of its head as there is room for, and its code whole."""
    code = "" if fact.told_as.kind == "over" else f" {fit(fact.code, 20, ascii_only=True)}"
    return fit(_head(fact, zone, seen_first=True).rstrip("."), room - septets(code), ascii_only=True) + code
