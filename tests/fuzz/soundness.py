"""What must hold of decoding whatever comes, and of the engine with whatever decoding lets through; valid messages.

Nothing here knows who makes up the messages: Hypothesis or a fuzzer that watches which code they reach.
"""

from __future__ import annotations

import json
from typing import Any, Final

from monitor.core.decode import decode
from monitor.core.engine import Engine
from monitor.core.instants import MINUTE, show
from monitor.core.messages import (
    AnswerMessage,
    Cleared,
    Decoded,
    PlanMessage,
    PresenceMessage,
    Reason,
    Rejection,
    Snapshot,
)
from monitor.testing import START, ward

SITE: Final = ward()
BASE: Final = f"{SITE.prefix}/{SITE.name}"
DEVICE: Final = next(iter(SITE.devices), "pump-1")
UNIT: Final = SITE.devices[DEVICE].unit if DEVICE in SITE.devices else "elm"
STATE, PLAN, ANSWER = (f"{BASE}/{UNIT}/{DEVICE}/{kind}" for kind in ("state", "plan", "responsibility"))
PRESENCE: Final = f"{BASE}/bridge/north-7/presence"
TOPICS: Final = (STATE, PLAN, ANSWER, PRESENCE)

KINDS: Final = (Snapshot, PlanMessage, AnswerMessage, PresenceMessage, Cleared, Rejection)
REFUSING: Final = Engine(
    SITE, now=START, link=True
)  # one for all that is refused: nothing but counts changes in it
OUR_FAULTS: Final = (Reason.DECODER_FAULT, Reason.ENGINE_FAULT)


def read(topic: str, payload: bytes, retain: bool = False) -> Decoded:
    """Decode as the service does."""
    return decode(topic, payload, retain=retain, prefix=SITE.prefix, site=SITE.name)


def check(topic: str, payload: bytes, retain: bool = False) -> Decoded:
    """Hold one message to be read or refused by name, and what is read to go through the engine and into its rows."""
    decoded = read(topic, payload, retain)
    assert isinstance(decoded, KINDS), decoded
    if isinstance(decoded, Rejection):
        assert decoded.reason in Reason, decoded
        assert decoded.reason not in OUR_FAULTS, decoded
        assert decoded.detail, decoded
    json.dumps(decoded, ensure_ascii=False, allow_nan=False).encode()  # a lone surrogate cannot be stored
    if isinstance(decoded, Rejection):
        take(REFUSING, decoded, payload, START)
        return decoded
    engine = Engine(SITE, now=START, link=True)
    for instant, found in ((START, decoded), (START + 1, read(*VALID[0])), (START + 2, decoded)):
        take(engine, found, payload, instant)
    engine.advance(START + 30 * MINUTE)
    stored(engine)
    return decoded


def take(engine: Engine, decoded: Decoded, payload: bytes, now: int) -> None:
    """Let the engine take a message, without a fault of ours, and take what it would have stored."""
    error = engine.receive_message(decoded, payload, now)
    assert error is None, f"{type(error).__name__}: {error}"
    stored(engine)


def stored(engine: Engine) -> None:
    """Take what the engine would have stored: all of it can be written as UTF-8."""
    changes = engine.take_changes()
    for (_, key), text in changes.rows.items():
        f"{key}{text}".encode()
    for kept in changes.quarantined:
        f"{kept.topic}{kept.detail}".encode()
    engine.take_effects()
    engine.take_happenings()


def event(kind: str, data: Any, at: int = START) -> bytes:
    """A message about the pump, at an instant."""
    told = {
        "specversion": "1.0",
        "id": "b7-000183",
        "source": "urn:bridge:north-7",
        "type": f"secondbell.{kind}.v1",
        "subject": DEVICE,
        "time": show(at),
        "datacontenttype": "application/json",
        "data": data,
    }
    return json.dumps(told).encode()


ALARM: Final[dict[str, Any]] = {
    "condition": "downstream-occlusion",
    "priority": "high",
    "since": show(START - MINUTE),
    "inactivation": "audio-paused",
    "line": "feed",
}
FEEDING: Final[dict[str, Any]] = {
    "sequence": 183,
    "activity": "feeding",
    "alarms": [],
    "power": {"mains": False, "battery_percent": 61, "battery_low": False},
    "delivery": {"rate_ml_h": 85, "delivered_ml": 412.5, "target_ml": 1000},
}
STOPPED: Final = FEEDING | {
    "activity": "stopped",
    "alarms": [ALARM, ALARM | {"line": "flush", "priority": "low"}],
}
WINDOWS: Final = [{"from": "20:00", "to": "06:00"}]
RISKY: Final = {
    "windows": WINDOWS,
    "target_ml": 1000,
    "rate_ml_h": 85,
    "highest_rate_ml_h": 120,
    "kcal_per_ml": 1.5,
    "glucose_risk": True,
    "feed_kind": "closed",
    "container_hung": show(START - 60 * MINUTE),
    "set_hung": show(START - 60 * MINUTE),
}

VALID: Final[tuple[tuple[str, bytes], ...]] = (
    (STATE, event("device-state", FEEDING)),
    (STATE, event("device-state", STOPPED)),
    (STATE, event("device-state", {"sequence": 1, "activity": "off", "alarms": []})),
    (PLAN, event("plan", {"windows": WINDOWS})),
    (PLAN, event("plan", RISKY)),
    (ANSWER, event("answer", {"answer": "accept", "concern": "k7qx2m4d", "person": "nurse-1"})),
    (ANSWER, event("answer", {"answer": "feed-ended", "person": "nurse-1", "reason": "bath"})),
    (ANSWER, event("answer", {"answer": "hold", "person": "nurse-1", "until": show(START + 60 * MINUTE)})),
    (PRESENCE, b'{"online": true, "backlog": false}'),
    (PRESENCE, b'{"online": false}'),
)
"""Messages that keep the contract, of every kind."""
