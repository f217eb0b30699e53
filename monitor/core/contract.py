"""The contract as documents, generated from the models: a JSON Schema and an AsyncAPI description."""

from typing import Any, Final, NamedTuple

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaMode, models_json_schema

from monitor.core import topics
from monitor.core.heads import EXAMPLE as _HEAD_EXAMPLE
from monitor.core.heads import TrailHead
from monitor.core.published import MonitorPresence, OpenConcerns
from monitor.core.wire import Answer, BridgePresence, DeviceState, FeedingPlan, Wire

VERSION: Final = "1.0.0"  # of the contract, not of the program
_CLOUDEVENT: Final = "application/cloudevents+json; charset=utf-8"  # CloudEvents MQTT binding 1.0, structured
_LIMITS: Final = (
    "A distributed information system about alarm conditions (IEC 60601-1-8): "
    "nobody may rely on it in place of the pump's own alarm."
)


class _Kind(NamedTuple):
    """One kind of message: its model, its channel, which way it goes, and an example."""

    name: str
    model: type[Wire]
    address: str
    action: str  # as the monitor sees it
    retain: bool
    summary: str
    example: dict[str, object]


_STATE_EXAMPLE: Final[dict[str, object]] = {
    "specversion": "1.0",
    "id": "b7-000183",
    "source": "urn:bridge:north-7",
    "type": "secondbell.device-state.v1",
    "subject": "pump-0042",
    "time": "2026-03-14T01:12:09.500Z",
    "datacontenttype": "application/json",
    "data": {
        "sequence": 183,
        "activity": "feeding",
        "alarms": [
            {
                "condition": "downstream-occlusion",
                "priority": "medium",
                "since": "2026-03-14T01:11:40Z",
                "inactivation": "audio-paused",
                "line": "feed",
            }
        ],
        "power": {"mains": False, "battery_percent": 61, "battery_low": False},
        "delivery": {"rate_ml_h": 85, "delivered_ml": 412.5, "target_ml": 1000},
    },
}
_PLAN_EXAMPLE: Final[dict[str, object]] = {
    "specversion": "1.0",
    "id": "b7-p-0009",
    "source": "urn:bridge:north-7",
    "type": "secondbell.plan.v1",
    "subject": "pump-0042",
    "time": "2026-03-13T19:30:00Z",
    "datacontenttype": "application/json",
    "data": {
        "windows": [{"from": "20:00", "to": "06:00"}],
        "target_ml": 1000,
        "rate_ml_h": 100,
        "highest_rate_ml_h": 120,
        "kcal_per_ml": 1.5,
        "glucose_risk": False,
        "feed_kind": "closed",
        "container_hung": "2026-03-13T19:25:00Z",
        "set_hung": "2026-03-13T19:20:00Z",
    },
}
_ANSWER_EXAMPLE: Final[dict[str, object]] = {
    "specversion": "1.0",
    "id": "b7-a-0031",
    "source": "urn:bridge:north-7",
    "type": "secondbell.answer.v1",
    "subject": "pump-0042",
    "time": "2026-03-14T01:17:02Z",
    "datacontenttype": "application/json",
    "data": {"concern": "K7QX2M4D", "answer": "accept", "person": "n-07"},
}
_CONCERNS_EXAMPLE: Final[dict[str, object]] = {
    "specversion": "1.0",
    "id": "c-000012",
    "source": "urn:monitor:night",
    "type": "secondbell.concerns.v1",
    "subject": "pump-0042",
    "time": "2026-03-14T01:17:04.000Z",
    "datacontenttype": "application/json",
    "data": [
        {
            "concern": "K7QX2M4D",
            "rule": "muted-too-long",
            "priority": "medium",
            "state": "accepted",
            "since": "2026-03-14T01:15:40.000Z",
            "accepted": True,
        }
    ],
}
_PRESENCE_EXAMPLE: Final[dict[str, object]] = {
    "online": True,
    "at": "2026-03-14T01:17:04.000Z",
    "last_step": "2026-03-14T01:17:03.950Z",
    "stopped": False,
    "late_ms": 0,
    "link_since": "2026-03-13T18:02:11.400Z",
    "unstored_since": None,
    "interval_ms": 15000,
    "version": "0.5.0",
}

