"""Phrases of notices that mails and pages share: what and where it is, how old the news is, who has or had it.

Pure functions; texts from outside go through `one_line` (mail) or `fit` (page).
"""

from collections.abc import Sequence
from typing import Final

from monitor.core.facts import Facts
from monitor.core.gsm7 import fit
from monitor.core.phrases import capital, clock, one_line
from monitor.core.plans import Zone
from monitor.core.wording import CONDITIONS, WHAT

_RANK: Final = {"high": 0, "medium": 1, "low": 2}
_KIND_RANK: Final = {"call": 0, "yours": 0, "told": 1, "over": 2}


def by_urgency(facts: Sequence[Facts]) -> list[Facts]:
    """The most urgent first, what is over last; ValueError for no facts, or for drills among real ones."""
    if not facts or len({fact.drill for fact in facts}) > 1:
        raise ValueError(
            "a notice is about one concern or more, and drills are never gathered with real ones"
        )
    return sorted(facts, key=lambda fact: (_KIND_RANK[fact.told_as.kind], _RANK[fact.priority]))


def what_of(rule: str) -> str:
    """What a rule has found, in a few words; for one without words of its own its id."""
    return WHAT[rule].short if rule in WHAT else one_line(rule, 40).replace("-", " ")


def condition_of(condition: str) -> str:
    """An alarm condition in plain words."""
    return CONDITIONS.get(condition) or one_line(condition, 40).replace("-", " ")


def errand(fact: Facts) -> str:
    """Where somebody must go, or whom she must phone."""
    place = place_of(fact)
    if (words := WHAT.get(fact.rule)) is not None and words.errand:
        return words.errand.format(place=place)
    if fact.unit_wide:
        return f"{'phone the homes' if fact.setting == 'home' else 'go round the pumps'} of {place}"
    return f"{'phone the carer at' if fact.setting == 'home' else 'go to'} {place}"


def place_of(fact: Facts, longest: int = 60) -> str:
    """The place as a nurse knows it, else the pump, and that no place is recorded."""
    place = one_line(fact.place or "", longest)
    if place:
        return place
    if fact.unit_wide:
        return f"unit {one_line(fact.unit, longest - len('unit '))}"
    return f"{one_line(fact.device, longest - len(' (place not recorded)'))} (place not recorded)"


def pager_place(fact: Facts) -> str:
    """The place for the air; without one the pump, and whether its place is recorded at all."""
    place = fit(fact.pager_place or "", 30, ascii_only=True)
    if any(character.isalnum() for character in place):
        return place
    if fact.unit_wide:
        return fit(f"unit {fact.unit}", 30, ascii_only=True)
    return fit(fact.device, 22, ascii_only=True) + ("" if fact.place else ", no place")


def filled(text: str, fact: Facts, zone: Zone, longest: int = 60) -> str:
    """A sentence of `WHY` with the duty label of who has or had it, and from when to when it was so."""
    holder = one_line(fact.holder or "", longest)
    was = f"It was with {holder} before. " if holder else ""
    had = f" {capital(holder)} had it." if holder else ""
    return text.format(Holder=capital(holder or "somebody"), was=was, had=had, span=_span(fact, zone))


def _span(fact: Facts, zone: Zone) -> str:
    """From when to when it was so."""
    ended = fact.now if fact.ended is None else fact.ended
    return f"{clock(fact.begun, fact.now, zone)}-{clock(ended, fact.now, zone)}"


def how_seen(fact: Facts, zone: Zone) -> str:
    """How old the values are: "now", or "last seen 02:14"."""
    if fact.last_seen <= 0:
        return "never seen"
    return f"last seen {clock(fact.last_seen, fact.now, zone)}" if fact.stale else "now"
