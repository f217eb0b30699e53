"""What the core asks the outside to do, and what the outside tells it besides messages."""

from __future__ import annotations

from collections.abc import Mapping
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
    """Publish retained on the bus; `payload` empty clears the topic."""

    topic: str
    payload: bytes


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
    """A person's answer by a command: a code or a concern's id, what is answered, as whom."""

    token: str
    reference: str
    answer: str
    person: str
    reason: str | None = None
    via: str = "command"


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
