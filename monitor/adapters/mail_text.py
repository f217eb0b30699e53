"""A notice as a mail: its header fields (RFC 5322) and its plain text (RFC 2045), as the bytes that go over the line.

Editing rules: nothing in a parcel's texts may add or break a field. A short field of plain ASCII stands as it is; for
any other the standard library decides how it is written, which is right but takes a hundred times as long.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
from datetime import UTC, datetime
from email.headerregistry import BaseHeader, HeaderRegistry, MessageIDHeader
from email.policy import SMTP as SMTP_POLICY
from email.utils import format_datetime
from typing import Final, cast

from monitor.adapters.carriers import Attachment, Parcel, without_controls

MESSAGE_ID: Final = re.compile(r"<[!-;=?-~]+@[!-;=?-~]+>")

# RFC 2156 §5.3.4, registered for mail by RFC 4021 §2.1.
IMPORTANCE: Final = {"high": "high", "medium": "normal", "low": "low"}

# Both fields hold one Message-ID here; as plain text a long one would be folded into an encoded word.
_HEADERS: Final = HeaderRegistry()
for _field in ("References", "In-Reply-To"):
    _HEADERS.map_to_type(_field, cast("type[BaseHeader]", MessageIDHeader))
POLICY: Final = SMTP_POLICY.clone(cte_type="7bit", header_factory=_HEADERS)

LONGEST_SUBJECT: Final = 150
"""Characters: more than any mail program shows."""

LONGEST_LINE: Final = 78
"""Characters of a line without its end (RFC 5322 §2.1.1)."""


def mail_bytes(parcel: Parcel, sender: str) -> bytes:
    """The whole mail for a parcel, in ASCII with CRLF; OverflowError or ValueError for an absurd date."""
    text, encoding = _body(parcel.body)
    fields = [
        field("From", sender),
        field("To", parcel.address),
        # Single blanks: where a long field is folded, the library loses one of several.
        field("Subject", " ".join(without_controls(parcel.subject).split())[:LONGEST_SUBJECT].strip()),
        field("Date", format_datetime(datetime.fromtimestamp(parcel.date_ms / 1000, UTC))),
        field("Message-ID", without_controls(parcel.message_id).strip()),
    ]
    if parcel.thread and parcel.thread != parcel.message_id and MESSAGE_ID.fullmatch(parcel.thread):
        fields.append(field("In-Reply-To", parcel.thread))  # RFC 5322 §3.6.4
        fields.append(field("References", parcel.thread))
    fields += [
        "Auto-Submitted: auto-generated\r\n",  # RFC 3834 §5
        f"Importance: {IMPORTANCE[parcel.urgency]}\r\n",
        "MIME-Version: 1.0\r\n",
    ]
    kind = f'Content-Type: text/plain; charset="utf-8"\r\nContent-Transfer-Encoding: {encoding}\r\n\r\n'
    if not parcel.attachments:
        return "".join([*fields, kind]).encode("ascii") + text
    return "".join(fields).encode("ascii") + _in_parts(parcel, kind.encode("ascii") + text)


def _in_parts(parcel: Parcel, text: bytes) -> bytes:
    """The mail's text and its attachments, each a part (RFC 2046 §5.1); no randomness: attempts are alike."""
    parts = [text, *map(_part, parcel.attachments)]
    boundary = b"=_" + hashlib.sha256(parcel.message_id.encode()).hexdigest()[:32].encode()
    while any(boundary in part for part in parts):  # a delimiter may stand in no part
        boundary = b"=_" + hashlib.sha256(boundary).hexdigest()[:32].encode()
    body = b"".join(b"--" + boundary + b"\r\n" + part + b"\r\n" for part in parts)
    head = b'Content-Type: multipart/mixed; boundary="' + boundary + b'"\r\n\r\n'
    return head + body + b"--" + boundary + b"--\r\n"


def _part(attachment: Attachment) -> bytes:
    """An attachment with its own fields (RFC 2045, RFC 2183), in base64 in lines of 76 characters (RFC 2045 §6.8)."""
    name = "".join(c for c in attachment.name if c.isascii() and (c.isalnum() or c in "._-"))[:160]
    fields = (
        f'Content-Type: {attachment.kind}; charset="utf-8"\r\n'
        f'Content-Disposition: attachment; filename="{name}"\r\n'
        "Content-Transfer-Encoding: base64\r\n\r\n"
    )
    lines = base64.encodebytes(attachment.data).splitlines()
    return fields.encode("ascii") + b"\r\n".join(lines)


def field(name: str, value: str) -> str:
    """One header field with its line end, folded and encoded where it has to be."""
    line = f"{name}: {value}"
    if value and value.isascii() and value.isprintable() and len(line) <= LONGEST_LINE and "=?" not in value:
        return f"{line}\r\n"
    _, parsed = POLICY.header_store_parse(name, value)
    return str(POLICY.fold(name, parsed))


def _body(text: str) -> tuple[bytes, str]:
    """The text with CRLF and how it is encoded: plain where every line is short ASCII (RFC 2045 §2.7, §6.7)."""
    lines = [without_controls(line) for line in text.splitlines()]
    if all(line.isascii() and len(line) <= LONGEST_LINE for line in lines):
        return ("\r\n".join(lines) + "\r\n").encode("ascii"), "7bit"
    plain = ("\r\n".join(lines) + "\r\n").encode()
    return binascii.b2a_qp(plain, istext=True), "quoted-printable"
