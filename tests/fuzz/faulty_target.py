"""The same target with a fault put in, to prove that the fuzzer finds one: a snapshot of a pump that has gone off."""

from __future__ import annotations

from monitor.core.messages import Decoded, Snapshot
from tests.fuzz import decode_target
from tests.fuzz.soundness import check


def faulty(topic: str, payload: bytes, retain: bool = False) -> Decoded:
    """Decode, and fail where the pump's battery is said to be very nearly empty."""
    decoded = check(topic, payload, retain)
    assert not (isinstance(decoded, Snapshot) and decoded.battery_percent not in (61, None))
    return decoded


if __name__ == "__main__":
    setattr(decode_target, "check", faulty)  # noqa: B010 -- which mypy knows to be another's
    decode_target.main()
