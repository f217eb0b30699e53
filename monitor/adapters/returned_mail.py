"""Reads a mail that has come back: a delivery report (RFC 3464), an automatic reply (RFC 3834), or a person's reply.

Whatever a stranger writes is read without raising. Nothing of it is kept but what `Return` holds.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from email.message import Message
from email.parser import BytesParser
from email.policy import Compat32
from typing import Final, NamedTuple

from monitor.adapters.dsn import from_xtext

MOST: Final = 1_048_576
"""Octets of a mail that are read: what tells what it is stands at its beginning."""

NOTICE: Final = re.compile(r"[0-9a-f]{20}", re.ASCII)
OURS: Final = re.compile(r"<([0-9a-f]{20})@[A-Za-z0-9_-]{1,64}\.secondbell\.invalid>", re.ASCII)
"""A Message-ID of ours, with the notice in it."""

WORST_FIRST: Final = ("failed", "delayed", "expanded", "relayed", "delivered")  # RFC 3464 §2.3.3
BULK: Final = frozenset({"bulk", "junk", "list", "auto_reply"})  # Precedence: RFC 3834 §2, RFC 2076 §3.9


LONGEST_FIELD: Final = 10_000
"""Characters of a header field that are read: the library takes minutes for the parameters of a long one."""


class _Short(Compat32):
    """Reads each field of a header no further than it may be long."""

    def header_source_parse(self, sourcelines: list[str]) -> tuple[str, str]:
        name, value = super().header_source_parse(sourcelines)
        return name, value[:LONGEST_FIELD]


_POLICY: Final = _Short()


class Return(NamedTuple):
    """What has come back: of which notice ("" if it does not say), what it is, and the status of RFC 3463 or ""."""

    notice: str
    what: str
    status: str = ""


def read(raw: bytes) -> Return:
    """What a mail is."""
    try:
        return _read(BytesParser(policy=_POLICY).parsebytes(raw[:MOST]))
    except Exception:  # the library's own faults on what a stranger wrote, RecursionError among them
        return Return("", "unclear")


def _read(mail: Message) -> Return:
    kind = mail.get_content_type()
    if kind == "multipart/report" and str(mail.get_param("report-type", "")).lower() == "delivery-status":
        return _report(mail)
    notice = _first(_ours(_text(mail, field)) for field in ("In-Reply-To", "References"))
    return Return(notice, "automatic" if kind == "multipart/report" or _is_automatic(mail) else "reply")


def _is_automatic(mail: Message) -> bool:
    """Whether a machine wrote it (RFC 3834 §2, §5): by its own word, as bulk, or from nobody."""
    submitted = re.sub(r"\([^()]*\)", "", _text(mail, "Auto-Submitted")).partition(";")[0].strip().lower()
    if submitted not in ("", "no"):
        return True
    nobody = any(re.sub(r"\s", "", str(path)) == "<>" for path in mail.get_all("Return-Path", []))
    return nobody or _text(mail, "Precedence").strip().lower() in BULK


def _report(mail: Message) -> Return:
    """A delivery report; of several recipients the worst counts, as a mail of ours has one."""
    notice, found = "", []
    headers: list[Message] = []
    for part in mail.walk():
        kind = part.get_content_type()
        if kind == "message/delivery-status" and isinstance(blocks := part.get_payload(), list):
            for block in blocks:
                if not isinstance(block, Message):
                    continue
                envelope = from_xtext(_text(block, "Original-Envelope-Id").strip())  # RFC 3464 §2.2.1
                if NOTICE.fullmatch(envelope):
                    notice = notice or envelope
                if (action := _text(block, "Action").strip().lower()) in WORST_FIRST:
                    found.append((WORST_FIRST.index(action), action, _status(block)))
        elif kind in ("message/rfc822", "message/global"):
            headers += (
                [one for one in part.get_payload() if isinstance(one, Message)] if part.is_multipart() else []
            )
        elif kind in ("text/rfc822-headers", "message/global-headers"):
            content = part.get_payload(decode=True)
            if isinstance(content, bytes):
                headers.append(BytesParser(policy=_POLICY).parsebytes(content, headersonly=True))
    notice = notice or _first(_ours(_text(one, "Message-ID")) for one in headers)
    if not found:
        return Return(notice, "unclear")
    _, action, status = min(found)
    return Return(notice, action, status)


def _status(block: Message) -> str:
    """Its status (RFC 3464 §2.3.4), without the comment that may follow."""
    match = re.match(r"\s*([245]\.\d{1,3}\.\d{1,3})(?![\d.])", _text(block, "Status"), re.ASCII)
    return match[1] if match else ""


def _text(mail: Message, field: str) -> str:
    return str(mail.get(field, ""))[:LONGEST_FIELD]


def _ours(text: str) -> str:
    """The notice of the last Message-ID of ours in a text: the nearest, of References (RFC 5322 §3.6.4)."""
    found = OURS.findall(text)
    return found[-1] if found else ""


def _first(found: Iterable[str]) -> str:
    return next(filter(None, found), "")
