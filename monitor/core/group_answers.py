"""An answer to a group's code: given to each concern that the person's notices listed, and answered in one text.

Editing rules: what an answer does to a concern is decided by the table; here only to which of them it is given.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from monitor.core.briefing import named
from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.fact_words import what_of
from monitor.core.phrases import clock, one_line
from monitor.core.responsibility import Responsibility

AT_LENGTH = 3  # concerns that an answer names one by one


def answer_all(
    responsibility: Responsibility,
    listed: Iterable[str],
    answer: str,
    person: str,
    now: int,
    reason: str | None,
) -> tuple[bool, str]:
    """Whether an answer about responsibility did anything to what was listed, and what to say."""
    site = responsibility.site
    known = [found for key in listed if (found := responsibility.concerns.get(key)) is not None]
    if answer == "decline" and not any(concern.state is State.OPEN for concern in known):
        answer = "hand-back"  # as with one: who has them cannot see to them after all
    asked = [concern for concern in known if _applies(concern, answer, person)]
    for concern in asked:
        if _applies(concern, answer, person):  # an answer about a pump covers all that is open there
            responsibility.answer(concern, answer, person, now, reason)
    hers = [concern for concern in known if concern.state is State.ACCEPTED and concern.holder == person]
    said = []
    if answer in ("accept", "take-over") and hers:
        recheck = clock(min(concern.recheck_at or now for concern in hers), now, site.zone)
        already = "" if asked else "already "
        said.append(f"You {already}have {_those(responsibility, hers)}.")
        said.append(f"They are looked at again at {recheck}. The pumps' own alarms are not silenced by this.")
    elif answer == "decline" and asked:
        said.append(f"Declined: {_those(responsibility, asked)}. Unless somebody takes them, more are told.")
        if hers:
            said.append(f"You still have {_those(responsibility, hers)}: hand back what you cannot see to.")
    elif answer == "hand-back" and asked:
        said.append(f"Handed back: {_those(responsibility, asked)}; the next are told now.")
    else:
        said.append("Nothing was done." if known else "Nothing was done: they ended long ago.")
    others = Counter(
        site.called(concern.holder)
        for concern in known
        if concern.state is State.ACCEPTED and concern.holder != person
    )
    said += [f"{count} {_are(count)} with {one_line(str(holder), 40)}." for holder, count in others.items()]
    if over := sum(not concern.live for concern in known):
        said.append(f"{over} {'has' if over == 1 else 'have'} ended.")
    if answer == "accept" and others:
        said.append("To take those over, answer take-over.")
    return bool(asked or (hers and answer != "hand-back")), " ".join(said)


def _applies(concern: Concern, answer: str, person: str) -> bool:
    """Whether an answer to a whole group is meant for this one of it."""
    if answer == "take-over":
        return concern.live and concern.holder != person
    if answer == "hand-back":
        return concern.state is State.ACCEPTED and concern.holder == person
    return concern.state is State.OPEN


def _those(responsibility: Responsibility, concerns: list[Concern]) -> str:
    """Few by name, many by their number and kind."""
    if len(concerns) <= AT_LENGTH:
        return ", ".join(named(responsibility.site, concern) for concern in concerns)
    kinds = Counter((concern.unit, concern.rule) for concern in concerns)
    return ", ".join(
        f"{count} in unit {one_line(unit, 40)} ({what_of(rule)})" for (unit, rule), count in kinds.items()
    )


def _are(count: int) -> str:
    return "is" if count == 1 else "are"