_KINDS: Final = (
    _Kind(
        "deviceState",
        DeviceState,
        "{site}/{unit}/{device}/state",
        "receive",
        True,
        "The full state of one device",
        _STATE_EXAMPLE,
    ),
    _Kind(
        "feedingPlan",
        FeedingPlan,
        "{site}/{unit}/{device}/plan",
        "receive",
        True,
        "A device's feeding plan; an empty payload withdraws it",
        _PLAN_EXAMPLE,
    ),
    _Kind(
        "answer",
        Answer,
        "{site}/{unit}/{device}/responsibility",
        "receive",
        False,
        "A person's answer from a bedside button or another system",
        _ANSWER_EXAMPLE,
    ),
    _Kind(
        "bridgePresence",
        BridgePresence,
        "{site}/bridge/{bridge}/presence",
        "receive",
        True,
        "Whether a bridge is there; online = false is its last will",
        {"online": True, "backlog": False},
    ),
    _Kind(
        "openConcerns",
        OpenConcerns,
        "{site}/{unit}/{device}/concerns",
        "send",
        True,
        "The open concerns of one device",
        _CONCERNS_EXAMPLE,
    ),
    _Kind(
        "monitorPresence",
        MonitorPresence,
        "{site}/monitor/{name}/presence",
        "send",
        True,
        "Whether the monitor is there, and works; online = false is its last will",
        _PRESENCE_EXAMPLE,
    ),
    _Kind(
        "trailHead",
        TrailHead,
        "{site}/monitor/{name}/head",
        "send",
        True,
        "The newest signed head of the monitor's audit trail",
        _HEAD_EXAMPLE,
    ),
)

_PARAMETERS: Final = {
    "site": ("The service or hospital.", "riverside"),
    "unit": ("The ward or district; never bridge or monitor.", "ward-3"),
    "device": ("The pseudonymous id of the pump; never a person's name.", "pump-0042"),
    "bridge": ("The bridge's id.", "north-7"),
    "name": ("The monitor's name.", "night"),
}


class _Generator(GenerateJsonSchema):
    """pydantic's generator without the titles that only repeat the fields' names."""

    def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ARG002 -- pydantic's signature
        """Never set one."""
        return False


def json_schema() -> dict[str, Any]:
    """Give the JSON Schema (2020-12): every message under `$defs`, and a document may be any one of them."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:secondbell:contract:{VERSION}",
        "title": "Second Bell: messages",
        "description": f"What a bridge should send, and what the monitor publishes. {_LIMITS}",
        "anyOf": [{"$ref": f"#/$defs/{kind.model.__name__}"} for kind in _KINDS],
        "$defs": _definitions("#/$defs/{model}"),
    }


def asyncapi(prefix: str = topics.DEFAULT_PREFIX) -> dict[str, Any]:
    """Give the AsyncAPI 3.0.0 document, as the monitor sees it, of the channels under this topic prefix."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Second Bell",
            "version": VERSION,
            "description": f"Messages between bridges of feeding pumps and the monitor. {_LIMITS}",
            "license": {"name": "Apache-2.0", "url": "https://www.apache.org/licenses/LICENSE-2.0"},
        },
        "defaultContentType": _CLOUDEVENT,
        "channels": {kind.name: _channel(kind, prefix) for kind in _KINDS},
        "operations": {f"{kind.action}{kind.model.__name__}": _operation(kind) for kind in _KINDS},
        "components": {
            "schemas": _definitions("#/components/schemas/{model}"),
            "messages": {kind.name: _message(kind) for kind in _KINDS},
        },
    }


def _definitions(ref_template: str) -> dict[str, Any]:
    """Give the schema of every model by its name, the messages with their examples."""
    mode: JsonSchemaMode = "validation"
    _, generated = models_json_schema(
        [(kind.model, mode) for kind in _KINDS], ref_template=ref_template, schema_generator=_Generator
    )
    definitions: dict[str, Any] = generated["$defs"]
    for kind in _KINDS:
        definitions[kind.model.__name__]["examples"] = [kind.example]
    return definitions


def _channel(kind: _Kind, prefix: str) -> dict[str, Any]:
    """Describe the topic of one kind of message."""
    names = [level[1:-1] for level in kind.address.split("/") if level.startswith("{")]
    return {
        "address": f"{prefix}/{kind.address}",
        "description": f"{kind.summary}. Every level of the topic is {topics.LEVEL}.",
        "messages": {kind.name: {"$ref": f"#/components/messages/{kind.name}"}},
        "parameters": {
            name: {"description": _PARAMETERS[name][0], "examples": [_PARAMETERS[name][1]]} for name in names
        },
    }


def _operation(kind: _Kind) -> dict[str, Any]:
    """Describe what the monitor does with one kind of message."""
    return {
        "action": kind.action,
        "channel": {"$ref": f"#/channels/{kind.name}"},
        "summary": f"{kind.summary}.",
        "messages": [{"$ref": f"#/channels/{kind.name}/messages/{kind.name}"}],
        "bindings": {"mqtt": {"qos": 1, "retain": kind.retain, "bindingVersion": "0.2.0"}},
    }


def _message(kind: _Kind) -> dict[str, Any]:
    """Describe one kind of message."""
    event = "specversion" in kind.model.model_fields
    return {
        "name": kind.name,
        "title": kind.summary,
        "summary": (kind.model.__doc__ or "").strip(),
        "contentType": _CLOUDEVENT if event else "application/json",
        "payload": {"$ref": f"#/components/schemas/{kind.model.__name__}"},
        "examples": [{"name": kind.name, "payload": kind.example}],
    }
