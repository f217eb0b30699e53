"""What comes back of mails that were sent: a report that one did not arrive, an automatic reply, a person's reply.

Editing rules: all of it can be forged. So nothing that comes back may silence anybody or answer for anybody: it only
ever makes more people told. No word of it goes into the journal but those of the tables here.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Final

from monitor.core.effects import Attempted, Reply, Returned
from monitor.core.journal import Journal
from monitor.core.notice import Notice
from monitor.core.outbox import Outbox
from monitor.core.responsibility import Responsibility
from monitor.core.site import Site
from monitor.core.technical import Technical

MOST: Final = 2_000
"""Mails that are remembered, the newest: what comes back late is of no use to a concern; common practice, no source."""

ACTIONS: Final = frozenset({"failed", "delayed", "delivered", "relayed", "expanded"})  # RFC 3464 §2.3.3
REPLIES: Final = {"automatic": "automatic-reply", "reply": "reply-not-read"}
"""How the journal names what is no report of delivery; none is ever an acceptance (RFC 3834 §2)."""

_STATUS: Final = re.compile(r"[245]\.\d{1,3}\.\d{1,3}", re.ASCII)  # RFC 3463 §2
_text = json.JSONEncoder(separators=(",", ":"), allow_nan=False).encode


class Returns:
    """The mails that were sent not long ago, and what comes back of them."""

    def __init__(
        self,
        site: Site,
        journal: Journal,
        outbox: Outbox,
        responsibility: Responsibility,
        technical: Technical,
    ) -> None:
        self._site, self._journal = site, journal
        self._outbox, self._responsibility, self._technical = outbox, responsibility, technical
        self.sent: dict[str, Notice] = {}  # without their texts, the oldest first
        self.effects: list[Reply] = []
        self._new: dict[str, Notice] = {}  # in no order: a transaction has none
        self._changed: dict[str, Notice | None] = {}

    def remember(self, notice: Notice) -> None:
        """Keep a notice that is over, if it may come back: a mail that was sent."""
        if notice.state == "sent" and self._form(notice) == "mail":
            kept = Notice.load(notice.dump())
            kept.subject = kept.body = ""
            self._new[kept.id] = kept

    def attempted(self, event: Attempted, now: int) -> None:
        """Keep a technical notice that is being sent, for whom and by which way; it tells of no concern."""
        if event.outcome != "sent":
            return
        for trouble in self._technical.troubles.values():
            if trouble.sending is not None and trouble.sending[0] == event.notice:
                _, person, way, _ = trouble.sending
                notice = Notice(id=event.notice, person=person, way=way, rank=1, created=now, due=now)
                notice.state, notice.ended, notice.due = "sent", now, None
                self.remember(notice)

    def came(self, event: Returned, now: int) -> None:
        """Take what has come back; what was done about it comes as a `Reply`."""
        for over in self._outbox.over.values():  # of this very transaction
            self.remember(over)
        self._keep()
        notice = self.sent.get(event.notice)
        if event.what in REPLIES:
            said = self._reply(event, notice, now)
        elif notice is None:
            self._journal.note(
                "return-unknown", now=now, what=event.what if event.what in ACTIONS else "unclear"
            )
            said = (
                "recorded; no mail of this service that it could be about is known, so nothing else was done"
            )
        else:
            said = self._report(event, notice, now)
        self.effects.append(Reply(token=event.token, ok=True, text=said))

    def take_rows(self) -> dict[tuple[str, str], str | None]:
        """What has changed since the last call."""
        self._keep()
        changed, self._changed = self._changed, {}
        return {
            ("sent-mail", key): None if notice is None else _text([Notice.VERSION, notice.dump()])
            for key, notice in changed.items()
        }

    def load(self, rows: Mapping[str, str]) -> None:
        """Take the rows that were stored."""
        found = [Notice.load(json.loads(text)[1]) for text in rows.values()]
        self.sent = {one.id: one for one in sorted(found, key=_age)}

    # ---- what is done about it -------------------------------------------------------------------------------------

    def _report(self, event: Returned, notice: Notice, now: int) -> str:
        """A report of what became of a mail (RFC 3464): only that it failed has consequences, and once."""
        status = event.status if _STATUS.fullmatch(event.status) else ""
        action = event.what if event.what in ACTIONS else "unclear"
        known = notice.person in self._site.people and self._form(notice) == "mail"
        again = notice.state == "returned"
        self._note("notice-returned", notice, now, action=action, status=status, again=again or None)
        if action != "failed" or again or not known:
            return f"recorded: {action}"
        notice.state = "returned"
        self._changed[notice.id] = notice
        carrier = self._site.people[notice.person].reach[notice.way].carrier
        answer = f"the mail came back: {status or 'no reason given'}"
        self._technical.heard(carrier, notice.person, "refused", answer, now)
        live = {key: why for key, why in notice.said.items() if self._still(key)}
        if not live:
            return "recorded: failed; what the mail told of is over"
        lost = Notice.load(notice.dump())
        lost.said = live
        if self._outbox.returned(lost, now):
            return "recorded: failed; the person is told by the next carrier"
        self._note("notice-failed", lost, now, carrier=carrier)
        self._responsibility.notice_ended(lost, False, now)
        return "recorded: failed for good; whoever is next is told as the ladder says"

    def _reply(self, event: Returned, notice: Notice | None, now: int) -> str:
        """What somebody, or something, answered by mail: nobody has accepted by that."""
        if notice is None:
            self._journal.note(REPLIES[event.what], now=now)
        else:
            self._note(REPLIES[event.what], notice, now)
        return "recorded; nobody accepts by replying to a mail"

    def _note(self, event: str, notice: Notice, now: int, **detail: object) -> None:
        concerns = list(notice.said)
        self._journal.note(
            event,
            now=now,
            concern=concerns[0] if concerns else None,
            person=notice.person,
            notice=notice.id,
            concerns=concerns,
            limit=notice.id,
            detail={key: value for key, value in detail.items() if value not in (None, "")},
        )

    def _still(self, key: str) -> bool:
        concern = self._responsibility.concerns.get(key)
        return concern is not None and concern.live

    # ---- what is kept ----------------------------------------------------------------------------------------------

    def _form(self, notice: Notice) -> str | None:
        person = self._site.people.get(notice.person)
        if person is None or notice.way >= len(person.reach):
            return None
        return self._site.carriers.get(person.reach[notice.way].carrier)

    def _keep(self) -> None:
        """Take in what was sent since, in an order that a replay has too; the oldest make room."""
        new, self._new = self._new, {}
        for notice in sorted(new.values(), key=_age):
            if notice.id not in self.sent:
                self.sent[notice.id] = self._changed[notice.id] = notice
        while len(self.sent) > MOST:
            oldest = next(iter(self.sent))
            del self.sent[oldest]
            self._changed[oldest] = None


def _age(notice: Notice) -> tuple[int, str]:
    return notice.ended or 0, notice.id
