"""The published documents: the JSON Schema, the AsyncAPI description and what the monitor publishes."""

import copy
import json
import re
import warnings
from collections.abc import Callable, Iterator
from typing import Any

import jsonschema  # type: ignore[import-untyped]
import pytest
from cloudevents.core.bindings.http import HTTPMessage, from_structured_event
from jsonschema import Draft7Validator, Draft202012Validator

from monitor.core.contract import asyncapi, json_schema
from monitor.core.decode import decode
from monitor.core.instants import parse
from monitor.core.messages import Rejection
from monitor.core.published import ListedConcern, concerns_payload, monitor_presence_payload

with warnings.catch_warnings():
    # Two fields of asyncapi3 0.0.2 have names that pydantic warns about.
    warnings.simplefilter("ignore", UserWarning)
    from asyncapi3.models.asyncapi import AsyncAPI3  # type: ignore[import-untyped]

# Design §3, its first line broken once more.
STATE = """
{"specversion": "1.0", "id": "b7-000183", "source": "urn:bridge:north-7",
 "type": "secondbell.device-state.v1",
 "subject": "pump-0042", "time": "2026-03-14T01:12:09.500Z", "datacontenttype": "application/json",
 "data": {
   "sequence": 183,
   "activity": "feeding",
   "alarms": [{"condition": "downstream-occlusion", "priority": "medium", "since": "2026-03-14T01:11:40Z",
               "inactivation": "audio-paused", "line": "feed"}],
   "power": {"mains": false, "battery_percent": 61, "battery_low": false},
   "delivery": {"rate_ml_h": 85, "delivered_ml": 412.5, "target_ml": 1000}}}
"""
PRESENCE = '{"online": true, "backlog": false}'


def schema_of(name: str) -> dict[str, Any]:
    """Give the published schema of one message."""
    return json_schema() | {"anyOf": [{"$ref": f"#/$defs/{name}"}]}


def nodes(value: Any) -> Iterator[dict[str, Any]]:
    """Walk through every object of a document."""
    if isinstance(value, dict):
        yield value
    for inner in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from nodes(inner)


def test_the_schema_is_a_schema() -> None:
    """It is valid JSON Schema 2020-12 itself, and can be written as JSON."""
    schema = json.loads(json.dumps(json_schema()))
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize(("name", "text"), [("DeviceState", STATE), ("BridgePresence", PRESENCE)])
def test_the_examples_of_the_design_are_valid(name: str, text: str) -> None:
    """What the design shows is what the schema allows."""
    jsonschema.validate(json.loads(text), schema_of(name), Draft202012Validator)


def test_the_examples_of_the_documents_are_valid_and_decoded() -> None:
    """Every example in the schema is valid; those that we receive are decoded, nothing put aside."""
    topics = {
        "DeviceState": "ward-3/pump-0042/state",
        "FeedingPlan": "ward-3/pump-0042/plan",
        "Answer": "ward-3/pump-0042/responsibility",
        "BridgePresence": "bridge/north-7/presence",
    }
    shown = {name: part["examples"] for name, part in json_schema()["$defs"].items() if "examples" in part}
    assert set(shown) == {*topics, "OpenConcerns", "MonitorPresence", "TrailHead"}
    for name, examples in shown.items():
        for example in examples:
            jsonschema.validate(example, schema_of(name), Draft202012Validator)
            if name in topics:
                decoded = decode(
                    f"secondbell/v1/riverside/{topics[name]}",
                    json.dumps(example).encode(),
                    retain=False,
                    prefix="secondbell/v1",
                    site="riverside",
                )
                assert not isinstance(decoded, Rejection)
                assert getattr(decoded, "dropped", ()) == ()


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("data", "activity"), "sleeping"),
        (("data", "power", "battery_percent"), 300),
        (("data", "delivery", "delivered_ml"), -1),
        (("data", "delivery", "target_ml"), 0),
        (("data", "alarms", 0, "condition"), "Occlusion!"),
        (("data", "alarms", 0, "priority"), "urgent"),
        (("data", "sequence"), "183"),
        (("source",), "north-7"),
        (("id",), "a\x00b"),
        (("type",), "secondbell.plan.v1"),
    ],
)
def test_the_schema_says_what_a_bridge_should_send(path: tuple[Any, ...], value: Any) -> None:
    """What decoding would put aside or reject the schema does not allow: a bridge can be tested with it."""
    message: Any = json.loads(STATE)
    parent = message
    for key in path[:-1]:
        parent = parent[key]
    parent[path[-1]] = value
    assert not Draft202012Validator(schema_of("DeviceState")).is_valid(message)


def test_every_field_is_described() -> None:
    """No definition and no field of any message lacks its description."""
    for name, definition in json_schema()["$defs"].items():
        assert definition["description"], name
        for field, schema in definition["properties"].items():
            assert schema.get("description"), f"{name}.{field}"


def test_the_asyncapi_document_is_valid() -> None:
    """asyncapi3, a public model of AsyncAPI 3.0.0, takes it, bindings and all."""
    AsyncAPI3.model_validate_json(json.dumps(asyncapi("secondbell/v1")))


