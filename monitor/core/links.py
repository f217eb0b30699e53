"""Links that open one concern, or one group, for one person, until an instant: made and read, nothing stored.

A token is base64url (RFC 4648 §5) of version, expiry, the person's opaque key, the reference and an HMAC-SHA-256
(RFC 2104) of those. Whoever edits this file keeps two things: no name stands in a token, and only the very text that
was made is taken, so that one link has one form.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
from typing import Final, NamedTuple

VERSION: Final = 1
PERSON: Final = 8  # bytes of a person's opaque key
MAC: Final = 16  # bytes; RFC 2104 §5: no less than half of the hash's 32, and no less than 10
EXPIRY: Final = 5  # bytes: seconds since 1970, until the year 36812
LONGEST: Final = 120  # characters of a token that is looked at
_HEAD: Final = 1 + EXPIRY + PERSON
_REFERENCE: Final = re.compile(r"[A-Za-z0-9_-]{1,40}", re.ASCII)


class Link(NamedTuple):
    """What a genuine token says: what it opens, the hex of the person's key, and when it expires (ms UTC)."""

    reference: str
    person: str
    expires: int


def made(key: bytes, link: Link) -> str:
    """The token of a link, in letters, digits, - and _; ValueError for what cannot stand in one."""
    if _REFERENCE.fullmatch(link.reference) is None:
        raise ValueError(f"a reference of 1 to 40 letters, digits, - or _, not {link.reference!a}")
    seconds = link.expires // 1000
    body = (
        VERSION.to_bytes(1, "big")
        + seconds.to_bytes(EXPIRY, "big")
        + bytes.fromhex(link.person).rjust(PERSON, b"\0")[:PERSON]
        + link.reference.encode("ascii")
    )
    return base64.urlsafe_b64encode(body + _mac(key, body)).decode("ascii").rstrip("=")


def read(key: bytes, token: str) -> Link | None:
    """What a token says, whether it has expired or not; None for one that was not made with this key."""
    if len(token) > LONGEST or not token.isascii():
        return None
    try:
        raw = base64.b64decode(token + "=" * (-len(token) % 4), altchars=b"-_", validate=True)
    except ValueError:
        return None
    body, mac = raw[:-MAC], raw[-MAC:]
    if not hmac.compare_digest(_mac(key, body), mac) or len(body) <= _HEAD or body[0] != VERSION:
        return None
    if base64.urlsafe_b64encode(raw).decode("ascii").rstrip("=") != token:
        return None  # the same bytes written in another way
    expires = int.from_bytes(body[1 : 1 + EXPIRY], "big") * 1000
    return Link(body[_HEAD:].decode("ascii"), body[1 + EXPIRY : _HEAD].hex(), expires)


def _mac(key: bytes, body: bytes) -> bytes:
    return hmac.new(key, body, hashlib.sha256).digest()[:MAC]
