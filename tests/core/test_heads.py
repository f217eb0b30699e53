"""Signed heads: one text only, what is signed of it, and the example of the contract."""

from __future__ import annotations

import base64
import dataclasses
import json

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.heads import EXAMPLE, Head, WrongHead, head_topic, key_id, read, unsigned
from monitor.core.instants import parse
from monitor.core.tree import root
from tests.core.test_tree import CT_LEAVES

# RFC 8032 §7.1, TEST 1: the secret and the public key.
SECRET = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
PUBLIC = bytes.fromhex("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a")


def signed(**changed: object) -> Head:
    """A head of the first three entries of the public certificate-transparency data."""
    said: dict[str, object] = {
        "site": "riverside", "size": 3, "root": root(CT_LEAVES[:3]), "at": parse("2026-03-14T07:00:00Z"),
        "public": PUBLIC, "previous": None,
    }  # fmt: skip
    head = unsigned(**said | changed)  # type: ignore[arg-type]
    return dataclasses.replace(head, signature=Ed25519PrivateKey.from_private_bytes(SECRET).sign(head.signed))


def test_the_example_of_the_contract_is_such_a_head() -> None:
    """The published example is signed with the standard's test key, over the public data's root."""
    assert json.loads(signed().text) == EXAMPLE
    assert read(json.dumps(EXAMPLE, sort_keys=True, separators=(",", ":"))) == signed()


def test_what_is_signed_is_the_head_alone() -> None:
    """Another implementation verifies it: the RFC 8785 text of `head`, nothing else."""
    told = json.loads(signed(previous="ab" * 32).text)
    text = json.dumps(told["head"], sort_keys=True, separators=(",", ":")).encode()
    Ed25519PublicKey.from_public_bytes(base64.b64decode(told["public_key"])).verify(
        base64.b64decode(told["signature"]), text
    )
    assert told["head"]["type"] == "secondbell.trail-head.v1"
    assert told["head"]["key"] == key_id(PUBLIC)


@given(st.integers(0, 2**53 - 1), st.binary(min_size=32, max_size=32), st.integers(0, 4_102_444_800_000))
def test_any_head_reads_back(size: int, top: bytes, at: int) -> None:
    """What is written reads back as it was, also with white space around it."""
    head = signed(size=size, root=top, at=at, previous="cd" * 32)
    assert read(head.text) == read(f"\n{head.text}\n".encode()) == head


def test_a_size_beyond_what_json_keeps_exactly_is_no_head() -> None:
    """Refused by name like any other text (RFC 7493 §2.2), not with an error of its own."""
    with pytest.raises(WrongHead):
        read(signed().text.replace('"size":3', f'"size":{2**53}'))


@given(st.integers(0, 10_000), st.integers(1, 255))
def test_any_other_byte_is_no_head_or_another_one(place: int, turn: int) -> None:
    """Of a changed text nothing reads as the same head: it is refused, or its signature is over something else."""
    head = signed(previous="ab" * 32)
    raw = bytearray(head.text.encode())
    raw[place % len(raw)] ^= turn
    try:
        other = read(bytes(raw))
    except WrongHead:
        return
    assert (other.signed, other.signature) != (head.signed, head.signature)
    with pytest.raises(InvalidSignature):
        Ed25519PublicKey.from_public_bytes(PUBLIC).verify(other.signature, other.signed)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no signed head"),
        ("[]", "no signed head"),
        ("{}", "no signed head"),
        ("[" * 100_000, "no signed head"),
        (json.dumps(EXAMPLE), "in another way than RFC 8785"),
        (signed().text.replace('{"head"', '{"extra":1,"head"'), "or with more in it"),
        (signed().text.replace("21fe31dfa154a261", "21fe31dfa154a262"), "`key` is not that of `public_key`"),
        (signed().text.replace("URo=", "URp="), "public_key is not 32 bytes in base64"),
        (signed().text.replace("07:00:00.000Z", "07:00:00Z"), "in another way"),
        (signed().text.replace("head.v1", "head.v2"), "no signed head"),
        (signed().text.replace('"size":3', '"size":"3"'), "no signed head"),
    ],
)
def test_what_is_no_head_is_refused_with_a_reason(text: str, says: str) -> None:
    """Nonsense, another version, another spelling, a key that does not fit: each with its reason."""
    with pytest.raises(WrongHead, match=says):
        read(text)


def test_a_head_follows_the_one_before() -> None:
    """`previous` is the SHA-256 of the whole text before, signature included."""
    before = signed()
    assert len(before.digest) == 64
    assert read(signed(size=4, previous=before.digest).text).previous == before.digest


def test_its_topic() -> None:
    """It stands beside the monitor's presence."""
    assert head_topic("secondbell/v1", "riverside", "night") == "secondbell/v1/riverside/monitor/night/head"
