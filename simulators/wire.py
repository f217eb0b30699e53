"""The contract with a monitor, as far as a bridge needs it: topics, CloudEvents, presence.

CloudEvents 1.0 in JSON, structured mode, UTF-8 (cloudevents/spec, formats/json-format.md §3), one message
for one full state. Restated here so that the simulators stand alone.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, NamedTuple

from simulators.instants import rfc3339
from simulators.reading import Alarm, Reading

EVENT_TYPE = "secondbell.device-state.v1"
ANSWER_TYPE = "secondbell.answer.v1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """One MQTT message, and the bridge that sends it."""

    topic: str
    payload: bytes
    retain: bool
    bridge: str = ""


class Report(NamedTuple):
    """What a bridge reports of one pump, before it is written as a message."""

    prefix: str
    site: str
    unit: str
    device: str
    bridge: str
    number: int
    at: int
    sequence: int
    reading: Reading


def published(report: Report) -> Published:
    """Write a report as the message that its bridge sends."""
    return Published(
        topic=state_topic(report.prefix, report.site, report.unit, report.device),
        payload=device_state(
            report.reading,
            bridge=report.bridge,
            number=report.number,
            device=report.device,
            at=report.at,
            sequence=report.sequence,
        ),
        retain=True,
        bridge=report.bridge,
    )


def state_topic(prefix: str, site: str, unit: str, device: str) -> str:
    """Return where a device's states go."""
    return f"{prefix}/{site}/{unit}/{device}/state"


def answer_topic(prefix: str, site: str, unit: str, device: str) -> str:
    """Return where somebody at a bedside says what she does about a feed."""
    return f"{prefix}/{site}/{unit}/{device}/responsibility"


def presence_topic(prefix: str, site: str, bridge: str) -> str:
    """Return where a bridge says whether it is there."""
    return f"{prefix}/{site}/bridge/{bridge}/presence"


def presence(*, online: bool, backlog: bool = False) -> bytes:
    """Write a bridge's presence."""
    return _json({"online": online, "backlog": backlog})


def bedside_answer(
    answer: str, *, button: str, number: int, device: str, person: str, at: int, until: int | None
) -> bytes:
    """Write what was said by a bedside button as a CloudEvent."""
    data: dict[str, Any] = {"answer": answer, "person": person}
    if until is not None:
        data["until"] = rfc3339(until)
    return _json(
        {
            "specversion": "1.0",
            "id": f"{button}-{number:06d}",
            "source": f"urn:bridge:{button}",
            "type": ANSWER_TYPE,
            "subject": device,
            "time": rfc3339(at),
            "datacontenttype": "application/json",
            "data": data,
        }
    )


def device_state(reading: Reading, *, bridge: str, number: int, device: str, at: int, sequence: int) -> bytes:
    """Write one reading as a CloudEvent; volumes to 0.1 mL, as a pump shows them."""
    delivery: dict[str, Any] = {
        "rate_ml_h": _tidy(reading.rate_ml_h),
        "delivered_ml": _tidy(reading.delivered_ml),
    }
    if reading.target_ml is not None:
        delivery["target_ml"] = _tidy(reading.target_ml)
    return _json(
        {
            "specversion": "1.0",
            "id": f"{bridge}-{number:06d}",
            "source": f"urn:bridge:{bridge}",
            "type": EVENT_TYPE,
            "subject": device,
            "time": rfc3339(at),
            "datacontenttype": "application/json",
            "data": {
                "sequence": sequence,
                "activity": reading.activity,
                "alarms": [_alarm(alarm) for alarm in reading.alarms],
                "power": {
                    "mains": reading.mains,
                    "battery_percent": reading.battery_percent,
                    "battery_low": reading.battery_low,
                },
                "delivery": delivery,
            },
        }
    )


def _alarm(alarm: Alarm) -> dict[str, str]:
    entry = {
        "condition": alarm.condition,
        "priority": alarm.priority,
        "since": rfc3339(alarm.since),
        "inactivation": alarm.inactivation,
    }
    if alarm.line is not None:
        entry["line"] = alarm.line
    return entry


def _tidy(number: float) -> float | int:
    rounded = round(number, 1)
    return int(rounded) if rounded == int(rounded) else rounded


def _json(value: dict[str, Any]) -> bytes:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode()
