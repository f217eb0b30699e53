"""Tells whoever mends Second Bell what is wrong with it: begun, and over. By a way of its own, beside the outbox.

Nothing here is gathered with notices about pumps, waits for them or makes them wait. While nothing can be stored, what
is to be sent goes into `direct`, which the service performs without a commit; trail and records keep it for the first
commit that succeeds.

Editing rules: which troubles there are stands in `troubles`, how they are said in `trouble_words`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from typing import Any

from monitor.core.effects import Attempted, SendNotice, StoreRefused
from monitor.core.instants import MINUTE, SECOND
from monitor.core.journal import Journal
from monitor.core.notices import technical_mail, technical_page
from monitor.core.site import Site
from monitor.core.technical_ways import next_way
from monitor.core.timers import Kind, Timers
from monitor.core.trouble_words import words
from monitor.core.troubles import CANNOT_SEND, CANNOT_STORE, REFUSES, SORTS, Trouble

# Common practice, no source, all of them.
STEADY = 1 * MINUTE  # ms that a trouble must be gone before it is told as over: one that flaps is one
GAP = 5 * MINUTE  # ms without watching after which a start is told
ALIVE = 1 * MINUTE  # ms after which it is stored again that it watches: a gap is known to the minute
FAILURES = 3  # attempts in a row, over at least `FAILING`, after which a carrier does not send
FAILING = 15 * SECOND
SEVERAL = 3  # people of whom a carrier refuses each by name; if it refuses more, it does not send
REFUSALS = 3  # commits in a row after which it cannot store: a backup holds the file for a moment
BACKOFF = (5 * SECOND, 15 * SECOND, 30 * SECOND, 1 * MINUTE, 2 * MINUTE, 5 * MINUTE)  # then the last again
ALIVE_KEY, FAILED_KEY = "alive", "failed"  # rows beside those of troubles


class Technical:
    """The troubles of Second Bell itself, and who has been told of them."""

    def __init__(
        self, site: Site, journal: Journal, timers: Timers, without_address: Callable[[str, str], str]
    ) -> None:
        """`without_address` takes this person's addresses out of a text."""
        self._site, self._journal, self._timers = site, journal, timers
        self._without_address = without_address
        self.troubles: dict[str, Trouble] = {}
        self.dirty: set[str] = set()
        self.effects: list[SendNotice] = []
        self.direct: list[SendNotice] = []
        self.alive: int | None = None  # when it was last stored that it watches
        self._alive_changed = False
        self._failed: dict[str, list[int]] = {}  # instants of a carrier's failures since its last success
        self._failed_changed = False
        self._refusals = 0
        self._unstored_since: int | None = None

    # ---- what is wrong -----------------------------------------------------------------------------------------------

    def begin(
        self, sort: str, now: int, *, about: str = "", since: int | None = None, **facts: object
    ) -> None:
        """It is so, or again, or still."""
        key = f"{sort} {about}".rstrip()
        trouble = self.troubles.get(key)
        began = now if since is None else since
        if trouble is None:
            trouble = self.troubles[key] = Trouble(sort, about, began)
            self._spell(trouble, began, now)
        elif not trouble.how.lasts or (trouble.over is not None and not self._just_over(trouble, now)):
            self._spell(trouble, began, now)
        elif trouble.over is not None:
            trouble.over = None  # it was gone for a moment only
            trouble.owed, trouble.due = (None, None) if trouble.said else ("begun", now)
        trouble.facts.update(facts)
        if trouble.said and trouble.owed is None and trouble.told_at is not None and trouble.over is None:
            trouble.owed, trouble.due = "begun", trouble.told_at + trouble.how.again
        self._queue(trouble)

    def end(self, sort: str, now: int, *, about: str = "") -> None:
        """It is no longer so; nothing if it was not."""
        trouble = self.troubles.get(f"{sort} {about}".rstrip())
        if trouble is None or trouble.over is not None:
            return
        trouble.over = now
        self._note("trouble-over", trouble, now, lasted=now - trouble.since)
        if trouble.said or trouble.told_at is None or trouble.sending is not None:
            self._owe(trouble, "over", now + STEADY)
        else:  # told of not long ago, and over before it was to be told again
            trouble.owed, trouble.due = None, trouble.told_at + trouble.how.again
        self._queue(trouble)

    def heard(
        self, carrier: str, person: str, outcome: str, answer: str, now: int, *, given_up: bool = False
    ) -> None:
        """How any attempt by a carrier ended, and whether it gave up on that notice; `answer` without addresses."""
        about = f"{carrier} {person}"
        if outcome == "sent":
            self._failed_changed |= self._failed.pop(carrier, None) is not None
            self.end(CANNOT_SEND, now, about=carrier)
            self.end(REFUSES, now, about=about)
            return
        failed = self._failed.setdefault(carrier, [])
        failed.append(now)
        self._failed_changed = True
        if outcome == "refused" and self._is_theirs(about):
            self.begin(REFUSES, now, about=about, called=self._site.called(person), answer=answer)
        else:
            del failed[1:-FAILURES]  # the first and the newest will do
            in_a_row = len(failed) >= FAILURES and now - failed[0] >= FAILING
            known = self.troubles.get(f"{CANNOT_SEND} {carrier}")
            if in_a_row or given_up or (known is not None and known.over is None):
                alone = [
                    entry.called
                    for entry in self._site.people.values()
                    if all(reach.carrier == carrier for reach in entry.reach)
                ]
                self.begin(CANNOT_SEND, now, about=carrier, since=failed[0], answer=answer, alone=alone)

    def _is_theirs(self, about: str) -> bool:
        """Whether a refusal is about whom it was sent to: a carrier that refuses everybody is itself at fault."""
        refused = {t.about for t in self.troubles.values() if t.sort == REFUSES and t.over is None}
        carrier = about.partition(" ")[0]
        return about in refused or sum(one.startswith(f"{carrier} ") for one in refused) < SEVERAL

    def take_rows(self) -> dict[tuple[str, str], str | None]:
        """The rows that have changed, to be stored."""
        rows: dict[tuple[str, str], str | None] = {}
        for key in self.dirty:
            trouble = self.troubles.get(key)
            rows["technical", key] = None if trouble is None else _text([Trouble.VERSION, trouble.dump()])
        if self._alive_changed:
            rows["technical", ALIVE_KEY] = _text([Trouble.VERSION, self.alive])
        if self._failed_changed:
            rows["technical", FAILED_KEY] = _text([Trouble.VERSION, self._failed])
        self.dirty.clear()
        self._alive_changed = self._failed_changed = False
        return rows

    def load(self, rows: Mapping[str, str]) -> None:
        """Take the rows that were stored."""
        for key, text in rows.items():
            _, state = json.loads(text)
            if key == ALIVE_KEY:
                self.alive = state
            elif key == FAILED_KEY:
                self._failed = state
            elif state["sort"] in SORTS:
                self.troubles[key] = Trouble.load(state)

    def watching(self, now: int, *, at_once: bool = False) -> None:
        """It watches: to be stored once in a while, however quiet the night, or `at_once`, for a commit of it."""
        if at_once or self.alive is None or now - self.alive >= ALIVE:
            self.alive, self._alive_changed = now, True

    # ---- the store ---------------------------------------------------------------------------------------------------

    def store_refused(self, event: StoreRefused, now: int) -> None:
        """A commit has failed, once more; what is to be sent without one is in `direct`."""
        self._refusals += 1
        if self._unstored_since is None:
            self._unstored_since = now
        if self._refusals >= REFUSALS or event.ended:
            trouble = self.troubles.get(CANNOT_STORE)
            facts: dict[str, Any] = {"cause": event.cause, "detail": event.detail, "ended": event.ended}
            if trouble is None or trouble.over is not None:
                self.begin(CANNOT_STORE, now, since=self._unstored_since, **facts)
            trouble = self.troubles[CANNOT_STORE]
            trouble.facts.update(facts)
            if event.ended and trouble.sending is None:
                self._owe(trouble, "begun", now)
            for one in list(self.troubles.values()):
                # The clock may stand still, and no timer runs while nothing is stored: each failed commit is a turn.
                if one.owed == "begun" and one.sending is None and (one.attempts or (one.due or 0) <= now):
                    self._attempt(one, now)

    def store_works(self, now: int) -> None:
        """A commit has succeeded again."""
        if self._unstored_since is None:
            return
        self._unstored_since, self._refusals = None, 0
        self.end(CANNOT_STORE, now)

    def take_direct(self) -> list[SendNotice]:
        """What is to be sent without a commit."""
        direct, self.direct = self.direct, []
        return direct

    def owns(self, notice: str) -> bool:
        """Whether an attempt is of one of these notices."""
        return any(t.sending is not None and t.sending[0] == notice for t in self.troubles.values())

    @property
    def sending(self) -> bool:
        """Whether any is in flight."""
        return any(trouble.sending is not None for trouble in self.troubles.values())

    def in_flight(self, notice: str) -> tuple[str, str, str]:
        """Of a notice in flight: the person, the trouble's key, and whether "begun" or "over"."""
        found = next(t for t in self.troubles.values() if t.sending is not None and t.sending[0] == notice)
        assert found.sending is not None
        return found.sending[1], found.key, found.sending[3]

    # ---- telling -----------------------------------------------------------------------------------------------------

    def attempted(self, event: Attempted, now: int) -> bool:
        """Take how an attempt ended; False if it was none of these."""
        if not self.owns(event.notice):
            return False
        trouble = next(t for t in self.troubles.values() if t.sending and t.sending[0] == event.notice)
        assert trouble.sending is not None
        _, person, way, what = trouble.sending
        trouble.sending = None
        answer = self._without_address(person, event.text)
        carrier = self._site.people[person].reach[way].carrier
        self._note(
            f"trouble-{event.outcome}", trouble, now, person=person, carrier=carrier, answer=answer,
            notice=event.notice, what=what,
        )  # fmt: skip
        if event.outcome == "sent":
            self._told(trouble, what, now)
        else:
            if event.outcome == "refused":
                trouble.closed.append(f"{person}/{way}")
            if trouble.owed == what:
                trouble.due = now + BACKOFF[min(trouble.attempts, len(BACKOFF)) - 1]
        self.heard(carrier, person, event.outcome, answer, now)
        self._queue(trouble)
        return True

    def fire(self, key: str, now: int) -> None:
        """Do what is due for a trouble."""
        trouble = self.troubles.get(key)
        if trouble is None or trouble.due is None or trouble.due > now or trouble.sending is not None:
            return
        if trouble.owed is None:
            del self.troubles[key]
            self.dirty.add(key)
        else:
            self._attempt(trouble, now)

    def resume(self, now: int) -> None:
        """After a start: what was in flight goes again with the same Message-ID, what was due is due."""
        for trouble in list(self.troubles.values()):
            if trouble.sending is not None:
                _, person, way, _what = trouble.sending
                if person in self._site.people and way < len(self._site.people[person].reach):
                    self._send(trouble, now)
                else:
                    trouble.sending, trouble.due = None, now
            self._queue(trouble)
        self.end(CANNOT_STORE, now)  # it could, or this would not be known

    def _spell(self, trouble: Trouble, began: int, now: int) -> None:
        """It begins, for the first time or anew."""
        trouble.since, trouble.said = began, False
        trouble.over = None if trouble.how.lasts else now
        first = now if trouble.told_at is None else max(now, trouble.told_at + trouble.how.again)
        self._owe(trouble, "begun", first)
        self._note("trouble-began", trouble, now, since=began)

    def _just_over(self, trouble: Trouble, now: int) -> bool:
        saying_so = trouble.sending is not None and trouble.sending[3] == "over"
        return trouble.over is not None and now - trouble.over < STEADY and not saying_so

    def _owe(self, trouble: Trouble, what: str, due: int) -> None:
        trouble.owed, trouble.due = what, due
        trouble.attempts, trouble.tried, trouble.closed, trouble.first_try = 0, {}, [], None

    def _told(self, trouble: Trouble, what: str, now: int) -> None:
        trouble.told_at = now
        trouble.tellings += 1
        trouble.said = what == "begun"
        if trouble.owed != what:
            return  # it has ended, or begun again, since that went out
        self._owe(trouble, "begun", now + trouble.how.again)
        if what == "over" or not (trouble.how.repeated and trouble.over is None):
            trouble.owed = None  # nothing more to say: forgotten, if it is over then
            trouble.due = trouble.due if trouble.over is not None else None

    def _queue(self, trouble: Trouble) -> None:
        self.dirty.add(trouble.key)
        if trouble.due is not None and trouble.sending is None:
            self._timers.put(trouble.due, Kind.TECHNICAL, trouble.key)

    def _attempt(self, trouble: Trouble, now: int) -> None:
        assert trouble.owed is not None
        found = next_way(self._site, trouble, self.troubles, now)
        if found is None:
            if not trouble.attempts:
                self._note("trouble-untold", trouble, now, what=trouble.owed)
            trouble.attempts += 1
            trouble.due = now + trouble.how.again
            self._queue(trouble)
            return
        trouble.attempts += 1
        trouble.first_try = trouble.first_try or now
        trouble.tried[found.key] = trouble.tried.get(found.key, 0) + 1
        trouble.due = None
        told = f"{trouble.key}|{trouble.since}|{trouble.owed}|{trouble.tellings}|{found.key}"
        trouble.sending = [hashlib.sha256(told.encode()).hexdigest()[:20], *found, trouble.owed]
        sent = self._send(trouble, now)
        if trouble.tried[found.key] == 1:
            text = hashlib.sha256(f"{sent.subject}\n{sent.body}".encode()).hexdigest()
            self._note(
                "trouble-told", trouble, now, person=found.person, carrier=sent.carrier, notice=sent.notice,
                what=trouble.owed, text_sha256=text,
            )  # fmt: skip
        self.dirty.add(trouble.key)

    def _send(self, trouble: Trouble, now: int) -> SendNotice:
        assert trouble.sending is not None
        notice, person, way, what = trouble.sending
        reach = self._site.people[person].reach[way]
        form = self._site.carriers[reach.carrier]
        said = words(trouble, now, self._site.zone, over=what == "over")
        subject = ""
        if form == "mail":
            subject, body = technical_mail(said.title, said.lines, now, self._site.zone)
        else:
            body = technical_page(said.page, (), now, self._site.zone)
        message_id = f"<{notice}@{self._site.name}.secondbell.invalid>"
        thread = trouble.threads.get(person)
        if form == "mail" and thread is None:
            trouble.threads[person] = message_id
        effect = SendNotice(
            notice=notice, carrier=reach.carrier, form=form, address=reach.address, message_id=message_id,
            thread=thread if thread != message_id else None, subject=subject, body=body,
            urgency=trouble.how.urgency, date=trouble.first_try or now,
        )  # fmt: skip
        (self.effects if self._unstored_since is None else self.direct).append(effect)
        return effect

    def _note(
        self, event: str, trouble: Trouble, now: int, *, person: str | None = None, **detail: object
    ) -> None:
        carrier, _, who = trouble.about.partition(" ")
        about = {"about": carrier} if carrier else {}
        if who:
            about["whose"] = self._journal.key("person", who)
        self._journal.note(
            event, now=now, person=person, detail={"trouble": trouble.sort, **about, **detail}
        )  # fmt: skip


_text = json.JSONEncoder(separators=(",", ":"), allow_nan=False).encode
