"""What people answer, by command or by message: found, checked, given to whoever does it, and answered in words.

Editing rules: about responsibility it is `Responsibility` that does it, about the feed and the pump `FeedAnswers`. What
is said goes into the trail as well: no names of pumps or persons in a refusal.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.device import Device
from monitor.core.effects import Asked, Reply
from monitor.core.feed_answers import FeedAnswers, Refused
from monitor.core.fleet import Fleet
from monitor.core.group_answers import answer_all
from monitor.core.holds import LIMITS, Holds
from monitor.core.journal import Journal
from monitor.core.messages import REASON_MAX, AnswerMessage
from monitor.core.phrases import one_line
from monitor.core.places import Places
from monitor.core.responsibility import Responsibility
from monitor.core.site import Site

MOST_REMEMBERED = 10_000  # ids of answers by message, so that one sent twice counts once
RESPONSIBILITY: Final = ("accept", "decline", "hand-back", "take-over")
FEED: Final = tuple(LIMITS)
BY_MESSAGE: Final = (*RESPONSIBILITY, *FEED)
BY_COMMAND: Final = (*BY_MESSAGE, "withdraw", "swap", "move")

SOMEBODY_ELSES: Final = "this code was given to somebody else. Use the code from your own notice."
REFUSED_AGAIN: Final = 600_000  # ms in which a person hears at most once that a button of a pump is not taken
MOST_TAKEN, TAKEN_WITHIN = 6, 600_000
"""How often the concerns of one pump are taken by message in so many ms: each time everybody who was told is told.

