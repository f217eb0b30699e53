"""Signed heads of the audit trail: their one text, what is signed of it, and how it is read back.

A head says: at this instant the trail of this site had so many entries and this root (RFC 9162 §2.1.1). What is
signed is the head's RFC 8785 text, with Ed25519 (RFC 8032); the signing itself is an adapter's, the key a secret.

Editing rules: the text of a head is for ever, people keep them elsewhere; a new field is a new `TYPE`. There is only
one way to write a head: whatever reads back to another text is refused, so that no byte of one can change unseen.
"""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass
from typing import Any, Final, Literal

from pydantic import Field

from monitor.core.instants import parse, show
from monitor.core.topics import LEVEL
from monitor.core.trail import canonical
from monitor.core.wire import Instant, Wire

TYPE: Final = "secondbell.trail-head.v1"
KEY_CHANGE_TYPE: Final = "secondbell.trail-key-change.v1"
PUBLIC_BYTES: Final = 32  # of an Ed25519 public key (RFC 8032 §5.1.5)
SIGNATURE_BYTES: Final = 64  # RFC 8032 §5.1.6
KEY_CHANGED, KEY_LOST, PRUNED, FORGOTTEN = (
    "trail-key-changed", "trail-key-lost", "trail-pruned", "name-forgotten",
)  # fmt: skip
KEPT_EVENTS: Final = frozenset({KEY_CHANGED, KEY_LOST, PRUNED, FORGOTTEN})
"""Entries without which an old trail could not be checked: no retention takes their text."""

_HEX = "^[0-9a-f]{64}$"


class TrailHeadFields(Wire):
    """What a head says, and what is signed."""

    type: Literal["secondbell.trail-head.v1"] = Field(description="What this is.")
    site: str = Field(pattern=f"^{LEVEL}$", description="The site's name.", examples=["riverside"])
    size: int = Field(ge=0, description="How many entries the trail had.", examples=[4_183])
    root: str = Field(pattern=_HEX, description="The root hash over them (RFC 9162 §2.1.1), hexadecimal.")
    at: Instant = Field(description="When it was signed, RFC 3339.", examples=["2026-03-14T07:00:00.000Z"])
    key: str = Field(
        pattern="^[0-9a-f]{16}$", description="The first 8 bytes of the SHA-256 of the public key."
    )
    previous: str | None = Field(
        None,
        pattern=_HEX,
        description="SHA-256 of the text of the head before this one; absent in the first.",
    )


