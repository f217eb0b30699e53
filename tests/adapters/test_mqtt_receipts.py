"""Which messages may be acknowledged."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.mqtt_receipts import Receipts


@given(order=st.permutations(range(1, 9)))
def test_acknowledgements_leave_in_the_order_of_arrival(order: list[int]) -> None:
    """Whatever the order in which messages are settled, their ids leave once each, by arrival (§4.6)."""
    receipts = Receipts()
    for mid in range(1, 9):
        receipts.owe(mid)
    left: list[int] = []
    for place, mid in enumerate(order):
        receipts.settle(mid)
        receipts.settle(99)  # never owed
        left += receipts.due()
        settled = set(order[: place + 1])
        assert left == [n for n in range(1, 9) if set(range(1, n + 1)) <= settled]
    assert left == list(range(1, 9))
