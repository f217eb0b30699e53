"""Writes notices at the moment when they are sent, and the list of open concerns that is published for each device.

Editing rules: who is told is decided in `responsibility`, how it is said in `notices`; here only whether it is still
news, and that it was told.
"""

from __future__ import annotations

import hashlib
import re
from itertools import cycle

from monitor.core.briefing import facts_of
from monitor.core.calls import CALLS
from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.effects import Publish
from monitor.core.fact_words import what_of
from monitor.core.facts import Facts
from monitor.core.fleet import Fleet
from monitor.core.group_notices import KINDS, NAMED, PLACES_ON_A_PAGE, Alike, Many, many_mail, many_page
from monitor.core.groups import ALONE, Groups
from monitor.core.gsm7 import SINGLE, fit, septets
from monitor.core.guidance import CAUTION
from monitor.core.instants import MINUTE, show_duration
from monitor.core.journal import Journal
from monitor.core.lookout import Lookout
from monitor.core.notice import Notice
from monitor.core.notices import mail, page
from monitor.core.pages import ON_A_PAGE
from monitor.core.phrases import one_line
from monitor.core.published import ListedConcern, concerns_payload
from monitor.core.responsibility import Responsibility
from monitor.core.rulebook import RANK
from monitor.core.site import Site
from monitor.core.topics import concerns_topic
from monitor.core.ways import QUIET
from monitor.core.wording import WHY

AT_LENGTH = ALONE  # concerns of a group or a summary that a mail still tells one by one


