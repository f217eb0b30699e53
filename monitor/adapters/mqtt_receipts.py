"""Which messages of one connection still have to be acknowledged.

Acknowledgements must leave in the order in which the messages came (MQTT 3.1.1 §4.6), whatever the order in
which the service is done with them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence


class Receipts:
    """The message ids owed to the broker, by arrival, and whether each may go."""

    def __init__(self) -> None:
        """Owe nothing."""
        self._by_arrival: deque[int] = deque()
        self._settled: dict[int, bool] = {}

    def owe(self, mid: int) -> None:
        """Note a message that came."""
        if mid not in self._settled:
            self._by_arrival.append(mid)
        self._settled[mid] = False

    def owe_all(self, mids: Sequence[int]) -> None:
        """Note messages that came, in this order."""
        settled = self._settled
        new = dict.fromkeys(mids, False)
        if len(new) == len(mids) and settled.keys().isdisjoint(new):
            self._by_arrival.extend(mids)
            settled.update(new)
        else:
            for mid in mids:
                self.owe(mid)

    def settle(self, mid: int) -> None:
        """Note that a message is dealt with; one that is not owed is ignored."""
        if mid in self._settled:
            self._settled[mid] = True

    def settle_all(self, mids: Iterable[int]) -> None:
        """Note that these are dealt with; those not owed are ignored."""
        settled = self._settled
        for mid in mids:
            if mid in settled:
                settled[mid] = True

    def due(self) -> list[int]:
        """Give, once each, the ids with nothing unsettled before them."""
        settled, arrived = self._settled, self._by_arrival
        count = 0
        for mid in arrived:
            if not settled[mid]:
                break
            count += 1
        found = [arrived.popleft() for _ in range(count)]
        for mid in found:
            del settled[mid]
        return found

    def clear(self) -> None:
        """Owe nothing any more: the connection is gone, and the ids mean nothing on the next."""
        self._by_arrival.clear()
        self._settled.clear()
