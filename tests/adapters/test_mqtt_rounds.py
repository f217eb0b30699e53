"""Which broker is tried next, and after how long."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.mqtt_rounds import BrokerAddress, LinkTimes, Rounds

ONE, TWO, THREE = BrokerAddress("one"), BrokerAddress("two"), BrokerAddress("three")
TIMES = LinkTimes()


class Fixed(random.Random):
    """A source of chance that always says the same."""

    def __init__(self, value: float) -> None:
        super().__init__()
        self._value = value

    def random(self) -> float:
        """Give it."""
        return self._value


def unjittered() -> Iterator[float]:
    """The waits that the link's chance shortens: 0.5 s, doubling, to 30 s and no further."""
    yield from (0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
    yield from itertools.repeat(30.0)


def test_waits_double_to_a_limit_and_start_anew_after_a_good_connection() -> None:
    """Each address in turn at once, then 0.5 s doubling to 30 s, each shortened by up to a half."""
    first, second = ONE, TWO
    rounds = Rounds([first, second], LinkTimes(), random.Random(3))
    waits: list[float] = []
    for _ in range(10):
        assert rounds.address == first
        assert rounds.wait_after(0.0) == 0.0
        assert rounds.address == second
        waits.append(rounds.wait_after(1.0))  # held a second: no good connection
    for wait, longest in zip(waits, [0.5, 1, 2, 4, 8, 16, 30, 30, 30, 30], strict=True):
        assert longest / 2 <= wait <= longest
    assert len(set(waits)) == 10
    assert rounds.address == first
    assert rounds.wait_after(30.0) <= 0.5
    assert rounds.address == first


@pytest.mark.parametrize(("chance", "share"), [(0.0, 0.5), (0.5, 0.75), (1.0 - 2**-53, 1.0)])
def test_chance_shortens_a_wait_by_up_to_a_half(chance: float, share: float) -> None:
    """From half of it to all of it, at each step and at the limit: never more than 30 s, never at once."""
    rounds = Rounds([ONE], TIMES, Fixed(chance))
    for longest in itertools.islice(unjittered(), 12):
        assert rounds.wait_after(0.0) == pytest.approx(longest * share)


def test_monitors_that_lost_a_broker_together_do_not_return_together() -> None:
    """The first waits of a hundred monitors lie spread over a quarter of a second, not on one instant."""
    waits = sorted(Rounds([ONE], TIMES, random.Random(seed)).wait_after(0.0) for seed in range(100))
    assert 0.25 <= waits[0] < 0.28
    assert 0.47 < waits[-1] <= 0.5
    assert max(later - earlier for earlier, later in itertools.pairwise(waits)) < 0.05


def test_each_address_is_tried_once_before_any_is_again() -> None:
    """A round goes through all at once, in the order of the site file, and the wait comes after the last."""
    rounds = Rounds([ONE, TWO, THREE], TIMES, Fixed(0.5))
    tried, waits = [], []
    for _ in range(9):
        tried.append(rounds.address)
        waits.append(rounds.wait_after(0.0))
    assert tried == [ONE, TWO, THREE] * 3
    assert [wait > 0 for wait in waits] == [False, False, True] * 3


def test_a_broker_that_was_good_is_tried_first_again_and_the_others_after_it() -> None:
    """Lost after an hour on the second address: that one after a short wait, then the rest without one."""
    rounds = Rounds([ONE, TWO, THREE], TIMES, Fixed(0.5))
    rounds.wait_after(0.0)
    assert rounds.address == TWO
    assert 0 < rounds.wait_after(3600.0) <= 0.5
    tried = []
    for _ in range(3):
        tried.append(rounds.address)
        rounds.wait_after(0.0)
    assert tried == [TWO, THREE, ONE]


def test_nights_of_failures_overflow_nothing() -> None:
    """After a week of attempts the wait is what it was after a minute."""
    rounds = Rounds([ONE], TIMES, Fixed(1.0 - 2**-53))
    for _ in range(20_000):
        wait = rounds.wait_after(0.0)
    assert wait == pytest.approx(30.0)


@given(
    held=st.lists(st.sampled_from([0.0, 0.001, 5.0, 29.9, 30.0, 3600.0]), max_size=60),
    count=st.integers(1, 4),
    seed=st.integers(0, 10_000),
)
def test_however_connections_end_no_address_is_forgotten_or_hammered(
    held: list[float], count: int, seed: int
) -> None:
    """Between two tries of one address there is always a wait, and no address waits longer than a round."""
    addresses = [BrokerAddress(f"b{n}") for n in range(count)]
    rounds = Rounds(addresses, TIMES, random.Random(seed))
    waited_since: dict[BrokerAddress, float] = {}
    failed_in_a_row: list[BrokerAddress] = []
    for seconds in held:
        address = rounds.address
        assert waited_since.get(address, 1.0) > 0.0
        waited_since[address] = 0.0
        failed_in_a_row = [] if seconds >= TIMES.longest_wait else [*failed_in_a_row, address]
        wait = rounds.wait_after(seconds)
        assert 0.0 <= wait <= TIMES.longest_wait
        waited_since = {known: before + wait for known, before in waited_since.items()}
        assert set(failed_in_a_row[-count:]) == set(addresses) or len(failed_in_a_row) < count