class Teller:
    """Composes what leaves."""

    def __init__(
        self, site: Site, journal: Journal, responsibility: Responsibility, fleet: Fleet, lookout: Lookout
    ) -> None:
        self._site, self._journal = site, journal
        self._responsibility, self._fleet, self._lookout = responsibility, fleet, lookout
        self.groups: Groups  # set by the engine
        self.published = 0
        # By device, what was published last: its unit, and the list.
        self._published: dict[str, tuple[str, tuple[ListedConcern, ...]]] = {}

    def compose(self, notice: Notice, form: str, now: int) -> bool:
        """Write a notice's text from what is known now; False if nothing is left to say."""
        known = self._responsibility.concerns
        said: list[tuple[Concern, str]] = []
        for key, why in notice.said.items():
            concern = known.get(key)
            if concern is not None and _still_to_say(concern, why, notice.person):
                said.append((concern, why))
        if not said:
            return False
        group = self.groups.known.get(notice.group)
        if group is not None and notice.kind == "call":  # what she was told of it before is in the list again
            for key in group.members:
                before = known.get(key)
                if key not in notice.said and before and _still_to_say(before, "still", notice.person):
                    said.append((before, "still"))
        notice.said = {concern.id: why for concern, why in said}
        together = len(said) > self._at_length(notice, form)
        try:
            if together:
                self._write_many(notice, said, form, now)
            else:
                self._write(notice, said, form, now)
        except Exception as error:  # a fault of ours in one text must keep nobody else from being told
            self._write_plainly(notice, said, form)
            detail = {"fault": type(error).__name__}  # what else it says may name somebody
            about = said[0][0].id
            self._journal.note(
                "notice-fault", now=now, concern=about, person=notice.person, notice=notice.id, detail=detail
            )
        if group is not None:
            self.groups.told(group, notice.person, notice.kind, now)
        text = hashlib.sha256(f"{notice.subject}\n{notice.body}".encode()).hexdigest()
        for concern, why in said:
            if why != "still":
                self._told(concern, notice, why, form, text, now)
        if together:
            self._note_many(notice, said, text, now)
        return True

    @staticmethod
    def _at_length(notice: Notice, form: str) -> int:
        """How many concerns a notice tells one by one; beyond, as one."""
        if form != "mail":
            return ON_A_PAGE
        return AT_LENGTH if notice.group or notice.held else NAMED

    def _write(self, notice: Notice, said: list[tuple[Concern, str]], form: str, now: int) -> None:
        """The text of a notice that tells of each concern at length."""
        facts = [self._facts(concern, notice.person, why, now) for concern, why in said]
        if form == "mail":
            notice.subject, notice.body = mail(facts, self._site.zone)
        else:
            notice.subject, notice.body = "", page(facts, self._site.zone)
        notice.thread = told[1] if (told := said[0][0].told.get(notice.person)) else None

    def _write_many(self, notice: Notice, said: list[tuple[Concern, str]], form: str, now: int) -> None:
        """The text of a notice that tells of many as one, under one code."""
        person, zone = notice.person, self._site.zone
        by_kind: dict[tuple[str, str, str], list[tuple[Concern, str]]] = {}
        for concern, why in said:
            by_kind.setdefault((WHY[why].kind, concern.unit, concern.rule), []).append((concern, why))
        ordered = sorted(by_kind.items(), key=lambda item: (KINDS.index(item[0][0]), *_worst(item[1])))
        alike: list[Alike] = []
        facts: list[Facts] = []
        for key, members in ordered:
            members.sort(key=self._urgency)
            high = sum(concern.rank == RANK["high"] for concern, _ in members)
            new = sum(person not in concern.told for concern, _ in members)
            whys = {why for _, why in members} - {"still"}
            why = whys.pop() if len(whys) == 1 else ""
            alike.append(Alike(*key, total=len(members), high=high, new=new, why=why))
            room = NAMED - len(facts) if form == "mail" else PLACES_ON_A_PAGE
            facts += [self._facts(concern, person, why, now) for concern, why in members[: max(0, room)]]
        reference = notice.group or notice.id
        answered = [concern.id for concern, why in said if WHY[why].kind != "over"]
        if answered:
            self.groups.lists(reference, person, answered, now)
        many = Many(
            facts=facts,
            alike=alike,
            code=self._site.code(reference, person),
            link=self._site.link(reference, person, now) if answered else None,
            held=self._why_held(notice.held) if notice.held else "",
            still_open=self._still_open(notice, said),
        )
        if form == "mail":
            notice.subject, notice.body = many_mail(many, zone)
        else:
            notice.subject, notice.body = "", many_page(many, zone)
        group = self.groups.known.get(notice.group)
        notice.thread = None if group is None else group.threads.get(person)
        if group is not None and form == "mail":
            group.threads.setdefault(person, notice.mail_id(self._site.name))
            self.groups.dirty.add(group.id)

    def _write_plainly(self, notice: Notice, said: list[tuple[Concern, str]], form: str) -> None:
        """The text of a notice that could not be written as it should be: what needs somebody, where, and the codes."""
        site, lines = self._site, []
        for concern, why in sorted(said, key=lambda one: -one[0].rank):
            label = ["DRILL"] * site.is_drill(concern.subject) + [WHY[why].label] * bool(WHY[why].label)
            entry = site.entry(concern.subject)
            places = (entry.place, entry.pager_place) if entry is not None else (None, None)
            place = one_line((places[0] if form == "mail" else places[1]) or concern.subject)
            code = "" if WHY[why].kind == "over" else f" Code {site.code(concern.id, notice.person)}"
            lines.append(
                " ".join([*label, concern.priority.upper(), f"{place}: {what_of(concern.rule)}.{code}"])
            )
        if form == "mail":
            subject = f"{lines[0].partition('.')[0]}" + (f" (+{len(lines) - 1} more)" if lines[1:] else "")
            said_plainly = (
                "This notice could not be written as usual, so it is short. Look at the person first."
            )
            notice.subject, notice.body = subject, "\n\n".join([*lines, said_plainly, CAUTION]) + "\n"
        else:
            more = f" +{len(lines) - 1} more." if lines[1:] else ""
            room = SINGLE - septets(more)
            notice.subject, notice.body = "", fit(lines[0], room, ascii_only=True) + more

    def _facts(self, concern: Concern, person: str, why: str, now: int) -> Facts:
        device = self._fleet.get(concern.subject)
        places = self._lookout.places(concern, now) if device is None and concern.about == "sight" else ()
        return facts_of(self._site, concern, device, person, why, now, places)

    def _urgency(self, said: tuple[Concern, str]) -> tuple[int, int, list[str | int]]:
        """The higher and the earlier first, to the minute; then in the order in which somebody goes round."""
        concern, _ = said
        place = self._site.place(concern.subject) or concern.subject
        parts = re.split(r"([0-9]+)", place)
        going = [int(part) if odd else part for odd, part in zip(cycle((0, 1)), parts, strict=False)]
        return -concern.rank, concern.begun // MINUTE, going

    def _why_held(self, cause: str) -> str:
        if cause == QUIET:
            return "it was your quiet hours"
        within = show_duration(self._site.most_within)
        return f"nobody is sent more than {self._site.most_notices} notices below high in {within}"

    def _still_open(self, notice: Notice, said: list[tuple[Concern, str]]) -> int:
        """How many of a group somebody is still needed for, where a notice says that others are over."""
        group = self.groups.known.get(notice.group)
        if group is None or notice.kind != "over":
            return 0
        told, known = {concern.id for concern, _ in said}, self._responsibility.concerns
        return sum(1 for key in group.members if key not in told and key in known and known[key].live)

    def _note_many(self, notice: Notice, said: list[tuple[Concern, str]], text: str, now: int) -> None:
        """One entry for all that was listed under one code."""
        self._journal.note(
            "told-together",
            now=now,
            concern=said[0][0].id,
            person=notice.person,
            notice=notice.id,
            group=notice.group or notice.id,
            summary=bool(notice.held),
            concerns=[concern.id for concern, _ in said],
            text_sha256=text,
        )

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
        subjects |= self._responsibility.left
        self._responsibility.left.clear()
        found: list[Publish] = []
        for name in sorted(subjects & self._fleet.devices.keys()):
            if self._site.is_drill(name):
                continue  # what is listed there is of pumps
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
    if why == "still":
        return concern.state is State.OPEN and person in concern.told and person not in concern.refused
    if why in ("further", "yours-now"):
        return concern.state is State.ACCEPTED and person == concern.holder
    if why == "not-taken":
        return concern.state is State.OPEN
    if why == "already":
        return concern.state is State.ACCEPTED and person != concern.holder
    if why in ("taken", "taken-over"):
        return concern.state is State.ACCEPTED and (person in concern.told or person == concern.holder)
    return concern.state is State.SETTLED  # stand-down, withdrawn, answer-late


def _worst(said: list[tuple[Concern, str]]) -> tuple[int, int, str]:
    return -max(concern.rank for concern, _ in said), -len(said), said[0][0].rule