class TrailHead(Wire):
    """A signed head of the audit trail, published retained: who keeps one can tell whether it was changed."""

    head: TrailHeadFields = Field(description="The head; its RFC 8785 text is what is signed.")
    public_key: str = Field(
        description="The Ed25519 public key, base64. Trust the one that you were given, not this one."
    )
    signature: str = Field(description="The Ed25519 signature (RFC 8032), base64.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """One signed head; `at` in ms UTC, `text` is its one line, `previous` the SHA-256 of the text before it."""

    site: str
    size: int
    root: bytes
    at: int
    key: str
    previous: str | None
    public: bytes
    signature: bytes

    @property
    def signed(self) -> bytes:
        """What the signature is about."""
        return _signed(self.site, self.size, self.root, self.at, self.key, self.previous)

    @property
    def text(self) -> str:
        """Its one line: RFC 8785, as it is stored, published, mailed and kept in files."""
        told = {
            "head": json.loads(self.signed),
            "public_key": _b64(self.public),
            "signature": _b64(self.signature),
        }
        return canonical(told).decode()

    @property
    def digest(self) -> str:
        """What the next head calls `previous`."""
        return hashlib.sha256(self.text.encode()).hexdigest()


EXAMPLE: Final[dict[str, object]] = {
    "head": {
        "at": "2026-03-14T07:00:00.000Z",
        "key": "21fe31dfa154a261",
        "root": "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
        "site": "riverside",
        "size": 3,
        "type": "secondbell.trail-head.v1",
    },
    "public_key": "11qYAYKxCrfVS/7TyWQHOg7hcvPapiMlrwIaaPcHURo=",
    "signature": "W56TAFo4ZInOy1sgekgC4RgnlXrz65GJ49WH8yHafaGzswyeicyKHdjM2ZygMDPez1bZYHRn6rqYjJcone5fDA==",
}
"""Three entries of the public certificate-transparency data, signed with the key of RFC 8032 §7.1 test 1."""


class WrongHead(ValueError):
    """A text that is no signed head; says what is wrong with it."""


def key_id(public: bytes) -> str:
    """The short name of a public key."""
    return hashlib.sha256(public).hexdigest()[:16]


def unsigned(site: str, size: int, root: bytes, at: int, public: bytes, previous: str | None) -> Head:
    """A head that is still to be signed: sign `signed`, then `dataclasses.replace` its `signature`."""
    return Head(
        site=site,
        size=size,
        root=root,
        at=at,
        key=key_id(public),
        previous=previous,
        public=public,
        signature=b"",
    )


def read(text: str | bytes) -> Head:
    """The head of its one text, the signature still to be checked; WrongHead for any other text."""
    try:
        raw = text.decode("utf-8") if isinstance(text, bytes) else text
        told: dict[str, Any] = json.loads(raw.strip())
        model = TrailHead.model_validate(told)
        fields = model.head
        head = Head(
            site=fields.site,
            size=fields.size,
            root=bytes.fromhex(fields.root),
            at=parse(fields.at),
            key=fields.key,
            previous=fields.previous,
            public=_bytes(model.public_key, PUBLIC_BYTES, "public_key"),
            signature=_bytes(model.signature, SIGNATURE_BYTES, "signature"),
        )
        same = head.text == raw.strip()  # ValueError: a number that has no RFC 8785 text
    except WrongHead:
        raise
    except (ValueError, TypeError, RecursionError) as error:
        raise WrongHead(f"no signed head of a trail: {_first_line(error)}") from None
    if head.key != key_id(head.public):
        raise WrongHead("no signed head of a trail: `key` is not that of `public_key`")
    if not same:
        raise WrongHead(
            "no signed head of a trail: written in another way than RFC 8785 says, or with more in it"
        )
    return head


def key_change(site: str, old: str, public: bytes) -> bytes:
    """What the old key signs when another takes its place."""
    return canonical(
        {"type": KEY_CHANGE_TYPE, "site": site, "old": old, "new": key_id(public), "public_key": _b64(public)}
    )


def key_of(detail: dict[str, Any]) -> tuple[bytes, bytes]:
    """The new public key and the old one's signature (empty: lost) of a key entry; ValueError if not there."""
    public = _bytes(str(detail.get("public_key")), PUBLIC_BYTES, "public_key")
    signature = detail.get("signature")
    return public, b"" if signature is None else _bytes(str(signature), SIGNATURE_BYTES, "signature")


def encoded(data: bytes) -> str:
    """Bytes as they stand in heads and entries."""
    return _b64(data)


def head_topic(prefix: str, site: str, name: str) -> str:
    """The topic on which a monitor publishes its trail's newest head."""
    return f"{prefix}/{site}/monitor/{name}/head"


def _signed(site: str, size: int, root: bytes, at: int, key: str, previous: str | None) -> bytes:
    told: dict[str, object] = {
        "type": TYPE, "site": site, "size": size, "root": root.hex(), "at": show(at), "key": key,
    }  # fmt: skip
    if previous is not None:
        told["previous"] = previous
    return canonical(told)


def _b64(data: bytes) -> str:
    return base64.b64encode(data).decode()


def _bytes(text: str, length: int, what: str) -> bytes:
    try:
        data = base64.b64decode(text, validate=True)
    except ValueError:
        data = b""
    if len(data) != length or _b64(data) != text:  # the last letter has spare bits: one way to write it only
        raise WrongHead(f"no signed head of a trail: {what} is not {length} bytes in base64")
    return data


def _first_line(error: Exception) -> str:
    return " ".join(str(error).split())[:160]
