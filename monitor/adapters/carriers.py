"""The seam to whatever carries a notice to a person: one parcel in, the outcome of one attempt out.

A carrier never raises from `send`: every failure has an outcome and a text. It keeps no queue and does not
retry; that is the outbox's part. Whoever has a parcel calls `attempt`, which holds a carrier to that.
"""

import asyncio
import os
import socket
import ssl
import unicodedata
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Literal, Protocol

import structlog

LONGEST_TEXT: Final = 200
"""Characters of an attempt's text: a reply is evidence for the trail, not a log."""

DEFAULT_LIMIT: Final = 20.0
"""Seconds one attempt may take in all: far below the shortest wait of a rung, 3 minutes (design §6)."""

LONGEST: Final = 150.0
"""Seconds for one attempt whatever the carrier does: its own limit is 2 minutes at the most, or it is at fault."""

CLOSING: Final = 3.0
"""Seconds for all carriers to close; common practice, no source."""

log = structlog.get_logger(__name__)

_UNSAFE: Final = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
_JOINERS: Final = "\u200c\u200d"  # hidden too, but part of the spelling in Persian and Indic scripts


class Outcome(StrEnum):
    """What one attempt came to."""

    SENT = "sent"
    TRY_LATER = "try-later"
    REFUSED = "refused"
    """Permanent for this address or this text: trying again would be refused again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One attempt made: its outcome, and the server's reply or the reason as one line without secrets."""

    outcome: Outcome
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """A file that goes with a mail: its name (plain ASCII), its media type (text in UTF-8), its bytes."""

    name: str
    kind: str
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """One notice ready for one address.

    `message_id` is the same in every attempt, with its angle brackets; `thread` is the Message-ID of the
    concern's first mail; `date_ms` is in milliseconds since 1970-01-01 UTC. A carrier that is not mail leaves
    `attachments` out.
    """

    notice: str
    message_id: str
    address: str
    subject: str
    body: str
    urgency: Literal["high", "medium", "low"]
    thread: str | None
    date_ms: int
    attachments: tuple[Attachment, ...] = ()


class Carrier(Protocol):
    """What the outbox knows of a carrier."""

    name: str

    async def send(self, parcel: Parcel) -> Attempt:
        """Try once, within the carrier's own time limit; raises nothing but CancelledError."""
        ...

    async def close(self) -> None:
        """Let go of what is kept between attempts."""
        ...


async def attempt(carrier: Carrier, parcel: Parcel, longest: float = LONGEST) -> Attempt:
    """Try once; raises nothing but the CancelledError of its own task, and ends after `longest` seconds."""
    try:
        async with asyncio.timeout(longest):
            made: object = await carrier.send(parcel)
        if not isinstance(made, Attempt):
            raise TypeError(f"no Attempt but {type(made).__name__}")
    except (Exception, asyncio.CancelledError) as error:
        task = asyncio.current_task()
        if isinstance(error, asyncio.CancelledError) and task is not None and task.cancelling():
            raise
        # A carrier never raises: this is a fault of ours, or of its own, and must not lose the parcel.
        log.error(
            "a carrier failed in an unforeseen way",
            carrier=carrier.name,
            notice=parcel.notice,
            error=repr(error),
        )
        return Attempt(outcome=Outcome.TRY_LATER, text="fault in the carrier")
    return made


async def close_all(carriers: Collection[Carrier]) -> None:
    """Close the carriers, all at once: one that will not close must not keep the others open."""
    closing = {asyncio.create_task(one.close(), name=f"close {one.name}"): one.name for one in carriers}
    if not closing:
        return
    done, hanging = await asyncio.wait(closing, timeout=CLOSING)
    for task in hanging:
        task.cancel()
        log.error("a carrier does not close", carrier=closing[task])
    for task in done:
        if not task.cancelled() and (error := task.exception()) is not None:
            log.error("a carrier did not close", carrier=closing[task], error=repr(error))


def one_line(text: str, secrets: Iterable[str] = ()) -> str:
    """The text as one line of at most 200 characters, without controls and with each secret blacked out."""
    for secret in secrets:
        if secret:
            text = text.replace(secret, "[hidden]")
    return " ".join(without_controls(text).split())[:LONGEST_TEXT]


def without_controls(text: str) -> str:
    """The text with a blank for each control, hidden sign, half surrogate pair and line separator."""
    if text.isascii() and text.isprintable():  # nearly always, and a mail of a thousand concerns is long
        return text
    return "".join(" " if unicodedata.category(c) in _UNSAFE and c not in _JOINERS else c for c in text)


def connection_fault(error: BaseException, host: str, port: int) -> str:
    """Why there is no connection, or no longer, in words; looks through the causes of the error."""
    where = f"{host}:{port}"
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, ssl.SSLCertVerificationError):
            return f"TLS failure: certificate of {where} not trusted: {cause.verify_message}"
        if isinstance(cause, ssl.SSLError):
            return f"TLS failure: {cause.reason or cause}"
        if isinstance(cause, socket.gaierror):
            return f"host {host} not found"
        if isinstance(cause, ConnectionRefusedError):
            return f"connection refused by {where}"
        if isinstance(cause, ConnectionResetError | BrokenPipeError):
            return f"connection to {where} lost"
        if isinstance(cause, OSError) and cause.errno is not None:
            return f"no connection to {where}: {os.strerror(cause.errno)}"
        cause = cause.__cause__
    return f"connection to {where} lost: {error}"
