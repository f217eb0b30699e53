"""A fault of ours on one message must not keep the others from being heard."""

from __future__ import annotations

from monitor.core.engine import Engine
from monitor.testing import START, ward
from tests.core.snapshots import snapshot


def test_a_message_that_breaks_the_engine_is_quarantined_and_the_next_acts() -> None:
    """It is named, kept with its bytes, counted, and raises nothing."""
    engine = Engine(ward(), now=START, link=True)
    broken = snapshot(START, device="pump-9")._replace(time="never")  # type: ignore[arg-type]  # decode lets none through
    error = engine.receive_message(broken, b"{broken}", START)
    assert isinstance(error, TypeError)
    assert engine.receive_message(snapshot(START + 1), b"", START + 1) is None
    assert engine.counters["rejected engine-fault"] == 1
    assert engine.counters["snapshots"] == 1
    changes = engine.take_changes()
    (kept,) = changes.quarantined
    assert (kept.reason, kept.payload) == ("engine-fault", b"{broken}")
    assert [entry.event for entry in changes.entries].count("quarantined") == 1