A button that bounces between taking and handing back would page a whole ward each second. What is refused is a taking,
never a handing back: so in doubt it is open. Common practice, no source.
"""
MOST_ANSWERED: Final = 60
"""Answers by message about one pump in as long: each may be an entry of the trail, which must not fill the disk."""
TOO_MANY: Final = "far too many answers by message about this pump just now. Use the code from your notice."
TOO_OFTEN: Final = (
    "this pump was taken and given back by message too often just now. Use the code from your notice."
)
OFF_DUTY: Final = " You are not on duty now; that does not matter, it is yours until you hand it back."


class Target(NamedTuple):
    """What an answer is about: a concern, or a device as a whole, or both."""

    concern: Concern | None
    device: Device | None


class Answers:
    """Takes answers about concerns and devices."""

    def __init__(
        self,
        site: Site,
        journal: Journal,
        responsibility: Responsibility,
        fleet: Fleet,
        holds: Holds,
        places: Places,
    ) -> None:
        self._site, self._journal, self._responsibility, self._fleet = site, journal, responsibility, fleet
        self._holds = holds
        self._feed = FeedAnswers(site, journal, responsibility, fleet, holds, places)
        self.seen: dict[str, int] = {}
        self.forgotten = 0  # ids that had no room any more
        self.changed: dict[str, int | None] = {}  # of `seen`, since the last transaction; None: forgotten
        self.effects: list[Reply] = []
        self._said_refused: dict[tuple[str, str], int] = {}  # person and device -> when that was last told
        self._answered: dict[str, tuple[int, int]] = {}  # device -> since when, and how many by message
        self._taken: dict[str, list[int]] = {}  # device -> when it was taken by message, not long ago

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
            until=message.until,
        )
        self._take(asked, now, BY_MESSAGE, subject=message.device)
        return True

    def limits(self, now: int) -> dict[str, Any]:
        """What is counted of answers by message, for `limit_as`: a restart lets nobody begin anew."""
        return {
            "refused": [[*key, at] for key, at in self._said_refused.items() if now - at < REFUSED_AGAIN],
            "answered": [[key, *at] for key, at in self._answered.items() if now - at[0] < TAKEN_WITHIN],
            "taken": [[key, *at] for key, at in self._taken.items() if now - at[-1] < TAKEN_WITHIN],
        }

    def limit_as(self, counted: Mapping[str, Any]) -> None:
        """Go on with what `limits` gave; nothing where an older version did not count."""
        self._said_refused = {(person, device): at for person, device, at in counted.get("refused", ())}
        self._answered = {device: (began, count) for device, began, count in counted.get("answered", ())}
        self._taken = {device: list(at) for device, *at in counted.get("taken", ())}

    def unsee(self, message: AnswerMessage) -> None:
        """An answer that a fault of ours kept from being taken may come again."""
        if self.seen.pop(_key(message), None) is not None:
            self.changed[_key(message)] = None

    def _take(
        self, asked: Asked, now: int, served: tuple[str, ...], *, subject: str | None = None
    ) -> tuple[bool, str]:
        """Whether the answer was served, and what to say; `subject` is the device that a message is about."""
        try:
            return self._served(asked, now, served, subject)
        except Refused as refused:
            why = f"Nothing was done: {refused}"
        known = asked.person if asked.person in self._site.people else None
        device = subject if subject is not None and self._fleet.get(subject) is not None else None
        self._journal.note(
            "answer-refused",
            now=now,
            device=device,
            person=known,
            limit=f"{known or ''} {device or ''}",  # one button that is stuck must not hide another's
            answer=asked.answer,
            via=asked.via,
            why=why,
        )
        if known is not None and device is not None:
            self._tell_refused(known, device, now)
        return False, why

    def _tell_refused(self, person: str, device: str, now: int) -> None:
        """A button has no way back: if something is open there, whoever pressed it hears that she does not have it."""
        if now - self._said_refused.get((person, device), now - REFUSED_AGAIN) < REFUSED_AGAIN:
            return
        live = [c for c in self._responsibility.open_of(device) if c.state is State.OPEN]
        if live:
            self._said_refused = {
                key: at for key, at in self._said_refused.items() if now - at < REFUSED_AGAIN
            }
            self._said_refused[person, device] = now
            self._responsibility.tell_refused(max(live, key=lambda concern: concern.rank), person, now)

    def _served(
        self, asked: Asked, now: int, served: tuple[str, ...], subject: str | None
    ) -> tuple[bool, str]:
        """Do what is answered; raises Refused, and nothing was done."""
        person, answer = asked.person, asked.answer
        if subject is not None and self._too_many(subject, asked, now):
            raise Refused(TOO_MANY)
        reason = one_line(asked.reason, REASON_MAX) if asked.reason else None
        if answer not in served:
            raise Refused(f"the answers are {', '.join(served)}.")
        if person not in self._site.people:
            raise Refused("nobody here has this id. Give your id as the site file lists it.")
        groups = self._responsibility.outbox.groups
        if subject is None and (listed := groups.find(asked.reference, person)) is not None:
            if answer not in RESPONSIBILITY:
                raise Refused(
                    "this code is for many pumps, and this answer is about one: name the pump, or use its own code."
                )
            ok, said = answer_all(self._responsibility, listed, answer, person, now, reason)
            off = ok and answer in ("accept", "take-over") and not self._site.rota.is_on_duty(person, now)
            return ok, said + (OFF_DUTY if off else "")
        target = self._target(asked, person, subject, now)
        if subject is not None and target.concern is not None and target.concern.subject != subject:
            raise Refused("this concern is about another pump.")
        if answer in FEED:
            slack = 0 if subject is None else self._site.times.clock_tolerance
            return True, self._feed.answer(target.device, target.concern, asked, reason, now, slack)
        if answer in ("swap", "move"):
            return True, self._feed.place(target.device, asked, reason, now)
        if answer == "withdraw" and not reason:
            raise Refused("say why it is withdrawn.")
        if answer == "withdraw" and target.concern is None:
            return True, self._feed.withdraw(target.device, asked, reason or "", now)
        if answer == "hand-back" and (back := self._hand_back_hold(target, person, now)) is not None:
            return True, back
        return self._about(self._concern(target, person, answer), asked, reason, now, heard=subject is None)

    def _too_many(self, subject: str, asked: Asked, now: int) -> bool:
        """Whether a message is one too many about its pump; who has it can always hand it back."""
        began, count = self._answered.get(subject, (now, 0))
        if now - began >= TAKEN_WITHIN:
            began, count = now, 0
            self._answered = {key: at for key, at in self._answered.items() if now - at[0] < TAKEN_WITHIN}
        if self._fleet.get(subject) is not None:
            self._answered[subject] = (began, count + 1)
        if count < MOST_ANSWERED:
            return False
        mine = any(concern.holder == asked.person for concern in self._responsibility.open_of(subject))
        return not (mine and asked.answer == "hand-back")

    def _about(
        self, concern: Concern, asked: Asked, reason: str | None, now: int, *, heard: bool
    ) -> tuple[bool, str]:
        """An answer about responsibility; if it cannot be `heard`, what has to be said goes as a notice."""
        person, answer = asked.person, asked.answer
        held, was_live = concern.holder == person, concern.live
        takes = not heard and answer in ("accept", "take-over") and not held
        recent = [at for at in self._taken.get(concern.subject, ()) if now - at < TAKEN_WITHIN]
        if takes and len(recent) >= MOST_TAKEN:
            raise Refused(TOO_OFTEN)
        said = self._responsibility.answer(concern, answer, person, now, reason, heard=heard)
        if answer in ("accept", "take-over"):
            has = concern.state is State.ACCEPTED and concern.holder == person
            if takes and has:
                kept = {key: at for key, at in self._taken.items() if now - at[-1] < TAKEN_WITHIN}
                self._taken = {**kept, concern.subject: [*recent, now]}
            if has and not self._site.rota.is_on_duty(person, now):
                said += OFF_DUTY
            return has, said
        return (held if answer == "hand-back" else was_live), said

    def _hand_back_hold(self, target: Target, person: str, now: int) -> str | None:
        """Handing back what one holds on purpose and not as a concern; None if there is no such hold."""
        subject = target.device.name if target.device is not None else ""
        concern = target.concern
        if concern is not None and concern.holder == person:
            return None
        if any(c.holder == person for c in self._responsibility.open_of(subject)) or not any(
            hold.person == person for hold in self._holds.of(subject)
        ):
            return None
        if not self._holds.hand_back(subject, person, now):
            return None
        return "Handed back: it is held no longer, and is watched as before; what is still so is told now."

    # ---- what it is about ------------------------------------------------------------------------------------------

    def _target(self, asked: Asked, person: str, subject: str | None, now: int) -> Target:
        """What an answer is about; raises Refused."""
        if subject is not None and not asked.reference:
            return Target(None, self._device(asked.answer, subject, now))
        found = self._find(asked.reference, person, subject)
        if isinstance(found, Concern):
            return Target(found, self._fleet.get(found.subject))
        name = asked.reference.strip()
        if subject is None and (device := self._device(asked.answer, name, now)) is not None:
            return Target(None, device)
        raise Refused(found)

    def _device(self, answer: str, name: str, now: int) -> Device | None:
        """A device; for what can be said beforehand, one that is listed is watched from now on too."""
        return self._fleet.get(name) if answer in RESPONSIBILITY else self._feed.device(name, now)

    def _concern(self, target: Target, person: str, answer: str) -> Concern:
        """The concern that an answer about responsibility is about: of a device what nobody has, the most urgent."""
        if target.concern is not None:
            return target.concern
        live = self._responsibility.open_of(target.device.name) if target.device is not None else []
        if not live:
            raise Refused("nothing is open about this pump.")
        if answer == "hand-back":  # what one can give back is what one has
            live = [concern for concern in live if concern.holder == person] or live
        return min(live, key=lambda concern: (concern.state is not State.OPEN, -concern.rank))

    def _find(self, reference: str, person: str, subject: str | None) -> Concern | str:
        """The concern that a person means, or what to say if there is none.

        Of a message only the codes of its own pump are worked out: those of all pumps and persons take long, and
        whoever may publish can ask as often as he likes.
        """
        reference = reference.strip()
        known = self._responsibility.concerns
        if (found := known.get(reference.lower())) is not None:
            return found
        code = reference.upper()
        concerns = [one for one in known.values() if subject is None or one.subject == subject]
        for concern in concerns:
            if self._site.code(concern.id, person) == code:
                return concern
        for concern in concerns:
            if any(self._site.code(concern.id, other) == code for other in self._site.people):
                return SOMEBODY_ELSES
        groups = self._responsibility.outbox.groups
        if subject is None and any(groups.find(code, other) is not None for other in self._site.people):
            return SOMEBODY_ELSES
        return "no such code, and no pump of this id. Look at your notice again; what ended long ago is not kept."


def _key(message: AnswerMessage) -> str:
    return f"{message.source}|{message.id}"
