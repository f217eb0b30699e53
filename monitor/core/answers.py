"""What people answer, by command or by message: found, checked, given to responsibility, and answered in words."""

from __future__ import annotations

from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.effects import Asked, Reply
from monitor.core.fleet import Fleet
from monitor.core.journal import Journal
from monitor.core.messages import AnswerMessage
from monitor.core.responsibility import Responsibility
from monitor.core.site import Site

MOST_REMEMBERED = 10_000  # ids of answers by message, so that one sent twice counts once
BY_MESSAGE = ("accept", "decline", "hand-back", "take-over", "feed-ended")
BY_COMMAND = (*BY_MESSAGE, "withdraw")


class Answers:
    """Takes answers about concerns."""

    def __init__(self, site: Site, journal: Journal, responsibility: Responsibility, fleet: Fleet) -> None:
        self._site, self._journal, self._responsibility, self._fleet = site, journal, responsibility, fleet
        self.seen: dict[str, int] = {}
        self.effects: list[Reply] = []

    def asked(self, event: Asked, now: int) -> None:
        """An answer by command: what is said to it comes as a `Reply`."""
        ok, text = self._take(event, now, BY_COMMAND)
        self.effects.append(Reply(token=event.token, ok=ok, text=text))

    def came(self, message: AnswerMessage, now: int) -> bool:
        """An answer by message, counted once by its id; False if it was seen before."""
        key = f"{message.source}|{message.id}"
        if key in self.seen:
            return False
        self.seen[key] = now
        while len(self.seen) > MOST_REMEMBERED:
            del self.seen[next(iter(self.seen))]
        reference = message.concern
        if not reference:  # about the device as a whole: the most urgent that nobody has
            live = sorted(
                self._responsibility.open_of(message.device),
                key=lambda c: (c.state is not State.OPEN, -c.rank),
            )
            reference = live[0].id if live else ""
        asked = Asked(
            token="",
            reference=reference,
            answer=message.answer,
            person=message.person,
            reason=message.reason,
            via=f"message from {message.source}",
        )
        self._take(asked, now, BY_MESSAGE, subject=message.device)
        return True

    def _take(
        self, asked: Asked, now: int, served: tuple[str, ...], *, subject: str | None = None
    ) -> tuple[bool, str]:
        """Whether the answer was served, and what to say."""
        person, answer = asked.person, asked.answer

        def refuse(why: str) -> tuple[bool, str]:
            known = person if person in self._site.people else None
            self._journal.note("answer-refused", now=now, person=known, answer=answer, via=asked.via, why=why)
            return False, why

        if answer not in served:
            return refuse(f"This answer is not served: {answer}; {', '.join(served)} are.")
        if person not in self._site.people:
            return refuse("No such person on this site's list; use the id from the site file.")
        concern = self._find(asked.reference, person)
        if isinstance(concern, str):
            return refuse(concern)
        if subject is not None and concern.subject != subject:
            return refuse("The concern is about another device than the topic.")
        if answer == "withdraw" and not asked.reason:
            return refuse("A withdrawal needs a reason.")
        if answer == "feed-ended":
            return self._feed_ended(
                concern, asked, now, refuse_text="This concern is not about one pump's feed."
            )
        return True, self._responsibility.answer(concern, answer, person, now, asked.reason)

    def _find(self, reference: str, person: str) -> Concern | str:
        """The concern that a person means, or what to say if there is none."""
        concerns = self._responsibility.concerns
        if (found := concerns.get(reference.lower())) is not None:
            return found
        code = reference.upper().strip()
        for concern in concerns.values():
            if self._site.code(concern.id, person) == code:
                return concern
        for concern in concerns.values():
            if any(self._site.code(concern.id, other) == code for other in concern.told):
                return "This code was given to somebody else; answer with the code from your own notice."
        return "No concern has this code or id; look at the notice again, or it ended more than a day ago."

    def _feed_ended(self, concern: Concern, asked: Asked, now: int, *, refuse_text: str) -> tuple[bool, str]:
        device = self._fleet.get(concern.subject)
        if device is None:
            return False, refuse_text
        self._journal.note(
            "feed-ended",
            now=now,
            concern=concern.id,
            device=device.name,
            person=asked.person,
            via=asked.via,
            reason=asked.reason or "",
        )
        self._fleet.end_feed(device, now)
        return True, "Recorded: the feed is over. If the pump feeds again, it is watched again."
