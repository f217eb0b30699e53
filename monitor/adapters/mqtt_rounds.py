"""Which broker is tried next, and after how long."""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where a broker listens: host name or IP address, and TCP port."""

    host: str
    port: int = 1883

    def __str__(self) -> str:
        """Say it as people write it."""
        return f"{self.host}:{self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkTimes:
    """How long the link waits, in seconds; common practice, none of it from a standard."""

    connect: float = 5.0  # for TCP and TLS
    answer: float = 10.0  # for CONNACK and SUBACK
    first_wait: float = 0.5  # after a failure; doubles each time
    longest_wait: float = 30.0  # a connection that held this long starts at the first wait again
    marker: float = 30.0  # for a marker in a kept session, before its subscriptions are doubted
    farewell: float = 2.0  # at the stop, for confirmations, and again for the broker to close


class Rounds:
    """The addresses in turn: the next at once, a wait after each whole round, doubling, never giving up."""

    def __init__(self, addresses: Sequence[BrokerAddress], times: LinkTimes, rng: random.Random) -> None:
        """Begin with the first address.

        Raises:
            ValueError: no address.
        """
        if not addresses:
            raise ValueError("a link needs at least one broker address")
        self._addresses = deque(addresses)
        self._times = times
        self._rng = rng
        self._failures = 0
        self._tried = 0

    @property
    def address(self) -> BrokerAddress:
        """The one to try now."""
        return self._addresses[0]

    def wait_after(self, held: float) -> float:
        """Give the seconds to wait, now that the address was held so many seconds (0: it never stood).

        One that was good for long is tried again first. One that is lost at once, again and again, is waited for
        as one that refuses: two monitors of the same name would else throw each other out without a pause.
        """
        if held >= self._times.longest_wait:
            self._failures = self._tried = 0
        else:
            self._addresses.rotate(-1)
            self._tried += 1
            if self._tried % len(self._addresses):
                return 0.0
        wait = min(self._times.longest_wait, self._times.first_wait * 2.0 ** min(self._failures, 30))
        self._failures += 1
        return wait * self._rng.uniform(0.5, 1.0)  # so that a broker's clients do not all return at once
