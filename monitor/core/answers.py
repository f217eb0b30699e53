"""What people answer, by command or by message: found, checked, given to responsibility, and answered in words."""

from __future__ import annotations

from monitor.core.briefing import named
from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.device import Device
from monitor.core.effects import Asked, Reply
from monitor.core.fleet import Fleet
from monitor.core.journal import Journal
from monitor.core.messages import REASON_MAX, AnswerMessage
from monitor.core.phrases import one_line
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
        self.forgotten = 0  # ids that had no room any more
        self.changed: dict[str, int | None] = {}  # of `seen`, since the last transaction; None: forgotten
        self.effects: list[Reply] = []

    def asked(self, event: Asked, now: int) -> None:
        """An answer by command: what is said to it comes as a `Reply`."""
        ok, text = self._take(event, now, BY_COMMAND)
        self.effects.append(Reply(token=event.token, ok=ok, text=text))

    def came(self, message: AnswerMessage, now: int) -> bool:
        """An answer by message, counted once by its id; False if it was seen before."""
        key = _key(message)
        if key in self.seen:
            return False
        self.seen[key] = self.changed[key] = now
        while len(self.seen) > MOST_REMEMBERED:
            oldest = next(iter(self.seen))
            del self.seen[oldest]
            self.forgotten += 1
            self.changed[oldest] = None
        asked = Asked(
            token="",
            reference=message.concern,
            answer=message.answer,
            person=message.person,
            reason=message.reason,
            via=f"message from {message.source}",
        )
        self._take(asked, now, BY_MESSAGE, subject=message.device)
        return True

    def unsee(self, message: AnswerMessage) -> None:
        """An answer that a fault of ours kept from being taken may come again."""
        if self.seen.pop(_key(message), None) is not None:
            self.changed[_key(message)] = None

    def _take(
        self, asked: Asked, now: int, served: tuple[str, ...], *, subject: str | None = None
    ) -> tuple[bool, str]:
        """Whether the answer was served, and what to say; `subject` is the device that a message is about."""
        person, answer = asked.person, asked.answer
        reason = one_line(asked.reason, REASON_MAX) if asked.reason else None

        def refuse(why: str) -> tuple[bool, str]:
            known = person if person in self._site.people else None
            device = subject if subject is not None and self._fleet.get(subject) is not None else None
            self._journal.note(
                "answer-refused",
                now=now,
                device=device,
                person=known,
                limit=f"{known or ''} {device or ''}",  # one button that is stuck must not hide another's
                answer=answer,
                via=asked.via,
                why=why,
            )
            return False, why

        if answer not in served:
            return refuse(f"Nothing was done: the answers are {', '.join(served)}.")
        if person not in self._site.people:
            return refuse(
                "Nothing was done: nobody here has this id. Give your id as the site file lists it."
            )
        concern: Concern | str
        if subject is not None and not asked.reference:
            device = self._fleet.get(subject)
            if answer == "feed-ended" and device is not None:
                return self._feed_ended(device, None, asked, reason, now)
            concern = self._most_urgent(subject)
        else:
            concern = self._find(asked.reference, person)
        if isinstance(concern, str):
            return refuse(concern)
        if subject is not None and concern.subject != subject:
            return refuse("Nothing was done: this concern is about another pump.")
        if answer == "withdraw" and not reason:
            return refuse("Nothing was done: say why it is withdrawn.")
        if answer == "feed-ended":
            device = self._fleet.get(concern.subject)
            if device is None:
                return refuse("Nothing was done: this concern is not about one pump's feed.")
            return self._feed_ended(device, concern, asked, reason, now)
        heard = subject is None  # a message has no way back: what has to be said goes as a notice
        held, was_live = concern.holder == person, concern.live
        said = self._responsibility.answer(concern, answer, person, now, reason, heard=heard)
        if answer in ("accept", "take-over"):
            return concern.state is State.ACCEPTED and concern.holder == person, said
        return (held if answer == "hand-back" else was_live), said

    def _most_urgent(self, device: str) -> Concern | str:
        """What an answer about a device as a whole is about: the most urgent, first of all one that nobody has."""
        live = self._responsibility.open_of(device)
        if not live:
            return "Nothing is open about this pump."
        return min(live, key=lambda concern: (concern.state is not State.OPEN, -concern.rank))

    def _find(self, reference: str, person: str) -> Concern | str:
        """The concern that a person means, or what to say if there is none."""
        reference = reference.strip()
        concerns = self._responsibility.concerns
        if (found := concerns.get(reference.lower())) is not None:
            return found
        code = reference.upper()
        for concern in concerns.values():
            if self._site.code(concern.id, person) == code:
                return concern
        for concern in concerns.values():
            if any(self._site.code(concern.id, other) == code for other in self._site.people):
                return "Nothing was done: this code was given to somebody else. Use the code from your own notice."
        return "Nothing was done: no such code. Look at your notice again; what ended long ago is not kept."

    def _feed_ended(
        self, device: Device, concern: Concern | None, asked: Asked, reason: str | None, now: int
    ) -> tuple[bool, str]:
        self._journal.note(
            "feed-ended",
            now=now,
            concern=concern.id if concern is not None else None,
            device=device.name,
            person=asked.person,
            via=asked.via,
            reason=reason or "",
        )
        self._fleet.end_feed(device, now)
        left = [named(self._site, other) for other in self._responsibility.open_of(device.name)]
        still = f" Still open here, so accept or decline: {'; '.join(left)}." if left else ""
        return True, f"Recorded: the feed is over. If the pump feeds again, it is watched again.{still}"


def _key(message: AnswerMessage) -> str:
    return f"{message.source}|{message.id}"
