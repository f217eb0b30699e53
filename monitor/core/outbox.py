"""Notices on their way: gathered, attempted, tried again, sent by the next carrier, or failed for good.

A notice is one message to one person by one carrier; it may tell of several concerns. It is stored before it is
attempted and after; an attempt in flight at a crash is made again with the same Message-ID.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from typing import Any

from monitor.core.effects import Attempted, SendNotice
from monitor.core.journal import Journal
from monitor.core.notices import ON_A_PAGE
from monitor.core.phrases import one_line
from monitor.core.rulebook import PRIORITY, RANK
from monitor.core.site import SECOND, Site
from monitor.core.technical import Technical
from monitor.core.timers import Kind, Timers

BACKOFF = (5 * SECOND, 15 * SECOND, 30 * SECOND)  # then the last again; common practice, no source


IN_A_MAIL = (
    50  # concerns; a longer mail is read by nobody, and takes too long to write; common practice, no source
)

OVER = frozenset({"stand-down", "withdrawn"})
"""The reasons for a notice that says that a concern is over."""


class Notice:
    """The record of one notice: `items` are [concern, why]; gathering, sending, waiting, sent, failed or dropped."""

    FIELDS = (
        "id", "person", "way", "items", "rank", "created", "due", "state", "attempts", "first_try", "message_id",
        "thread", "subject", "body", "ended",
    )  # fmt: skip
    VERSION = 1
    __slots__ = FIELDS

    def __init__(self, *, id: str, person: str, way: int, rank: int, created: int, due: int) -> None:
        self.id = id
        self.person = person
        self.way = way  # which of the person's carriers
        self.items: list[list[str]] = []
        self.rank = rank
        self.created = created
        self.due: int | None = due
        self.state = "gathering"
        self.attempts = 0
        self.first_try: int | None = None
        self.message_id = ""
        self.thread: str | None = None
        self.subject = ""
        self.body = ""
        self.ended: int | None = None

    def mail_id(self, site: str) -> str:
        """Its Message-ID, the same in every attempt (RFC 5322 §3.6.4; the domain is reserved by RFC 2606)."""
        return f"<{self.id}@{site}.secondbell.invalid>"

    def tells_of(self, concern: str) -> bool:
        """Whether it tells of this concern."""
        return any(item[0] == concern for item in self.items)

    def dump(self) -> dict[str, Any]:
        """The record as JSON values."""
        return {field: getattr(self, field) for field in self.FIELDS}

    @classmethod
    def load(cls, state: dict[str, Any]) -> Notice:
        """The record from what `dump` gave."""
        notice = cls(id="", person="", way=0, rank=1, created=0, due=0)
        for field in cls.FIELDS:
            setattr(notice, field, state[field])
        return notice


# Fills in subject, body and thread when the time has come to send; False if there is nothing left to say.
Compose = Callable[[Notice, str, int], bool]
# Whether anything of what a notice says is still so, before it is tried again.
News = Callable[[Notice], bool]
# Told of a notice that was sent or failed for good.
Ended = Callable[[Notice, bool, int], None]


class Outbox:
    """All notices that are not yet over."""

    def __init__(
        self, site: Site, journal: Journal, timers: Timers, compose: Compose, news: News, ended: Ended
    ) -> None:
        self._site, self._journal, self._timers = site, journal, timers
        self._compose, self._news, self._ended = compose, news, ended
        self.technical: Technical | None = None  # hears how attempts end; set by the engine
        self.notices: dict[str, Notice] = {}
        self.dirty: set[str] = set()
        self.over: dict[
            str, Notice
        ] = {}  # ended since the last transaction: stored once more, then forgotten
        self.effects: list[SendNotice] = []
        self._gathering: dict[tuple[str, int], set[str]] = {}  # by person and way

    def put(
        self, person: str, concern: str, why: str, rank: int, now: int, *, way: int = 0, occasion: str = ""
    ) -> None:
        """Let a person be told of a concern; joins what is already being gathered, unless the priority is high.

        `occasion` tells apart what is told twice at one instant.
        """
        urgent = rank == RANK["high"]
        gathering = self._gathering_for(person, way)
        notice = next((one for one in gathering if one.tells_of(concern)), None)
        if urgent and notice is not None:  # what is said at once is not said again by what is being gathered
            notice.items = [item for item in notice.items if item[0] != concern]
            self.dirty.add(notice.id)
        if notice is None:
            notice = next((one for one in gathering if not self._full(one)), None)
        if notice is None or urgent:
            due = now if urgent else now + self._site.times.gather
            notice = Notice(
                id=self._id(concern, why, person, way, now, occasion),
                person=person,
                way=way,
                rank=rank,
                created=now,
                due=due,
            )
            if notice.id in self.notices:
                notice = self.notices[notice.id]
            self.notices[notice.id] = notice
            self._timers.put(due, Kind.NOTICE, notice.id)
            if not urgent:
                self._gathering.setdefault((person, way), set()).add(notice.id)
        # One concern is said once in a notice, as it is now: what is said of it last is what counts.
        if notice.tells_of(concern):
            notice.items = [item for item in notice.items if item[0] != concern]
        notice.items.append([concern, why])
        notice.rank = max(notice.rank, rank)
        self.dirty.add(notice.id)

    def fire(self, notice_id: str, now: int) -> int:
        """Attempt a notice whose gathering or waiting is over; of how many concerns it tells."""
        notice = self.notices.get(notice_id)
        if notice is None or notice.due is None or notice.due > now:
            return 0
        if notice.state == "gathering":
            self._gathering.get((notice.person, notice.way), set()).discard(notice_id)
            if not self._start(notice, now):
                return len(notice.items)
        elif not self._news(notice):
            self._drop(notice, now)
            return 0
        self._attempt(notice, now)
        return len(notice.items)

    def attempted(self, event: Attempted, now: int) -> None:
        """Take how an attempt ended."""
        notice = self.notices.get(event.notice)
        if notice is None or notice.state != "sending":
            return
        carrier = self._site.people[notice.person].reach[notice.way].carrier
        self.dirty.add(notice.id)
        answer = self.without_address(notice.person, event.text)
        self._note(
            notice, f"notice-{event.outcome}", now, carrier=carrier, attempt=notice.attempts, answer=answer
        )
        assert notice.first_try is not None
        patience = self._site.times.give_up[PRIORITY[notice.rank]]
        again = event.outcome == "try-later" and now - notice.first_try < patience
        if self.technical is not None:
            self.technical.heard(carrier, notice.person, event.outcome, answer, now, given_up=not again)
        if event.outcome == "sent":
            self._end(notice, "sent", now)
        elif again:
            backoff = BACKOFF[min(notice.attempts, len(BACKOFF)) - 1]
            # The last try is when patience ends: the next carrier has to come well within the rung's wait.
            notice.state, notice.due = "waiting", min(now + backoff, notice.first_try + patience)
            self._timers.put(notice.due, Kind.NOTICE, notice.id)
        elif (way := self._next_way(notice, now)) is not None:
            self._by_next_carrier(notice, way, now)
        else:
            self._note(notice, "notice-failed", now, carrier=carrier)
            self._end(notice, "failed", now)

    def resume(self, now: int) -> None:
        """After a start: put every notice back on its way; one in flight goes again with the same Message-ID."""
        for notice in sorted(self.notices.values(), key=lambda notice: (notice.created, notice.id)):
            if notice.person not in self._site.people or notice.way >= len(
                self._site.people[notice.person].reach
            ):
                self._end(notice, "failed", now)
            elif notice.state == "sending":
                self.effects.append(self._effect(notice))
            else:
                if notice.state == "gathering" and notice.rank < RANK["high"]:
                    self._gathering.setdefault((notice.person, notice.way), set()).add(notice.id)
                self._timers.put(notice.due or now, Kind.NOTICE, notice.id)

    def busy(self) -> bool:
        """Whether any attempt is out."""
        return any(notice.state == "sending" for notice in self.notices.values())

    def _start(self, notice: Notice, now: int) -> bool:
        reach = self._site.people[notice.person].reach[notice.way]
        if not self._compose(notice, self._site.carriers[reach.carrier], now):
            self._drop(notice, now)
            return False
        notice.first_try, notice.attempts = now, 0
        notice.message_id = notice.mail_id(self._site.name)
        return True

    def _attempt(self, notice: Notice, now: int) -> None:
        notice.attempts += 1
        notice.state, notice.due = "sending", None
        self.dirty.add(notice.id)
        self.effects.append(self._effect(notice, now))

    def _effect(self, notice: Notice, now: int | None = None) -> SendNotice:
        reach = self._site.people[notice.person].reach[notice.way]
        return SendNotice(
            notice=notice.id,
            carrier=reach.carrier,
            form=self._site.carriers[reach.carrier],
            address=reach.address,
            message_id=notice.message_id,
            thread=notice.thread,
            subject=notice.subject,
            body=notice.body,
            urgency=PRIORITY[notice.rank],
            date=notice.first_try or now or notice.created,
        )

    def _gathering_for(self, person: str, way: int) -> list[Notice]:
        """What is being gathered for a person by one way, oldest first."""
        found = [self.notices[key] for key in self._gathering.get((person, way), ())]
        return sorted(found, key=lambda notice: (notice.created, notice.id))

    def _full(self, notice: Notice) -> bool:
        """Whether another concern has no room: a page shows so many with their codes, and no more."""
        reach = self._site.people[notice.person].reach[notice.way]
        most = IN_A_MAIL if self._site.carriers[reach.carrier] == "mail" else ON_A_PAGE
        return len(notice.items) >= most

    def _next_way(self, notice: Notice, now: int) -> int | None:
        """The next of the person's carriers; off duty nobody is paged with a stand-down that mail did not bring."""
        reach = self._site.people[notice.person].reach
        only_mail = all(why in OVER for _, why in notice.items) and not self._site.rota.is_on_duty(
            notice.person, now
        )
        for way in range(notice.way + 1, len(reach)):
            if not only_mail or self._site.carriers[reach[way].carrier] == "mail":
                return way
        return None

    def _by_next_carrier(self, notice: Notice, way: int, now: int) -> None:
        """The same news to the same person by another way, as a notice of its own."""
        for concern, why in notice.items:
            self.put(notice.person, concern, why, notice.rank, now, way=way, occasion=notice.id)
        notice.state, notice.ended = "failed", now
        self._forget(notice)

    def _drop(self, notice: Notice, now: int) -> None:
        """Nothing of it is news any more: it is not sent, or not tried again."""
        notice.state, notice.ended, notice.due = "dropped", now, None
        self._forget(notice)

    def _end(self, notice: Notice, state: str, now: int) -> None:
        notice.state, notice.ended = state, now
        self._forget(notice)
        self._ended(notice, state == "sent", now)

    def _forget(self, notice: Notice) -> None:
        self.dirty.add(notice.id)
        self.over[notice.id] = self.notices.pop(notice.id)

    def _note(self, notice: Notice, event: str, now: int, **detail: object) -> None:
        concerns = [concern for concern, _ in notice.items]
        self._journal.note(
            event,
            now=now,
            concern=concerns[0],
            person=notice.person,
            notice=notice.id,
            concerns=concerns,
            detail=detail,
        )

    def without_address(self, person: str, text: str) -> str:
        """A carrier's words without this person's address: they go into the trail, which cannot be erased."""
        key = self._journal.key("person", person)
        for reach in self._site.people[person].reach:
            for known in (reach.address, reach.address.partition("@")[0]):
                text = re.sub(rf"(?<![\w]){re.escape(known)}(?![\w])", key, text, flags=re.IGNORECASE)
        return one_line(re.sub(r"[^\s<>]+@[^\s<>]+", "(address)", text))

    def _id(self, concern: str, why: str, person: str, way: int, now: int, occasion: str) -> str:
        told = f"{concern}|{why}|{person}|{way}|{now}|{occasion}"
        return hashlib.sha256(told.encode()).hexdigest()[:20]
