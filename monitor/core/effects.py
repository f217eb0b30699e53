"""What the core asks the outside to do, and what the outside tells it besides messages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class SendNotice:
    """Attempt one notice by one carrier; the outcome comes back as `Attempted`, always."""

    notice: str
    carrier: str
    form: str  # of its text: "mail" or "page"
    address: str
    message_id: str
    thread: str | None
    subject: str
    body: str
    urgency: str
    date: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Publish:
    """Publish on the bus, retained if not said otherwise; `payload` empty clears the topic."""

    topic: str
    payload: bytes
    retain: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """Answer whoever asked under this token."""

    token: str
    ok: bool
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SendMarker:
    """Publish our own marker: when it comes back, everything sent before it has come."""

    token: str


Effect = SendNotice | Publish | Reply | SendMarker


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempted:
    """How one attempt of a notice ended: outcome "sent", "try-later" or "refused", and the carrier's words."""

    notice: str
    outcome: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A person's answer by a command: a code, a concern's id or a device, what is answered, as whom, until when."""

    token: str
    reference: str
    answer: str
    person: str
    reason: str | None = None
    via: str = "command"
    until: int | None = None
    to: Mapping[str, str] = field(default_factory=dict)  # of swap and move: device, place, pager_place, unit


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkRefused:
    """Something from a phone that opened nothing: `what` is "link", "code" or "form"; `unsaid` more were not told."""

    what: str
    why: str
    person: str | None = None
    concern: str | None = None
    unsaid: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillAsked:
    """A drill is wanted; `wait` in ms, `by` is "command" or "calendar", `seal` a secret that nobody else knows."""

    token: str
    unit: str
    to: str | None
    priority: str
    wait: int
    by: str
    seal: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillStopped:
    """A drill is wanted no more."""

    token: str
    unit: str
    drill: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Returned:
    """Something has come back to a mail: `notice` is whose it may be, `what` an action of RFC 3464, automatic or reply.

    `status` is the code of RFC 3463, "" if there is none. All of it may be forged.
    """

    token: str
    notice: str
    what: str
    status: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkUp:
    """The broker is there and the subscriptions stand."""

    session_present: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkDown:
    """The broker is gone, and why."""

    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreRefused:
    """A transaction could not be stored, once more; `cause` is a StoreError's word, `ended`: it is not tried again."""

    cause: str
    detail: str
    ended: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreWorks:
    """A transaction that had been refused is stored."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TroubleSeen:
    """Something outside the core is wrong that does not last; `facts` are what the words of that sort need."""

    trouble: str
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkerBack:
    """Our own marker has come back."""

    token: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TroubleOver:
    """What `TroubleSeen` told of and lasts is over."""

    trouble: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RotaRead:
    """The site's calendars say these shifts (person, role, unit, start, end; ms UTC) until before the instant `until`.

    `named` are all whom they name at any time. `until` None: the site has no calendars.
    """

    shifts: Sequence[Sequence[Any]]
    named: Sequence[str]
    until: int | None
