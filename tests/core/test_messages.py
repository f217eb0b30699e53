"""The words of the contract and the topics: what vocabularies, models and topic helpers agree on."""

import json
from typing import get_args

import pytest
from pydantic import ValidationError

from monitor.core import messages, topics
from monitor.core.contract import json_schema
from monitor.core.shapes import json_checker
from monitor.core.wire import Alarm, Answer, AnswerData, DeviceState, FeedingPlan, StateData, Wire

PREFIX, SITE = "secondbell/v1", "riverside"


def test_sound_is_inactivated_by_the_middle_four() -> None:
    """Enabled and acknowledged are no silence; the four between them are."""
    assert messages.INACTIVATIONS[0] == "enabled"
    assert messages.INACTIVATIONS[-1] == "acknowledged"
    assert {"audio-paused", "audio-off", "alarm-paused", "alarm-off"} == messages.SOUND_INACTIVATED


@pytest.mark.parametrize(
    ("model", "field", "words"),
    [
        (Alarm, "priority", messages.PRIORITIES),
        (Alarm, "inactivation", messages.INACTIVATIONS),
        (StateData, "activity", messages.ACTIVITIES),
        (AnswerData, "answer", messages.ANSWERS),
        (DeviceState, "type", (messages.STATE_TYPE,)),
        (FeedingPlan, "type", (messages.PLAN_TYPE,)),
        (Answer, "type", (messages.ANSWER_TYPE,)),
    ],
)
def test_models_and_vocabularies_say_the_same(model: type[Wire], field: str, words: tuple[str, ...]) -> None:
    """A word in a vocabulary is a word of the model, in the same order."""
    assert get_args(model.model_fields[field].annotation) == words


def test_every_known_condition_has_the_form_of_one() -> None:
    """All known conditions, and our stand-in for an unreadable one, match the open vocabulary's pattern."""
    for condition in messages.KNOWN_CONDITIONS | {messages.UNREADABLE_ALARM}:
        Alarm(condition=condition, priority="low", since="2026-03-14T01:11:40Z", inactivation="enabled")
    assert messages.OCCLUSIONS <= messages.KNOWN_CONDITIONS


def test_models_are_strict_and_frozen() -> None:
    """A number in quotation marks is none, and what was read cannot be changed."""
    with pytest.raises(ValidationError):
        StateData.model_validate_json('{"sequence": "1", "activity": "idle", "alarms": []}')
    state = StateData.model_validate_json('{"sequence": 1, "activity": "idle", "alarms": [], "newer": 1}')
    with pytest.raises(ValidationError):
        state.sequence = 2  # type: ignore[misc] # which is the point


EXAMPLE = json.dumps(json_schema()["$defs"]["DeviceState"]["examples"][0])


def test_the_quick_check_reads_what_the_model_reads() -> None:
    """The dicts of the quick way hold what the model holds, of a full message and of a bare one."""
    check = json_checker(DeviceState)
    bare = EXAMPLE.replace(', "line": "feed"', "").replace('"power":', '"p":').replace('"delivery":', '"d":')
    for text in (EXAMPLE, bare):
        model = DeviceState.model_validate_json(text)
        assert check(text.encode()) == model.model_dump(exclude_unset=True)


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ('"sequence": 183', '"sequence": "183"'),
        ('"sequence": 183', '"sequence": -1'),
        ('"battery_percent": 61', '"battery_percent": 100.5'),
        ('"battery_percent": 61', '"battery_percent": NaN'),
        ('"mains": false', '"mains": 0'),
        ('"target_ml": 1000', '"target_ml": 0'),
        ('"priority": "medium"', '"priority": "urgent"'),
        ('"condition": "downstream-occlusion"', '"condition": "Occlusion"'),
        ('"source": "urn:bridge:north-7"', '"source": "north-7"'),
        ('"id": "b7-000183"', '"id": ""'),
        ('"subject": "pump-0042", ', ""),
    ],
)
def test_the_quick_check_refuses_what_the_model_refuses(right: str, wrong: str) -> None:
    """Every limit of the model is one of the quick way too."""
    text = EXAMPLE.replace(right, wrong)
    assert text != EXAMPLE
    with pytest.raises(ValidationError):
        DeviceState.model_validate_json(text)
    with pytest.raises(ValidationError):
        json_checker(DeviceState)(text.encode())


def test_there_are_exactly_four_filters() -> None:
    """The monitor subscribes to state, plan, responsibility and bridge presence, and to nothing else."""
    assert topics.filters(PREFIX, SITE) == (
        "secondbell/v1/riverside/+/+/state",
        "secondbell/v1/riverside/+/+/plan",
        "secondbell/v1/riverside/+/+/responsibility",
        "secondbell/v1/riverside/bridge/+/presence",
    )


def test_topics_are_built_and_taken_apart() -> None:
    """What the helpers build is what parse_topic takes apart; what we publish ourselves it does not know."""
    for build, kind in (
        (topics.state_topic, "state"),
        (topics.plan_topic, "plan"),
        (topics.responsibility_topic, "responsibility"),
    ):
        topic = build(PREFIX, SITE, "ward-3", "pump-0042")
        assert topic == f"secondbell/v1/riverside/ward-3/pump-0042/{kind}"
        assert topics.parse_topic(topic, PREFIX, SITE) == (kind, "ward-3", "pump-0042")
    presence = topics.bridge_presence_topic(PREFIX, SITE, "north-7")
    assert topics.parse_topic(presence, PREFIX, SITE) == ("presence", "bridge", "north-7")
    for ours in (
        topics.concerns_topic(PREFIX, SITE, "ward-3", "pump-0042"),
        topics.monitor_presence_topic(PREFIX, SITE, "night"),
    ):
        assert topics.parse_topic(ours, PREFIX, SITE) is None
