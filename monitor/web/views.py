"""What a link or a code opens: the engine's knowledge at this moment, looked at and never changed."""

from __future__ import annotations

import hmac
from typing import Final, NamedTuple

from monitor.core import links
from monitor.core.briefing import facts_of, named
from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.engine import Engine
from monitor.core.facts import Facts
from monitor.core.holds import AWAY, HOLD, limit_of
from monitor.core.instants import HOUR
from monitor.core.phone_page import Sheet, group_sheet, most_urgent, sheet, standing
from monitor.core.site import Site

WHY: Final = {"open": "raised", "yours": "further", "theirs": "taken", "over": "stand-down"}
"""Which of the notices a page says as much as."""


class Refused(NamedTuple):
    """Why something opens nothing, and whom and what it was about where that is certain."""

    why: str
    person: str | None = None
    concern: str | None = None


class Opened(NamedTuple):
    """What a genuine link of somebody who is listed opens."""

    reference: str
    person: str
    concerns: tuple[Concern, ...]
    group: bool
    expires: int  # ms UTC

    @property
    def shown(self) -> str:
        """What must not have changed between the page and its button: who has it, how urgent it is, if it is over.

        Of a group a member more or less that is over changes nothing: the answer is for those that nobody has.
        """
        if self.group:
            holders = {concern.holder or "" for concern in self.concerns if concern.live}
            rank = max((concern.rank for concern in self.concerns if concern.live), default=0)
            return f"{rank} {sorted(holders)}"
        [concern] = self.concerns
        return f"{concern.id} {concern.state} {concern.rank} {concern.holder} {concern.times} {concern.rung}"


class Views:
    """Opens links and codes of one site."""

    def __init__(self, site: Site, engine: Engine) -> None:
        self._site, self._engine = site, engine
        self._key = site.link_key
        self._people = {site.opaque("person", person)[2:]: person for person in site.people}

    def opened(self, token: str, now: int) -> Opened | Refused:
        """What a link opens."""
        link = links.read(self._key, token)
        if link is None:
            return Refused("not one of ours")
        person = self._people.get(link.person)
        if person is None:
            return Refused("of somebody no longer listed")
        if link.expires <= now:
            return Refused("expired", person, link.reference)
        return self._find(link, person) or Refused("about nothing that is kept", person)

    def token_beside(self, opened: Opened, reference: str) -> str:
        """The token of one concern of a group that was opened, for the same person and as long."""
        link = links.Link(reference, self._site.opaque("person", opened.person)[2:], opened.expires)
        return links.made(self._key, link)

    def by_code(self, code: str, person: str, now: int) -> str | None:
        """The token that a code and a person's id stand for; the same work whether there is one or not."""
        code = code.strip().upper()
        known = person in self._site.people
        found: str | None = None
        for reference in self._references():
            right = hmac.compare_digest(self._site.code(reference, person).encode(), code.encode())
            if right and known:
                found = reference
        if found is None:
            return None
        link = links.Link(
            found, self._site.opaque("person", person)[2:], now + min(self._site.link_life, HOUR)
        )
        return links.made(self._key, link)

    def _references(self) -> list[str]:
        return [*self._engine.responsibility.concerns, *self._engine.outbox.groups.known]

    def _find(self, link: links.Link, person: str) -> Opened | None:
        known = self._engine.responsibility.concerns
        if (concern := known.get(link.reference)) is not None:
            return Opened(link.reference, person, (concern,), False, link.expires)
        listed = self._engine.outbox.groups.listed(link.reference, person)
        members = tuple(known[key] for key in listed if key in known)
        return Opened(link.reference, person, members, True, link.expires) if members else None

    def sheet(self, opened: Opened, now: int) -> Sheet:
        """The page of what was opened."""
        zone = self._site.zone
        now = max(now, self._engine.now)
        if opened.group:
            ordered = most_urgent(opened.concerns)
            return group_sheet(
                self._facts(ordered[0], opened.person, now), ordered, opened.person, zone, self._names
            )
        [concern] = opened.concerns
        fact = self._facts(concern, opened.person, now)
        return sheet(
            fact,
            concern,
            opened.person,
            zone,
            hold_limit=0 if fact.unit_wide else limit_of(HOLD, glucose_risk=fact.glucose_risk),
            away_limit=limit_of(AWAY, glucose_risk=fact.glucose_risk) if self._quieted(concern) else 0,
            others=self._others(concern, opened.person),
            held=self._engine.holds.of(concern.subject),
        )

    def _quieted(self, concern: Concern) -> bool:
        """Whether it is about a pump that cannot be heard, which may be so on purpose."""
        rule = self._site.rule(concern.rule)
        return rule is not None and AWAY in rule.quieted_by

    def _facts(self, concern: Concern, person: str, now: int) -> Facts:
        device = self._engine.fleet.get(concern.subject)
        places = self._engine.lookout.places(concern, now) if device is None else ()
        return facts_of(self._site, concern, device, person, WHY[standing(concern, person)], now, places)

    def _names(self, concern: Concern) -> tuple[str, str]:
        """Place and pump of a concern, and who has it."""
        place = self._site.place(concern.subject)
        where = f"{place} ({concern.subject})" if place else f"{concern.subject} (place not recorded)"
        return where, self._site.called(concern.holder) or "somebody"

    def _others(self, concern: Concern, person: str) -> list[str]:
        """The other open concerns of the same pump, and who has them."""
        found = []
        for other in self._engine.responsibility.open_of(concern.subject):
            if other.id == concern.id:
                continue
            who = "nobody has it"
            if other.state is State.ACCEPTED:
                who = "you have it" if other.holder == person else f"{self._site.called(other.holder)} has it"
            found.append(f"{named(self._site, other)}, {other.priority} priority: {who}")
        return found
