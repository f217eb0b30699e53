"""Calling people: the rung of a ladder is told, the wait runs, past the last rung everybody is told again.

Editing rules: when somebody is called is decided by the concern table; here only who that is now, and by which way.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.journal import Journal
from monitor.core.ladders import Call, call
from monitor.core.outbox import Outbox
from monitor.core.rulebook import RANK
from monitor.core.site import Site

CALLS = frozenset(
    (
        "raised", "next-rung", "round-again", "relapsed", "priority-raised", "handed-back", "recheck", "duty",
        "hold-over", "feed-over-over", "away-over",
    )
)  # fmt: skip
"""The reasons for a notice that ask somebody to accept."""


class Caller:
    """Turns the rungs of ladders into notices."""

    def __init__(self, site: Site, journal: Journal) -> None:
        self.site, self._journal = site, journal
        self.outbox: Outbox  # set by the engine
        self._over_with = ("", 0)  # the group of which waits were last let end together, and when
        self.only: dict[str, str] = {}  # subject -> the one person whom its concerns go to, as a drill may

    def call(self, concern: Concern, start: int, why: str, now: int) -> None:
        """Tell the first rung from `start` on that somebody is on; while a backlog is read, nobody yet."""
        if concern.held_back:
            return
        if (person := self.only.get(concern.subject)) is not None:
            if start == 0:  # there is no further rung
                self.begin(concern, Call(0, (person,), 0, ()), why, now)
            return
        ladder = self.site.ladder(concern.unit, concern.priority)
        if start > len(ladder.rungs):
            start = len(ladder.rungs)
        if start == 0:
            concern.refused = []
        without = frozenset(concern.refused)
        found = call(
            ladder, start, concern.unit, now, self.site.rota, self.site.last_resort, without,
            lambda person: self.site.reachable(person, concern.rank, now),
        )  # fmt: skip
        past_the_end = found.rung == len(ladder.rungs)
        if past_the_end:
            if concern.round_at == now:  # at one instant a ladder goes round at most once
                concern.wait_at = None if concern.priority == "low" else now + ladder.repeat
                return
            concern.round_at = now
            concern.refused = []
            why = "round-again" if why == "next-rung" else why
        self.begin(concern, found, why, now)

    def begin(self, concern: Concern, found: Call, why: str, now: int) -> None:
        """Tell these people now, and let their wait run."""
        people = list(found.people)
        technical = self.site.technical
        if (
            technical is not None
            and technical not in people
            and concern.subject.startswith("unit:")
            and why not in ("next-rung", "round-again")
            and self.site.rota.is_on_duty(technical, now)
        ):
            people.append(technical)  # sight is mended by somebody else than who looks at the pumps
        if concern.priority == "low":
            found = found._replace(wait=0)  # awareness: told once, no climbing
        concern.rung, concern.wait = found.rung, found.wait
        concern.called, concern.waits_from_send = people, False
        concern.called_at = concern.call_began = now
        # A limit from now on, in case nothing can be sent at all; once something is, the wait runs from the send.
        concern.wait_at = now + found.wait + self.site.times.give_up[concern.priority] if found.wait else None
        self._journal.about(
            "called",
            concern,
            now,
            why=why,
            rung=found.rung,
            empty=list(found.empty),
            people=[self._journal.key("person", person) for person in people],
            wait=found.wait,
        )
        for person in people:
            self.tell(concern, person, why, now)

    def tell(self, concern: Concern, person: str, why: str, now: int) -> None:
        """Let one person hear of a concern, by the first of their ways."""
        if person not in self.site.people:
            return
        way = 0
        if why in ("stand-down", "withdrawn", "taken") and not self.site.rota.is_on_duty(person, now):
            reach = self.site.people[person].reach
            way = next((i for i, r in enumerate(reach) if self.site.carriers[r.carrier] == "mail"), -1)
            if way < 0 or why == "taken":
                return  # those off duty get nothing but the stand-down, by mail
        rank = concern.rank if why in CALLS else min(concern.rank, RANK["medium"])
        drill, group = self.site.is_drill(concern.subject), ""
        if not drill and why in CALLS:
            group = self.outbox.called(concern, why, now)
        elif not drill and (found := self.outbox.groups.of(concern.id)) is not None:
            group = found.id
        self.outbox.put(
            person,
            concern.id,
            why,
            rank,
            now,
            way=way,
            occasion=f"{concern.rung}|{concern.times}",
            group=group,
            loud=concern.rank == RANK["high"],
            drill=drill,
        )

    def tell_afterwards(self, concern: Concern, now: int) -> None:
        """Let whoever would have been told first hear of what is over: nobody is asked to accept, nothing waits."""
        site = self.site
        ladder = site.ladder(concern.unit, concern.priority)
        for person in call(ladder, 0, concern.unit, now, site.rota, site.last_resort).people:
            self.tell(concern, person, "missed", now)

    def over_with(
        self, concern: Concern, rung: int, known: Mapping[str, Concern], now: int
    ) -> Iterator[Concern]:
        """Let the waits of a group that end soon after this one end with it: the next rung is told once of them all.

        Never later than they would, and by no more than a third of the wait sooner.
        """
        group = self.outbox.groups.of(concern.id)
        if group is None or self._over_with == (group.id, now):
            return
        self._over_with = (group.id, now)
        for key in group.members:
            other = known.get(key)
            if other is None or other.state is not State.OPEN or other.rung != rung or other.wait_at is None:
                continue
            if now < other.wait_at <= now + other.wait // 3:
                other.wait_at = now
                yield other

    def wait_of(self, concern: Concern, rung: int) -> int:
        """How long a rung has, in ms."""
        ladder = self.site.ladder(concern.unit, concern.priority)
        return ladder.rungs[rung].wait if rung < len(ladder.rungs) else ladder.repeat
