"""Notices on their way: gathered, attempted, tried again, sent by the next carrier, or failed for good.

A notice is one message to one person by one carrier; it may tell of several concerns. It is stored before it is
attempted and after; an attempt in flight at a crash is made again with the same Message-ID. What may go when (drills,
quiet hours, the load limit) is decided when it is about to be sent.
"""

from __future__ import annotations

from collections.abc import Mapping

from monitor.core.concern import Concern
from monitor.core.effects import Attempted, SendNotice
from monitor.core.groups import Groups
from monitor.core.journal import Journal
from monitor.core.load_limit import LoadLimit
from monitor.core.notice import Bucket, Compose, Ended, News, bucket_of, notice_id
from monitor.core.notice import Notice as Notice
from monitor.core.rulebook import PRIORITY, RANK
from monitor.core.site import SECOND, Site
from monitor.core.technical import Technical
from monitor.core.timers import Kind, Timers
from monitor.core.ways import ASKS, LOAD, OFF, QUIET, effect_of, full, next_way, off_duty, without_address
from monitor.core.wording import WHY

BACKOFF = (5 * SECOND, 15 * SECOND, 30 * SECOND)  # then the last again; common practice, no source


class Outbox:
    """All notices that are not yet over."""

    def __init__(
        self, site: Site, journal: Journal, timers: Timers, compose: Compose, news: News, ended: Ended
    ) -> None:
        self._site, self._journal, self._timers = site, journal, timers
        self._compose, self._news, self._ended = compose, news, ended
        self.technical: Technical | None = None  # hears how attempts end; set by the engine
        self.groups, self._limit = Groups(site), LoadLimit(site)
        self.notices: dict[str, Notice] = {}
        self.dirty: set[str] = set()
        self.over: dict[str, Notice] = {}  # since the last transaction: stored once more, then forgotten
        self.effects: list[SendNotice] = []
        self._gathering: dict[Bucket, set[str]] = {}
        self._held: dict[tuple[str, int, bool], str] = {}  # by person, way, drill: what becomes a summary

    # ---- in --------------------------------------------------------------------------------------------------------

    def called(self, concern: Concern, why: str, now: int) -> str:
        """The group that a call is told with, "" if by itself; what is gathered of its first members joins it."""
        group, formed = self.groups.called(concern, why, now)
        if group is None:
            return ""
        if formed:
            for bucket, keys in [(b, sorted(k)) for b, k in self._gathering.items() if not b.group + b.kind]:
                for notice in map(self.notices.__getitem__, keys):
                    for member in [key for key in notice.said if key in group.places]:
                        told = notice.said.pop(member)
                        self.dirty.add(notice.id)
                        self.put(
                            notice.person, member, told, notice.rank, now,
                            way=bucket.way, group=group.id, loud=notice.loud, by=notice.due,
                        )  # fmt: skip
        return group.id

    def put(
        self,
        person: str,
        concern: str,
        why: str,
        rank: int,
        now: int,
        *,
        way: int = 0,
        occasion: str = "",
        group: str = "",
        loud: bool = False,
        drill: bool = False,
        by: int | None = None,
    ) -> None:
        """Let a person be told of a concern; joins what is being gathered, unless the priority is high and no group's.

        `occasion` tells apart what is told twice at one instant; `loud`: the concern is high, whatever is said of it;
        `by`: it is sent then at the latest.
        """
        urgent = rank == RANK["high"] and not group
        bucket = Bucket(person, way, group, WHY[why].kind if group else "drill" if drill else "")
        self._unsay(person, concern)
        gathering = self._gathering_for(bucket)
        notice = next((one for one in gathering if one.tells_of(concern)), None)
        if urgent and notice is not None:  # what is said at once is not said again by what is being gathered
            del notice.said[concern]
            self.dirty.add(notice.id)
        if notice is None:
            notice = next((one for one in gathering if group or not full(self._site, one)), None)
        if notice is None or urgent:
            wait = self.groups.gather(group, person, bucket.kind, now) if group else self._site.times.gather
            due = now if urgent else now + wait
            notice = Notice(
                id=notice_id(concern, why, person, way, now, occasion),
                person=person,
                way=way,
                rank=rank,
                created=now,
                due=due,
            )
            if notice.id in self.notices:
                notice = self.notices[notice.id]
            notice.group, notice.kind, notice.drill = group, bucket.kind, drill
            self.notices[notice.id] = notice
            self._timers.put(due, Kind.NOTICE, notice.id)
            if not urgent:
                self._gathering.setdefault(bucket, set()).add(notice.id)
        # One concern is said once in a notice, as it is now: what is said of it last is what counts.
        notice.say(concern, why)
        notice.rank, notice.loud = max(notice.rank, rank), notice.loud or loud
        if by is not None and notice.due is not None and by < notice.due:
            self._put_off(notice, by)
        self.dirty.add(notice.id)

    def fire(self, notice_id: str, now: int) -> int:
        """Attempt a notice whose gathering or waiting is over; of how many concerns it tells."""
        notice = self.notices.get(notice_id)
        if notice is None or notice.due is None or notice.due > now:
            return 0
        if notice.state in ("gathering", "held"):
            if not self._may_go(notice, now):
                return 1
            if not self._start(notice, now):
                return len(notice.said)
        elif not self._news(notice):
            self._drop(notice, now)
            return 0
        elif self._off_duty(notice, now):
            return 1
        elif next_way(self._site, notice, notice.way, now) != notice.way and (
            (way := next_way(self._site, notice, notice.way + 1, now)) is not None
        ):  # quiet hours have begun
            self._by_next_carrier(notice, way, now)
            return 1
        self._attempt(notice, now)
        return len(notice.said)

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
        elif (way := next_way(self._site, notice, notice.way + 1, now)) is not None:
            self._by_next_carrier(notice, way, now)
        else:
            self._note(notice, "notice-failed", now, carrier=carrier)
            self._end(notice, "failed", now)

    def returned(self, notice: Notice, now: int) -> bool:
        """A mail that was sent has come back: its news goes by the next way; False if there is none."""
        way = next_way(self._site, notice, notice.way + 1, now)
        if way is not None:
            self._say_by(notice, way, now)
        return way is not None

    def resume(self, now: int) -> None:
        """After a start: put every notice back on its way; one in flight goes again with the same Message-ID."""
        for notice in sorted(self.notices.values(), key=lambda notice: (notice.created, notice.id)):
            if notice.person not in self._site.people or notice.way >= len(
                self._site.people[notice.person].reach
            ):
                self._end(notice, "failed", now)
            elif notice.state == "sending":
                self.effects.append(effect_of(self._site, notice))
            else:
                if notice.state == "held":
                    self._held[notice.person, notice.way, notice.drill] = notice.id
                elif notice.state == "gathering" and (notice.rank < RANK["high"] or notice.group):
                    self._gathering.setdefault(bucket_of(notice), set()).add(notice.id)
                self._timers.put(notice.due or now, Kind.NOTICE, notice.id)

    def busy(self) -> bool:
        """Whether any attempt is out."""
        return any(notice.state == "sending" for notice in self.notices.values())

    def take_rows(self) -> dict[tuple[str, str], str | None]:
        """What has changed of groups and the load limit since the last call."""
        return self.groups.take_rows() | self._limit.take_rows()

    def load(self, rows: Mapping[str, Mapping[str, str]]) -> None:
        """Take what `take_rows` gave, rows by kind and key."""
        self.groups.load(rows.get("group", {}).values())
        self._limit.load(rows.get("load", {}))

    # ---- whether it may go -----------------------------------------------------------------------------------------

    def _may_go(self, notice: Notice, now: int) -> bool:
        """Whether a notice goes now; if not, it has been put off, held back, dropped or has failed."""
        if notice.drill:
            real = [
                one.due or now
                for one in self.notices.values()
                if one.person == notice.person and one.state == "gathering" and not one.drill
            ]
            if real:
                self._put_off(notice, max(now, *real) + 1)  # what is real goes first
                return False
        self._leave(notice)
        if not self._news(notice):
            self._drop(notice, now)
            return False
        if self._off_duty(notice, now):
            return False
        way = next_way(self._site, notice, notice.way, now)
        if way is None:
            self._no_way(notice, now)
            return False
        notice.way = way
        if notice.drill or notice.rank == RANK["high"]:
            return True
        calls = any(WHY[why].kind == "call" for why in notice.said.values())
        until = self._limit.wait(notice.person, now, calls=calls)
        if until is not None:
            self._hold_back(notice, until, now, LOAD)
            return False
        notice.counted = now
        self._limit.count(notice.person, now)
        return True

    def _no_way(self, notice: Notice, now: int) -> None:
        """All ways to a person are quiet: a call has failed, and the ladder goes on; what is over waits for the end."""
        rest = {key: why for key, why in notice.said.items() if WHY[why].kind not in ASKS}
        if rest:
            waits = self._part(notice, rest, now)
            ways = range(len(self._site.people[notice.person].reach))
            ends = [end for way in ways if (end := self._site.quiet(notice.person, way, now)) is not None]
            if ends:
                self._hold_back(waits, min(ends), now, QUIET)
            else:  # off duty by now, and without mail
                self._drop(waits, now)
            if waits is notice:
                return
        self._fail(notice, QUIET, now)

    def _off_duty(self, notice: Notice, now: int) -> bool:
        """Whether it asks somebody whose duty has ended since: that has failed, so that the ladder goes on."""
        if not (asked := off_duty(self._site, notice, now)):
            return False
        if rest := {key: why for key, why in notice.said.items() if key not in asked}:
            self._part(notice, rest, now)
        self._fail(notice, OFF, now)
        return True

    def _part(self, notice: Notice, part: dict[str, str], now: int) -> Notice:
        """A part of what a notice says, as a notice of its own that is not yet on its way."""
        if len(part) == len(notice.said):
            return notice
        one = Notice(
            id=notice_id(notice.id, "part", notice.person, notice.way, now, ""),
            person=notice.person, way=notice.way, rank=notice.rank, created=notice.created, due=now,
        )  # fmt: skip
        one.said, one.loud, one.drill, one.held = part, notice.loud, notice.drill, notice.held
        self.notices[one.id] = one
        self._put_off(one, now)
        notice.said = {key: why for key, why in notice.said.items() if key not in part}
        return one

    def _fail(self, notice: Notice, cause: str, now: int) -> None:
        """It cannot go, and has failed without an attempt."""
        carrier = self._site.people[notice.person].reach[notice.way].carrier
        self._note(notice, "notice-failed", now, carrier=carrier, cause=cause)
        self._end(notice, "failed", now)

    def _hold_back(self, notice: Notice, until: int, now: int, cause: str) -> None:
        """Keep a notice for the person's summary: each concern of it once, as it is then."""
        key = (notice.person, notice.way, notice.drill)
        first = notice.state != "held"
        held = self.notices.get(self._held.get(key, ""))
        into = notice if held is None else held
        if first:
            self._note(notice, "held-back", now, until=until, cause=cause, into=into.id)
        if held is None:
            notice.state, notice.held = "held", cause
            self._held[key] = notice.id
            self._put_off(notice, until)
            return
        for concern, why in notice.said.items():
            held.say(concern, why)
        held.rank, held.loud = max(held.rank, notice.rank), held.loud or notice.loud
        if held.group != notice.group:
            held.group = ""
        held.kind = ""
        if held.due is not None and until < held.due:
            self._put_off(held, until)
        self.dirty.add(held.id)
        self._drop(notice, now)

    def _unsay(self, person: str, concern: str) -> None:
        """What is said anew of a concern is not said again by what is held back."""
        for (of, _, _), key in self._held.items():
            if of == person and self.notices[key].said.pop(concern, None) is not None:
                self.dirty.add(key)

    def _put_off(self, notice: Notice, until: int) -> None:
        notice.due = until
        self._timers.put(until, Kind.NOTICE, notice.id)
        self.dirty.add(notice.id)

    def _leave(self, notice: Notice) -> None:
        """It is gathered or held no longer."""
        bucket = bucket_of(notice)
        if (keys := self._gathering.get(bucket)) is not None:
            keys.discard(notice.id)
            if not keys:
                del self._gathering[bucket]
        if self._held.get(held := (notice.person, notice.way, notice.drill)) == notice.id:
            del self._held[held]

    # ---- on its way ------------------------------------------------------------------------------------------------

    def _start(self, notice: Notice, now: int) -> bool:
        reach = self._site.people[notice.person].reach[notice.way]
        notice.message_id = notice.mail_id(self._site.name)
        if not self._compose(notice, self._site.carriers[reach.carrier], now):
            self._drop(notice, now)
            return False
        notice.first_try, notice.attempts = now, 0
        return True

    def _attempt(self, notice: Notice, now: int) -> None:
        notice.attempts += 1
        notice.state, notice.due = "sending", None
        self.dirty.add(notice.id)
        self.effects.append(effect_of(self._site, notice, now))

    def _gathering_for(self, bucket: Bucket) -> list[Notice]:
        """What is being gathered for a person by one way, oldest first."""
        found = [self.notices[key] for key in self._gathering.get(bucket, ())]
        return sorted(found, key=lambda notice: (notice.created, notice.id))

    def _say_by(self, notice: Notice, way: int, now: int) -> None:
        """The same news to the same person by another way, as a notice of its own."""
        at_once = now if notice.rank == RANK["high"] else None
        group = notice.group or (notice.id if notice.id in self.groups.known else "")  # its code stays
        for concern, why in notice.said.items():
            self.put(
                notice.person, concern, why, notice.rank, now, way=way, occasion=notice.id,
                group=group, loud=notice.loud, drill=notice.drill, by=at_once,
            )  # fmt: skip

    def _by_next_carrier(self, notice: Notice, way: int, now: int) -> None:
        """A notice that is given up by one carrier: it goes by another."""
        self._say_by(notice, way, now)
        self._drop(notice, now, "failed")

    def _drop(self, notice: Notice, now: int, state: str = "dropped") -> None:
        """It is over, and `dropped` if nothing of it is news any more; what reached nobody is not counted as load."""
        notice.state, notice.ended, notice.due = state, now, None
        if state != "sent" and notice.counted is not None:
            self._limit.give_back(notice.person, notice.counted)
            notice.counted = None
        self.dirty.add(notice.id)
        self.over[notice.id] = self.notices.pop(notice.id)

    def _end(self, notice: Notice, state: str, now: int) -> None:
        self._drop(notice, now, state)
        self._ended(notice, state == "sent", now)

    def _note(self, notice: Notice, event: str, now: int, **detail: object) -> None:
        concerns = list(notice.said)
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
        return without_address(self._site, person, self._journal.key("person", person), text)
