"""How much of the phone's page anybody may ask for: requests by client and in all, and wrong codes.

Times are ms of a clock that never goes back. What is remembered is bounded; whoever is forgotten begins anew, so the
limits on all together hold whatever comes from however many addresses.
"""

from __future__ import annotations

import ipaddress
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import Final

# Common practice, no source, all of these. A ward may share one address, so it is not too tight.
BURST, A_SECOND = 30, 5.0  # requests of one client at once, and from then on
BURST_ALL, A_SECOND_ALL = 60, 20.0  # of all clients together: some ms of the rule loop each
# Connections from proxies of ours, whoever is behind them: to read a request costs about 1 ms, to turn one away at the
# door a twentieth of that (measured by tests/web/flood.py).
BURST_DOOR, A_SECOND_DOOR = 100, 100.0
MOST_CLIENTS: Final = 4_096
# 24^6 codes for each person: 30 wrong ones in 10 min are 4,320 a day. With 50 concerns open at once, one guess in
# 3.8 million opens something, so a day of guessing as one person does so once in about 880 days.
WRONG_EACH, WRONG_ALL, WRONG_WITHIN = 5, 30, 600_000
REFUSALS, REFUSALS_EVERY = (
    30,
    10_000,
)  # of what opens nothing: entries of the trail at once, and then one each so long


@dataclass(slots=True)
class Bucket:
    """Tokens that come back with time."""

    burst: float
    a_second: float
    left: float = field(init=False)
    at: int | None = None

    def __post_init__(self) -> None:
        self.left = self.burst

    def take(self, now: int) -> bool:
        """Take one, if there is one."""
        if self.at is not None:
            self.left = min(self.burst, self.left + max(0, now - self.at) * self.a_second / 1000)
        self.at = now
        if self.left < 1:
            return False
        self.left -= 1
        return True


class Gate:
    """Who may ask, and who may try codes."""

    def __init__(self) -> None:
        self._all = Bucket(BURST_ALL, A_SECOND_ALL)
        self._door = Bucket(BURST_DOOR, A_SECOND_DOOR)
        self._clients: OrderedDict[str, Bucket] = OrderedDict()
        self._wrong: OrderedDict[str, list[int]] = OrderedDict()
        self._wrong_all: list[int] = []
        self._closed_until = 0
        self._refusals = Bucket(REFUSALS, 1000 / REFUSALS_EVERY)
        self.turned_away = 0

    def client(self, address: str, now: int) -> bool:
        """Whether this client may ask once more, as far as it alone is concerned."""
        key = network(address)
        bucket = self._clients.pop(key, None) or Bucket(BURST, A_SECOND)
        self._clients[key] = bucket
        if len(self._clients) > MOST_CLIENTS:
            self._clients.popitem(last=False)
        return self._counted(bucket.take(now))

    def door(self, now: int) -> bool:
        """Whether one more connection of a proxy is let in."""
        return self._counted(self._door.take(now))

    def anybody(self, now: int) -> bool:
        """Whether anybody may ask once more."""
        return self._counted(self._all.take(now))

    def may_try(self, address: str, now: int) -> bool:
        """Whether this client may try a code: not after too many wrong ones, its own or everybody's."""
        if now < self._closed_until:
            return False
        wrong = self._wrong.get(network(address), [])
        return sum(now - at < WRONG_WITHIN for at in wrong) < WRONG_EACH

    def wrong(self, address: str, now: int) -> None:
        """Count a wrong code."""
        key = network(address)
        kept = [at for at in self._wrong.pop(key, []) if now - at < WRONG_WITHIN]
        self._wrong[key] = [*kept, now][-WRONG_EACH:]
        if len(self._wrong) > MOST_CLIENTS:
            self._wrong.popitem(last=False)
        self._wrong_all = [at for at in self._wrong_all if now - at < WRONG_WITHIN]
        self._wrong_all.append(now)
        if len(self._wrong_all) >= WRONG_ALL:
            self._closed_until, self._wrong_all = now + WRONG_WITHIN, []

    def may_say(self, now: int) -> bool:
        """Whether one more refusal goes to the trail; those that do not are counted by whoever asks."""
        return self._refusals.take(now)

    def _counted(self, taken: bool) -> bool:
        self.turned_away += not taken
        return taken


def network(address: str) -> str:
    """What counts as one client: an IPv4 address, or the /64 that one IPv6 user has to choose from (RFC 6177 §1)."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return "unknown"
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)


def client_behind(peer: str, forwarded: str, proxies: int) -> str:
    """The client's address: with N trusted proxies the Nth from the right in X-Forwarded-For, else the peer.

    Whatever stands further left was written by the client itself.
    """
    if proxies == 0:
        return peer
    parts = [part.strip() for part in forwarded.split(",") if part.strip()]
    return parts[-proxies].strip("[]") if len(parts) >= proxies else peer
