"""Links: only the very token that was made opens, and it opens one thing for one person until an instant."""

from __future__ import annotations

import base64
import hashlib
import hmac

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.instants import HOUR
from monitor.core.links import LONGEST, Link, made, read
from monitor.core.notices import mail, page
from monitor.core.site import Person, Site
from tests.core.sample_facts import ZONE, facts

KEY = bytes(range(32))
LINK = Link("abcdefgh2345", "0123456789abcdef", 1_773_532_800_000)
TOKEN = made(KEY, LINK)
SITE = Site(
    name="larkfield",
    key=KEY,
    last_resort="manager",
    people={name: Person(id=name, called="night nurse", reach=()) for name in ("nurse-1", "Ada.Example")},
    base_url="https://bell.example.invalid",
)

references = st.from_regex(r"[A-Za-z0-9_-]{1,40}", fullmatch=True)
links = st.builds(
    Link,
    references,
    st.binary(min_size=8, max_size=8).map(bytes.hex),
    st.integers(0, 2**39 - 1).map(lambda seconds: seconds * 1000),
)


@given(links)
def test_a_token_says_what_it_was_made_of(link: Link) -> None:
    """Reference, person and expiry come back, in letters that an address may have (RFC 3986 §2.3)."""
    token = made(KEY, link)
    assert read(KEY, token) == link
    assert token.replace("-", "").replace("_", "").isalnum()
    assert len(token) <= LONGEST


@given(st.data())
def test_a_token_with_any_sign_changed_opens_nothing(data: st.DataObject) -> None:
    """One sign replaced by another, taken out or put in anywhere: not one of ours."""
    place = data.draw(st.integers(0, len(TOKEN) - 1))
    sign = data.draw(st.sampled_from("ABab01-_=+/.~% \u00e9"))
    for other in (
        TOKEN[:place] + sign + TOKEN[place + 1 :],
        TOKEN[:place] + TOKEN[place + 1 :],
        TOKEN[:place] + sign + TOKEN[place:],
    ):
        assert other == TOKEN or read(KEY, other) is None


def test_every_single_bit_counts() -> None:
    """Each bit of the token's bytes turned over, one after the other, makes it none of ours."""
    raw = base64.urlsafe_b64decode(TOKEN + "=" * (-len(TOKEN) % 4))
    for bit in range(8 * len(raw)):
        spoilt = bytearray(raw)
        spoilt[bit // 8] ^= 1 << bit % 8
        assert read(KEY, base64.urlsafe_b64encode(bytes(spoilt)).decode().rstrip("=")) is None


@given(st.text(max_size=200) | st.binary(max_size=90).map(lambda raw: base64.urlsafe_b64encode(raw).decode()))
def test_whatever_is_not_a_token_is_refused_without_a_fault(text: str) -> None:
    """Any text at all: none of it opens anything, and none of it is a fault."""
    assert read(KEY, text) is None


@given(links, st.binary(min_size=32, max_size=32))
def test_another_sites_token_opens_nothing(link: Link, key: bytes) -> None:
    """A token made with another key is refused."""
    assert key == KEY or read(KEY, made(key, link)) is None


@pytest.mark.parametrize("length", range(1, 12))
def test_one_link_has_one_form(length: int) -> None:
    """The bits that base64 leaves over, and its padding, make no second token of the same bytes (RFC 4648 §3.5)."""
    token = made(KEY, LINK._replace(reference="a" * length))
    again = {
        other
        for sign in "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
        if (other := token[:-1] + sign) and read(KEY, other) is not None
    }
    assert again == {token}
    assert read(KEY, token + "=" * (-len(token) % 4 or 4)) is None


def test_the_signature_is_a_plain_hmac() -> None:
    """The last 16 bytes are the first of HMAC-SHA-256 over the rest (RFC 2104 §5: at least half of it)."""
    raw = base64.urlsafe_b64decode(TOKEN + "=" * (-len(TOKEN) % 4))
    assert raw[-16:] == hmac.new(KEY, raw[:-16], hashlib.sha256).digest()[:16]


def test_a_link_names_nobody() -> None:
    """Nothing of a person's id stands in a link, and two persons' links of one concern differ."""
    link = SITE.link("abcdefgh2345", "Ada.Example", 0)
    assert link is not None
    raw = base64.urlsafe_b64decode(link.rpartition("/")[2] + "==")
    assert b"Ada" not in raw
    assert "Ada" not in link
    assert link != SITE.link("abcdefgh2345", "nurse-1", 0)


def test_a_link_lives_as_long_as_the_site_says() -> None:
    """By default 12 hours from the notice; and without a page there is none."""
    link = SITE.link("abcdefgh2345", "nurse-1", 5_000)
    assert link is not None
    found = read(SITE.link_key, link.rpartition("/")[2])
    assert found == Link("abcdefgh2345", SITE.opaque("person", "nurse-1")[2:], 5_000 + 12 * HOUR)
    assert Site(name="x", key=KEY, last_resort="m").link("abcdefgh2345", "nurse-1", 0) is None


def test_the_key_of_links_is_no_other_key() -> None:
    """Links are signed with a key of their own, so that no code or trail key is ever part of one."""
    assert SITE.link_key not in (KEY, b"")
    assert read(KEY, str(SITE.link("a", "nurse-1", 0)).rpartition("/")[2]) is None


URL = f"https://bell.example.invalid/a/{TOKEN}"


@pytest.mark.parametrize("why", ["raised", "further", "taken"])
def test_a_mail_has_the_link_where_something_can_be_answered(why: str) -> None:
    """One line of it, whole; none where there is no page, and none where it is over."""
    assert (
        f"\nTo answer on your phone: {URL}\n" in mail([facts(why=why, link=URL, holder="nurse")], ZONE).body
    )
    assert "phone" not in mail([facts(why=why, holder="nurse")], ZONE).body
    assert "phone" not in mail([facts(why="stand-down", link=URL)], ZONE).body


def test_a_page_has_no_link() -> None:
    """A page goes over the air, where anybody can listen: a link there would let anybody answer."""
    assert page([facts(link="https://b.example/a/x")], ZONE) == page([facts()], ZONE)


@pytest.mark.parametrize("reference", ["", "a" * 41, "a b", "\u00e4", "a/b"])
def test_what_cannot_stand_in_a_link_is_said(reference: str) -> None:
    """A reference that no token can hold is an error of whoever makes the link."""
    with pytest.raises(ValueError, match="a reference of 1 to 40"):
        made(KEY, LINK._replace(reference=reference))
