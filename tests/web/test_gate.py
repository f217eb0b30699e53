"""The gate: how many requests and wrong codes are taken, of one client and of all, however many addresses come."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.web.gate import (
    A_SECOND_DOOR,
    BURST,
    BURST_ALL,
    BURST_DOOR,
    MOST_CLIENTS,
    REFUSALS,
    REFUSALS_EVERY,
    WRONG_ALL,
    WRONG_EACH,
    WRONG_WITHIN,
    Bucket,
    Gate,
    client_behind,
    network,
)


def test_one_client_is_held_to_its_rate_and_no_other_is() -> None:
    """After its burst one address is turned away, another is not; a second later it has five more."""
    gate = Gate()
    assert [gate.client("192.0.2.1", 0) for _ in range(BURST + 1)] == [True] * BURST + [False]
    assert gate.client("192.0.2.2", 0)
    assert [gate.client("192.0.2.1", 1_000) for _ in range(6)] == [True] * 5 + [False]


def test_all_together_are_held_to_a_rate() -> None:
    """However many there are, after the burst of all nobody is let in until time has passed."""
    gate = Gate()
    assert sum(gate.anybody(0) for _ in range(10 * BURST_ALL)) == BURST_ALL
    assert sum(gate.anybody(1_000) for _ in range(10 * BURST_ALL)) == 20
    assert gate.turned_away == 20 * BURST_ALL - BURST_ALL - 20


def test_proxies_are_held_to_a_rate_at_the_door() -> None:
    """Whoever is behind them, so many connections at once and a second, and the rest costs next to nothing."""
    gate = Gate()
    assert sum(gate.door(0) for _ in range(10 * BURST_DOOR)) == BURST_DOOR
    assert sum(gate.door(1_000) for _ in range(10 * BURST_DOOR)) == A_SECOND_DOOR


@given(st.lists(st.integers(0, 500), max_size=200), st.integers(1, 10), st.integers(1, 20))
def test_a_bucket_never_gives_more_than_it_says(pauses: list[int], burst: int, a_second: int) -> None:
    """In any stretch of time no more is taken than the burst and the rate times the stretch."""
    bucket, now = Bucket(burst, a_second), 0
    taken = []
    for pause in pauses:
        now += pause
        if bucket.take(now):
            taken.append(now)
    for index, start in enumerate(taken):
        for end in taken[index:]:
            within = sum(start <= at <= end for at in taken)
            assert within <= burst + a_second * (end - start) / 1000 + 1e-6


def test_a_few_wrong_codes_close_this_way_for_one_client() -> None:
    """Five wrong codes in ten minutes, and no sixth is tried; other clients may."""
    gate = Gate()
    for _ in range(WRONG_EACH):
        assert gate.may_try("192.0.2.1", 0)
        gate.wrong("192.0.2.1", 0)
    assert not gate.may_try("192.0.2.1", WRONG_WITHIN - 1)
    assert gate.may_try("192.0.2.2", 0)
    assert gate.may_try("192.0.2.1", WRONG_WITHIN)


def test_wrong_codes_of_many_clients_close_it_for_all() -> None:
    """Thirty wrong codes from thirty addresses close it for everybody for ten minutes, and not for longer."""
    gate = Gate()
    for n in range(WRONG_ALL):
        assert gate.may_try(f"192.0.2.{n}", n)
        gate.wrong(f"192.0.2.{n}", n)
    assert not gate.may_try("198.51.100.1", WRONG_ALL)
    assert gate.may_try("198.51.100.1", WRONG_ALL - 1 + WRONG_WITHIN)


def test_what_is_remembered_is_bounded() -> None:
    """A hundred thousand addresses leave no more behind than the gate has places for."""
    gate = Gate()
    for n in range(3 * MOST_CLIENTS):
        address = f"10.{n >> 16}.{n >> 8 & 255}.{n & 255}"
        gate.client(address, n)
        gate.wrong(address, n * 60_000)
    assert len(gate._clients) <= MOST_CLIENTS
    assert len(gate._wrong) <= MOST_CLIENTS
    assert len(gate._wrong_all) <= WRONG_ALL


def test_refusals_for_the_trail_are_few() -> None:
    """Thirty at once, then one each ten seconds."""
    gate = Gate()
    assert sum(gate.may_say(0) for _ in range(1_000)) == REFUSALS
    assert not gate.may_say(REFUSALS_EVERY - 1)
    assert gate.may_say(REFUSALS_EVERY)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("2001:db8:1:2::1", "2001:db8:1:2:ffff::9", True),
        ("2001:db8:1:2::1", "2001:db8:1:3::1", False),
        ("::ffff:192.0.2.1", "192.0.2.1", True),
        ("192.0.2.1", "192.0.2.2", False),
        ("fe80::1%eth0", "fe80::2%eth0", True),
        ("nonsense", "", True),
    ],
)
def test_who_is_one_client(one: str, other: str, same: bool) -> None:
    """An IPv6 user has a whole /64 (RFC 6177 §1); a mapped IPv4 address is that address (RFC 4291 §2.5.5.2)."""
    assert (network(one) == network(other)) is same


@pytest.mark.parametrize(
    ("forwarded", "proxies", "client"),
    [
        ("203.0.113.9", 0, "127.0.0.1"),  # without proxies of ours nobody's word is taken
        ("203.0.113.9", 1, "203.0.113.9"),
        ("198.51.100.66, 203.0.113.9", 1, "203.0.113.9"),  # the left one was made up by the client
        ("198.51.100.66, 203.0.113.9, 10.0.0.2", 2, "203.0.113.9"),
        ("203.0.113.9", 2, "127.0.0.1"),
        ("", 1, "127.0.0.1"),
        ("[2001:db8::1]", 1, "2001:db8::1"),
    ],
)
def test_which_address_a_client_has(forwarded: str, proxies: int, client: str) -> None:
    """Of X-Forwarded-For (no standard; MDN's account of it) only what trusted proxies appended is believed."""
    assert client_behind("127.0.0.1", forwarded, proxies) == client
