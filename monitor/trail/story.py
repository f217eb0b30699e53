"""One concern as its entries tell it: what was seen, decided, sent, answered; each line after how long since what.

Editing rules: a new event gets its words in `WORDS`; without them it is told by its name and what it holds. Words say
what happened, never whether it was right. A line must come of any text: the trail may be older, newer, or changed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from monitor.core.instants import show, show_duration
from monitor.core.plans import UTC, Zone
from monitor.core.reasons import sentence

Names = Mapping[str, tuple[str, str]]

WHY: Final[Mapping[str, str]] = {
    "raised": "it was raised", "next-rung": "nobody before them took it", "round-again": "the ladder goes round again",
    "relapsed": "it is back", "priority-raised": "it has become more urgent", "handed-back": "it was handed back",
    "recheck": "still troubled at the recheck", "duty": "duty has changed", "further": "a further alarm of that pump",
    "taken": "somebody else has it", "taken-over": "it was taken over", "stand-down": "it is over",
    "withdrawn": "it was withdrawn", "missed": "it was over before anybody could be told", "already": "somebody has it",
    "answer-late": "the answer came after it was over", "moved": "the pump was moved",
}  # fmt: skip
"""Why somebody is told."""

WORDS: Final[Mapping[str, str]] = {
    # ---- of a concern
    "covered": "{person} has this pump already: accepted without a page",
    "missed": "it began and ended while older messages were being read: nobody was told at the time",
    "told-who-has-it": "{person} was answered who has it",
    "duty-ended": "the duty of {person} ended",
    "undone": "taken back: a fault of Second Bell itself had brought it about",
    "carried": "from now on about the pump that the feed went on with",
    # ---- of a notice
    "notice-fault": "the notice to {person} could not be written, so it went out short",
    "held-back": "the notice to {person} is held back, to go with the next summary",
    "told-together": "{person} is told of it in one notice with others",
    "notice-returned": "the mail to {person} came back as not delivered",
    "automatic-reply": "an automatic reply of {person} came by mail: not taken as an answer",
    "reply-not-read": "a reply of {person} came by mail: nobody reads those, and it is no answer",
    "return-unknown": "a report about a mail that is not known came back: nothing was done",
    # ---- answers
    "feed-ended": "{person} said that the feed is over for now",
    "feed-due-again": "the feed is due again",
    "answer-refused": "an answer of {person} was not taken",
    "link-refused": "a link of {person} for answering was not taken",
    "code-refused": "a code of {person} for answering was not taken",
    "form-refused": "an answer of {person} on the page was not taken",
    "held": "{person} said that the feed is paused on purpose",
    "hold-ended": "what {person} had said of the feed or the pump no longer counts",
    "hold-shortened": "what {person} had said of the feed or the pump counts for a shorter time",
    "away": "{person} said that the pump is away",
    "quieted": "it would have been raised; quiet for now, by what {person} had said of the feed or the pump",
    # ---- of a pump
    "swapped": "the feed goes on with another pump",
    "device-moved": "the pump reports from another unit",
    "device-withdrawn": "{person} took the pump out of service",
    "device-not-listed": "a pump that is not in the site file was heard of",
    "device-forgotten": "a pump that was not listed and not heard of for long is no longer kept",
    "place-recorded": "{person} said where the pump is",
    "place-let-go": "what was said of the pump's place no longer counts: the site file has another",
    "plan-changed": "the plan of the feed was changed",
    "claimed-by-two": "two bridges send messages of this pump",
    "clock-doubtful": "the time in a message of the pump cannot be right: the time of its arrival counts",
    "fields-dropped": "parts of a message could not be understood and were left out",
    "quarantined": "a message could not be understood: kept aside, nothing was made of it",
    "quarantine-full": "a message could not be understood, and there was no room to keep it",
    # ---- of broker and bridges
    "link-up": "connected with the broker",
    "link-down": "the connection with the broker was lost",
    "caught-up": "what had piled up at the broker was read",
    "backlog-unfinished": "what had piled up at the broker could not be read in time",
    "bridge-presence": "a bridge came or went",
    "bridge-forgotten": "a bridge that was not heard of for long is no longer kept",
    "units-full": "messages name more units than can be kept",
    # ---- of Second Bell itself
    "started": "Second Bell started",
    "stopped": "Second Bell stopped",
    "configuration-changed": "the site file or a rule was changed",
    "reload-refused": "a changed site file had errors: the one before it goes on",
    "rule-changed": "a rule was changed: what it had been watching begins anew",
    "rota-changed": "the rota was changed",
    "rota-unread": "a calendar of the rota could not be read: what was known before goes on",
    "trail-doubtful": "at the start the trail did not fit what had been stored before",
    "trouble-began": "a trouble of Second Bell itself began",
    "trouble-over": "a trouble of Second Bell itself is over",
    "trouble-told": "{person} is told of a trouble of Second Bell itself",
    "trouble-sent": "the notice to {person} of a trouble of Second Bell itself was taken",
    "trouble-try-later": "the notice to {person} of a trouble of Second Bell itself was not taken yet",
    "trouble-refused": "the notice to {person} of a trouble of Second Bell itself was refused",
    "trouble-untold": "nobody could be told of a trouble of Second Bell itself",
    # ---- drills
    "drill-asked": "a drill was asked for",
    "drill-put-off": "the drill waits",
    "drill-begun": "the drill's made-up alarm was sent",
    "drill-ended": "the drill ended",
    # ---- the record
    "trail-key-changed": "another key signs the record from now on; the one before signed that",
    "trail-key-lost": "the key that signed the record is lost; another one signs from now on",
    "trail-pruned": "old texts of the record were erased by policy; their hashes stay",
    "name-forgotten": "a name behind an opaque key was erased by request",
    "handover-mailed": "the handover was mailed",
    "handover-not-mailed": "the handover could not be mailed",
}
"""What an event is called; `{person}` is who did it, or whom it concerns."""

_OPENS: Final[Mapping[str, str]] = {
    "raised": "raised", "relapsed": "back again", "joined": "holds once more", "priority-raised": "more urgent now",
}  # fmt: skip
_OPENED: Final[Mapping[str, str]] = {
    "raised": "it was raised", "relapsed": "it came back", "priority-raised": "it became more urgent",
}  # fmt: skip
_PAST: Final[Mapping[str, str]] = {
    "accepted": "accepted by", "accepted-again": "said again to be with", "declined": "declined by",
    "handed-back": "handed back by", "taken-over": "taken over by",
}  # fmt: skip
_UNTOLD: Final = frozenset(
    {
        "concerns",
        "notice",
        "text_sha256",
        "noted",
        "evidence",
        "message_id",
        "rung",
        "empty",
        "into",
        "group",
        "public_key",
        "signature",
    }
)
_INSTANTS: Final = frozenset({"until", "since", "from", "to"})
SENT: Final = ("notice-sent", "notice-try-later", "notice-refused", "notice-failed", "notice-returned")
"""Events that may stand under another concern of the same notice."""


class Teller:
    """Tells entries in their order, and remembers what later ones are measured from; instants in ms UTC."""

    def __init__(self, names: Names, zone: Zone = UTC, called: Mapping[str, str] | None = None) -> None:
        """`names` are those behind opaque keys, `called` what people are called at this site."""
        self._names, self._zone, self._called = names, zone, called or {}
        self._opened: int | None = None
        self._opened_by = ""
        self._told: dict[str, int] = {}
        self._accepted: int | None = None

    def tell(self, told: Mapping[str, Any]) -> str:
        """One entry as a sentence; raises what a text that was changed can raise."""
        detail: dict[str, Any] = told.get("detail") or {}
        event, at = str(told["event"]), int(told["at"])
        noted = int(detail.get("noted", at))
        person, key = self.name(told.get("person")), str(told.get("person"))
        if event in ("raised", "relapsed", "joined", "priority-raised"):
            if event != "joined":
                self._opened, self._opened_by = at, _OPENED[event]
                self._accepted = None if event != "raised" else self._accepted
            return self._raised(event, told, detail, at)
        if event == "called":
            return self._call(detail)
        if event == "told":
            self._told[key] = at
            late = (
                f"; only now, as messages came {show_duration(detail['late_by'])} late"
                if detail.get("late_by")
                else ""
            )
            after = self._after(at) if detail.get("why") in _URGENT else ""
            why = "" if detail.get("why") == "raised" else f" ({self._why(detail)})"
            return f"{person} is told by {detail['carrier']}{why}{after}{late}"
        if event == "notice-sent":
            return f"{detail['carrier']} took the notice to {person}{self._since_told(key, at)}: {detail['answer']}"
        if event in ("notice-try-later", "notice-refused"):
            then = "it will be tried again" if event == "notice-try-later" else "refused"
            which = f"attempt {detail['attempt']}"
            return f"{detail['carrier']} did not take the notice to {person} ({which}), {then}: {detail['answer']}"
        if event == "notice-failed":
            return f"{person} could not be reached by {detail['carrier']}"
        if event in _PAST:
            return self._answered(event, person, key, detail, at)
        if event == "withdrawn":
            by = f" by {person}" if person else ""
            return f"withdrawn{by}: {detail.get('reason') or detail.get('why') or 'no reason was given'}"
        if event == "rechecked":
            return (
                "looked at again: still troubled"
                if detail.get("troubled")
                else "looked at again: nothing new"
            )
        if event == "settled":
            return f"settled: {detail['why']}{self._lasted(at)}"
        return self._other(event, person, detail, noted)

    def name(self, key: object) -> str:
        """The name behind an opaque key with what that person is called here, or the key once the name is erased."""
        if key is None:
            return ""
        name = self._names.get(str(key), ("", str(key)))[1]
        return f"{self._called[name]} ({name})" if name in self._called else name

    def clock(self, at: int) -> str:
        """An instant as local time of the day, to the second."""
        return show(at + self._zone.offset(at))[11:19]

    def _raised(self, event: str, told: Mapping[str, Any], detail: Mapping[str, Any], at: int) -> str:
        word = _OPENS[event]
        evidence = detail.get("evidence") or {}
        since = f", since {self.clock(detail['since'])}" if "since" in detail else ""
        reason = sentence(evidence, at, self._zone, still=False)
        why = f"; {reason[0].lower()}{reason[1:].rstrip('.')}" if reason else ""
        return f"{word}, {told['priority']} priority{since}{why}; seen: {seen(evidence)}"

    def _call(self, detail: Mapping[str, Any]) -> str:
        people = ", ".join(self.name(key) for key in detail.get("people", ())) or "nobody is on duty"
        wait = f"; they have {show_duration(detail['wait'])}" if detail.get("wait") else ""
        return f"rung {detail['rung'] + 1} is to be told, as {self._why(detail)}: {people}{wait}"

    def _why(self, detail: Mapping[str, Any]) -> str:
        why = str(detail.get("why"))
        return WHY.get(why, why.replace("-", " "))

    def _answered(self, event: str, person: str, key: str, detail: Mapping[str, Any], at: int) -> str:
        said = f"{_PAST[event]} {person}"
        if "with_concern" in detail:
            said += f", together with {detail['with_concern']} of the same pump"
        elif key in self._told:
            said += f", {show_duration(max(0, at - self._told[key]))} after being told"
        else:
            said += ", who had not been told"
        if event in ("accepted", "taken-over"):
            self._accepted = at
            said += self._after(at)
        if detail.get("reason"):
            said += f": {detail['reason']}"
        return said

    def _after(self, at: int) -> str:
        if self._opened is None:
            return ""
        return f", {show_duration(max(0, at - self._opened))} after {self._opened_by}"

    def _since_told(self, key: str, at: int) -> str:
        return f" after {show_duration(at - self._told[key])}" if self._told.get(key, at) < at else " at once"

    def _lasted(self, at: int) -> str:
        lasted = self._after(at)
        if self._accepted is not None:
            lasted += f", {show_duration(max(0, at - self._accepted))} after it was accepted"
        return f" ({lasted[2:]})" if lasted else ""

    def _other(self, event: str, person: str, detail: Mapping[str, Any], noted: int) -> str:
        del noted
        words = WORDS.get(event)
        said = words.format(person=person or "somebody") if words else event.replace("-", " ")
        if event == "duty-ended":
            said += "; it stays with them" if detail.get("held") else ": open again"
            detail = {name: value for name, value in detail.items() if name != "held"}
        if person and (words is None or "{person}" not in words):
            said += f" ({person})"
        rest = [
            f"{name.replace('_', ' ')} {self._value(name, value)}"
            for name, value in detail.items()
            if name not in _UNTOLD
        ]
        return said + (f"; {', '.join(rest)}" if rest else "")

    def _value(self, name: str, value: object) -> str:
        if name in _INSTANTS and isinstance(value, int) and value > 10**11:  # no duration is so long
            return self.clock(value)
        if isinstance(value, str) and value[:2] in ("p:", "d:"):
            return self.name(value)
        if isinstance(value, bool) or value is None:
            return {True: "yes", False: "no", None: "unknown"}[value]
        if isinstance(value, list | tuple):
            return " ".join(self._value("", item) for item in value) or "none"
        if isinstance(value, dict):
            return " ".join(f"{part} {self._value('', item)}" for part, item in value.items())
        return str(value)


_URGENT: Final = frozenset(
    {"raised", "next-rung", "round-again", "relapsed", "priority-raised", "handed-back", "recheck", "duty"}
)


def seen(evidence: Mapping[str, Any]) -> str:
    """What the pump had said."""
    parts = [f"message {evidence['message']}"] if evidence.get("message") else []
    if "activity" in evidence:
        parts.append(str(evidence["activity"]))
    for condition, line, priority, inactivation, *_ in evidence.get("alarms", ()):
        parts.append(f"{priority} {condition}{f' ({line})' if line else ''} {inactivation}")
    if evidence.get("mains") is False:
        parts.append("no mains")
    if "battery_percent" in evidence:
        parts.append(f"battery {evidence['battery_percent']:g} %")
    return ", ".join(parts) or "no message"
