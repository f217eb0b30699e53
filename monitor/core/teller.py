"""Writes notices at the moment when they are sent, and the list of open concerns that is published for each device.

Editing rules: who is told is decided in `responsibility`, how it is said in `notices`; here only whether it is still
news, and that it was told.
"""

from __future__ import annotations

import hashlib

from monitor.core.briefing import facts_of
from monitor.core.calls import CALLS
from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.effects import Publish
from monitor.core.fleet import Fleet
from monitor.core.journal import Journal
from monitor.core.lookout import Lookout
from monitor.core.notices import mail, page
from monitor.core.outbox import Notice
from monitor.core.published import ListedConcern, concerns_payload
from monitor.core.responsibility import Responsibility
from monitor.core.site import Site
from monitor.core.topics import concerns_topic


class Teller:
    """Composes what leaves."""

    def __init__(
        self, site: Site, journal: Journal, responsibility: Responsibility, fleet: Fleet, lookout: Lookout
    ) -> None:
        self._site, self._journal = site, journal
        self._responsibility, self._fleet, self._lookout = responsibility, fleet, lookout
        self.published = 0
        # By device, what was published last: its unit, and the list.
        self._published: dict[str, tuple[str, tuple[ListedConcern, ...]]] = {}

    def compose(self, notice: Notice, form: str, now: int) -> bool:
        """Write a notice's text from what is known now; False if nothing is left to say."""
        facts, kept = [], []
        for key, why in notice.items:
            concern = self._responsibility.concerns.get(key)
            if concern is None or not _still_to_say(concern, why, notice.person):
                continue
            device = self._fleet.get(concern.subject)
            places = self._lookout.places(concern, now) if device is None else ()
            kept.append([key, why])
            facts.append(facts_of(self._site, concern, device, notice.person, why, now, places))
        if not facts:
            return False
        notice.items = kept
        if form == "mail":
            notice.subject, notice.body = mail(facts, self._site.zone)
        else:
            notice.subject, notice.body = "", page(facts, self._site.zone)
        first = self._responsibility.concerns[kept[0][0]]
        notice.thread = told[1] if (told := first.told.get(notice.person)) else None
        text = hashlib.sha256(f"{notice.subject}\n{notice.body}".encode()).hexdigest()
        for key, why in kept:
            self._told(self._responsibility.concerns[key], notice, why, form, text, now)
        return True

    def news(self, notice: Notice) -> bool:
        """Whether anything of a notice that could not be sent yet is still so."""
        known = self._responsibility.concerns
        return any(
            (concern := known.get(key)) is not None and _still_to_say(concern, why, notice.person)
            for key, why in notice.items
        )

    def _told(self, concern: Concern, notice: Notice, why: str, form: str, text: str, now: int) -> None:
        message_id = notice.mail_id(self._site.name) if form == "mail" else None
        told = concern.told.setdefault(notice.person, [now, None, 0])
        told[1] = told[1] or message_id  # how often it really was told is counted once it is sent
        concern.told_at = now
        self._responsibility.dirty.add(concern.id)
        self._journal.note(
            "told",
            now=now,
            concern=concern.id,
            rule=concern.rule,
            device=concern.subject,
            person=notice.person,
            priority=concern.priority,
            why=why,
            carrier=self._site.people[notice.person].reach[notice.way].carrier,
            notice=notice.id,
            rung=concern.rung,
            text_sha256=text,
            detail={"late_by": concern.late_by} if concern.late_by else {},
        )

    def lists(self, now: int) -> list[Publish]:
        """The retained list of open concerns, for each device of which it is another than was published last."""
        known = self._responsibility.concerns
        subjects = {known[key].subject for key in self._responsibility.dirty if key in known}
        found: list[Publish] = []
        for name in sorted(subjects & self._fleet.devices.keys()):
            unit = self._fleet.devices[name].picture.unit
            listed = self._listed(name)
            before = self._published.get(name)
            if before == (unit, listed):
                continue  # a concern's record changes with each notice, what others may know of it seldom
            if before is not None and before[0] != unit:  # it has moved: none is open there now
                found.append(Publish(topic=self._topic(before[0], name), payload=b""))
            self._published[name] = (unit, listed)
            self.published += 1
            payload = concerns_payload(
                monitor=self._site.name, device=name, id=f"c-{now}-{self.published}", at=now, concerns=listed
            )
            found.append(Publish(topic=self._topic(unit, name), payload=payload))
        return found

    def _topic(self, unit: str, name: str) -> str:
        return concerns_topic(self._site.prefix, self._site.name, unit, name)

    def _listed(self, name: str) -> tuple[ListedConcern, ...]:
        return tuple(
            ListedConcern(
                concern=concern.id,
                rule=concern.rule,
                priority=concern.priority,  # type: ignore[arg-type]  # one of the three by construction
                state="accepted" if concern.state is State.ACCEPTED else "open",
                since=concern.raised_at,
                accepted=concern.state is State.ACCEPTED,
            )
            for concern in self._responsibility.open_of(name)
        )


def _still_to_say(concern: Concern, why: str, person: str) -> bool:
    """Whether this is still so.

    A call only while nobody has it and the person has not said no; an end only while it is over; and so on.
    """
    if why in CALLS:
        return concern.state is State.OPEN and person not in concern.refused
    if why == "further":
        return concern.state is State.ACCEPTED and person == concern.holder
    if why == "already":
        return concern.state is State.ACCEPTED and person != concern.holder
    if why in ("taken", "taken-over"):
        return concern.state is State.ACCEPTED and (person in concern.told or person == concern.holder)
    return concern.state is State.SETTLED  # stand-down, withdrawn, answer-late