BREAKS: list[Callable[[dict[str, Any]], Any]] = [
    lambda document: document["info"].pop("version"),
    lambda document: document["operations"]["receiveDeviceState"].update(action="publish"),
    lambda document: document["operations"]["sendOpenConcerns"].pop("channel"),
    lambda document: document["operations"]["receiveAnswer"]["bindings"]["mqtt"].update(qos=7),
    lambda document: document["channels"]["deviceState"].update(adress="x"),
    lambda document: document["channels"]["deviceState"]["messages"].update(other=5),
    lambda document: document["channels"]["deviceState"]["parameters"]["site"].update(schema={}),
]


@pytest.mark.parametrize("break_it", BREAKS)
def test_the_validator_would_find_faults(break_it: Callable[[dict[str, Any]], Any]) -> None:
    """The same validator refuses the document with one thing wrong, so that its yes means something."""
    document = copy.deepcopy(asyncapi("secondbell/v1"))
    break_it(document)
    with pytest.raises(ValueError, match="validation error"):
        AsyncAPI3.model_validate_json(json.dumps(document))


def test_every_reference_of_the_asyncapi_document_leads_somewhere() -> None:
    """References are followed here, as the validator does not; payload schemas are valid draft 7."""
    document = asyncapi("ward/v1")
    for node in nodes(document):
        if "$ref" in node:
            target: Any = document
            for key in node["$ref"].removeprefix("#/").split("/"):
                target = target[key]
            assert target
    for schema in document["components"]["schemas"].values():
        Draft7Validator.check_schema(schema)


def test_channels_are_the_topics_of_the_contract() -> None:
    """Six channels under the prefix, each level in braces a parameter; only answers are not retained."""
    document = asyncapi("ward/v1")
    assert {channel["address"] for channel in document["channels"].values()} == {
        "ward/v1/{site}/{unit}/{device}/state",
        "ward/v1/{site}/{unit}/{device}/plan",
        "ward/v1/{site}/{unit}/{device}/responsibility",
        "ward/v1/{site}/bridge/{bridge}/presence",
        "ward/v1/{site}/{unit}/{device}/concerns",
        "ward/v1/{site}/monitor/{name}/presence",
        "ward/v1/{site}/monitor/{name}/head",
    }
    for channel in document["channels"].values():
        assert set(re.findall(r"\{(\w+)\}", channel["address"])) == set(channel["parameters"])
    for name, operation in document["operations"].items():
        assert operation["bindings"]["mqtt"]["qos"] == 1
        assert operation["bindings"]["mqtt"]["retain"] is (name != "receiveAnswer")
    assert [name for name, operation in document["operations"].items() if operation["action"] == "send"] == [
        "sendOpenConcerns",
        "sendMonitorPresence",
        "sendTrailHead",
    ]


CONCERNS = concerns_payload(
    monitor="night",
    device="pump-0042",
    id="c-000012",
    at=parse("2026-03-14T01:17:04Z"),
    concerns=[
        ListedConcern("LATER", "unattended", "high", "open", parse("2026-03-14T01:16:00Z"), False),
        ListedConcern("FIRST", "muted-too-long", "medium", "accepted", parse("2026-03-14T01:15:40Z"), True),
    ],
)


@pytest.mark.parametrize("payload", [STATE.encode(), CONCERNS], ids=["state", "concerns"])
def test_the_cloudevents_library_reads_our_events(payload: bytes) -> None:
    """The public library takes them as structured CloudEvents 1.0 and reads the same attributes."""
    headers = {"content-type": "application/cloudevents+json; charset=utf-8"}
    read = from_structured_event(HTTPMessage(headers, payload))
    sent = json.loads(payload)
    assert read.get_specversion() == "1.0"
    assert read.get_id() == sent["id"]
    assert read.get_source() == sent["source"]
    assert read.get_type() == sent["type"]
    assert read.get_subject() == "pump-0042"
    time = read.get_time()
    assert time is not None
    assert parse(time.isoformat()) == parse(sent["time"])
    assert read.get_data() == sent["data"]


def test_open_concerns_are_published_oldest_first_and_name_nobody() -> None:
    """The retained list is valid by the schema and says that somebody has it, not who."""
    message = json.loads(CONCERNS)
    jsonschema.validate(message, schema_of("OpenConcerns"), Draft202012Validator)
    assert [concern["concern"] for concern in message["data"]] == ["FIRST", "LATER"]
    assert message["data"][0] == {
        "concern": "FIRST",
        "rule": "muted-too-long",
        "priority": "medium",
        "state": "accepted",
        "since": "2026-03-14T01:15:40.000Z",
        "accepted": True,
    }
    assert message["time"] == "2026-03-14T01:17:04.000Z"


def test_no_open_concern_is_an_empty_list() -> None:
    """A device without trouble has a retained message too, with an empty list in it."""
    payload = concerns_payload(monitor="night", device="pump-0042", id="c-1", at=0, concerns=())
    assert json.loads(payload)["data"] == []


@pytest.mark.parametrize(("last_step", "shown"), [(None, None), (1_500, "1970-01-01T00:00:01.500Z")])
def test_the_monitors_presence_is_published(last_step: int | None, shown: str | None) -> None:
    """It says whether the monitor is there, when that was said, and when it last worked."""
    message = json.loads(monitor_presence_payload(online=True, at=2_000, last_step=last_step))
    assert message == {
        "online": True,
        "at": "1970-01-01T00:00:02.000Z",
        "last_step": shown,
        "stopped": False,
        "late_ms": 0,
        "link_since": None,
        "unstored_since": None,
        "interval_ms": 15_000,
        "version": "",
    }
    jsonschema.validate(message, schema_of("MonitorPresence"), Draft202012Validator)
