"""Decoding: every kind of message read whole, every kind of bad input rejected or put aside by name."""

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.decode import decode
from monitor.core.instants import parse
from monitor.core.messages import (
    PAYLOAD_MAX,
    AlarmCondition,
    AnswerMessage,
    Cleared,
    Decoded,
    Plan,
    PlanMessage,
    PresenceMessage,
    Reason,
    Rejection,
    Snapshot,
    Window,
)

BASE = "secondbell/v1/riverside"
STATE, PLAN = f"{BASE}/ward-3/pump-0042/state", f"{BASE}/ward-3/pump-0042/plan"
RESPONSIBILITY, PRESENCE = f"{BASE}/ward-3/pump-0042/responsibility", f"{BASE}/bridge/north-7/presence"
ALARM: dict[str, Any] = {
    "condition": "downstream-occlusion",
    "priority": "high",
    "since": "2026-03-14T01:11:40Z",
    "inactivation": "audio-paused",
    "line": "feed",
}
READ_ALARM = AlarmCondition(
    "downstream-occlusion", "feed", "high", "audio-paused", parse("2026-03-14T01:11:40Z")
)


def event(kind: str = "secondbell.device-state.v1", **data: Any) -> dict[str, Any]:
    """Make the attributes of a message about pump-0042, around this data."""
    return {
        "specversion": "1.0",
        "id": "b7-000183",
        "source": "urn:bridge:north-7",
        "type": kind,
        "subject": "pump-0042",
        "time": "2026-03-14T01:12:09.500Z",
        "datacontenttype": "application/json",
        "data": data,
    }


def state(**changes: Any) -> dict[str, Any]:
    """Make the state message of design §3, its data changed."""
    data: dict[str, Any] = {
        "sequence": 183,
        "activity": "feeding",
        "alarms": [ALARM],
        "power": {"mains": False, "battery_percent": 61, "battery_low": False},
        "delivery": {"rate_ml_h": 85, "delivered_ml": 412.5, "target_ml": 1000},
    }
    return event(**(data | changes))


def plan(**changes: Any) -> dict[str, Any]:
    """Make a plan message, its data changed."""
    return event("secondbell.plan.v1", **({"windows": [{"from": "20:00", "to": "06:00"}]} | changes))


def answer(**changes: Any) -> dict[str, Any]:
    """Make an answer message, its data changed."""
    data = {"answer": "accept", "concern": "K7QX2M4D", "person": "n-07"} | changes
    return event("secondbell.answer.v1", **data)


def read(topic: str, message: Any, retain: bool = False) -> Decoded:
    """Decode bytes, a text, or anything that can be written as JSON."""
    payload = (
        message
        if isinstance(message, bytes)
        else (message if isinstance(message, str) else json.dumps(message)).encode()
    )
    return decode(topic, payload, retain=retain, prefix="secondbell/v1", site="riverside")


def read_state(message: Any) -> Snapshot:
    """Decode a state message that must act."""
    decoded = read(STATE, message)
    assert isinstance(decoded, Snapshot), decoded
    return decoded


def assert_rejected(decoded: Decoded, reason: Reason) -> Rejection:
    """Hold a decoded message to be a rejection with this reason."""
    assert isinstance(decoded, Rejection), decoded
    assert decoded.reason is reason, decoded
    assert decoded.detail
    return decoded


WHOLE = Snapshot(
    site="riverside",
    unit="ward-3",
    device="pump-0042",
    source="urn:bridge:north-7",
    id="b7-000183",
    bridge="north-7",
    time=parse("2026-03-14T01:12:09.500Z"),
    sequence=183,
    activity="feeding",
    alarms=(READ_ALARM,),
    mains=False,
    battery_percent=61.0,
    battery_low=False,
    rate_ml_h=85.0,
    delivered_ml=412.5,
    target_ml=1000.0,
    dropped=(),
)


def test_a_state_message_is_read_whole() -> None:
    """The message of design §3 becomes the snapshot it describes, with nothing put aside."""
    assert read_state(state()) == WHOLE


def test_optional_parts_may_be_absent_or_null() -> None:
    """No power, delivery or line is as good as null ones, and nothing is put aside for it."""
    bare = {
        "condition": "inactivity",
        "priority": "low",
        "since": "2026-03-14T01:11:40Z",
        "inactivation": "enabled",
    }
    absent = event(sequence=1, activity="idle", alarms=[bare])
    null = event(sequence=1, activity="idle", alarms=[bare | {"line": None}], power=None, delivery=None)
    read_absent = read_state(absent)
    assert read_absent == read_state(null)
    assert read_absent.alarms[0].line == ""
    assert read_absent[10:] == (None, None, None, None, None, None, ())


def test_unknown_fields_are_ignored() -> None:
    """A bridge may be newer than we are."""
    newer = state(
        colour="blue", power={"mains": False, "battery_percent": 61, "battery_low": False, "volts": 7.2}
    )
    assert read_state(newer | {"traceparent": "00-1"}) == WHOLE


def forgiving(message: dict[str, Any]) -> str:
    """Write a message for the forgiving way only: half a surrogate pair in a field nobody knows."""
    return json.dumps(message)[:-1] + ', "x": "\\ud800"}'


@given(
    st.fixed_dictionaries(
        {
            "sequence": st.integers(0, 2**63 - 1),
            "activity": st.sampled_from(["feeding", "held", "off"]),
            "alarms": st.lists(
                st.fixed_dictionaries(
                    {
                        "condition": st.from_regex(r"[a-z0-9-]{1,40}", fullmatch=True),
                        "priority": st.sampled_from(["high", "medium", "low"]),
                        "since": st.just("2026-03-14T01:11:40+01:00"),
                        "inactivation": st.sampled_from(["enabled", "alarm-off"]),
                    },
                    optional={"line": st.sampled_from(["feed", "flush", None])},
                ),
                max_size=3,
                unique_by=lambda alarm: (alarm["condition"], alarm.get("line")),
            ),
        },
        optional={
            "power": st.fixed_dictionaries(
                {},
                optional={"mains": st.booleans(), "battery_percent": st.floats(0, 100) | st.integers(0, 100)},
            ),
            "delivery": st.none()
            | st.fixed_dictionaries(
                {}, optional={"delivered_ml": st.floats(0, 100_000), "target_ml": st.integers(1, 100_000)}
            ),
        },
    )
)
def test_the_quick_way_and_the_forgiving_way_read_alike(data: dict[str, Any]) -> None:
    """Any message that keeps the contract becomes the same snapshot on both ways, with nothing put aside."""
    snapshot = read_state(event(**data))
    assert snapshot == read_state(forgiving(event(**data)))
    assert snapshot.dropped == ()


@pytest.mark.parametrize(
    ("changes", "field", "dropped"),
    [
        ({"power": {"mains": False, "battery_percent": 300, "battery_low": True}}, "battery_percent", "=300"),
        ({"power": {"battery_percent": -1}}, "battery_percent", "=-1"),
        ({"power": {"battery_percent": float("nan")}}, "battery_percent", "=NaN"),
        ({"power": {"battery_percent": "61"}}, "battery_percent", '="61"'),
        ({"power": {"battery_percent": True}}, "battery_percent", "=true"),
        ({"power": {"mains": 1}}, "mains", "=1"),
        ({"power": {"battery_low": "no"}}, "battery_low", '="no"'),
        ({"delivery": {"delivered_ml": -0.5}}, "delivered_ml", "=-0.5"),
        ({"delivery": {"delivered_ml": float("inf")}}, "delivered_ml", "=Infinity"),
        ({"delivery": {"delivered_ml": 10**30}}, "delivered_ml", "=1e+30"),
        ({"delivery": {"rate_ml_h": 10_001}}, "rate_ml_h", "=10001"),
        ({"delivery": {"rate_ml_h": [85]}}, "rate_ml_h", "=[…]"),
        ({"delivery": {"target_ml": 0}}, "target_ml", "=0"),
    ],
)
def test_an_absurd_optional_field_is_put_aside_by_name(
    changes: dict[str, dict[str, Any]], field: str, dropped: str
) -> None:
    """The field is unknown and named with what stood there; all else, the high alarm too, acts."""
    snapshot = read_state(state(**changes))
    part = next(iter(changes))
    assert getattr(snapshot, field) is None
    assert snapshot.dropped == (f"{part}.{field}{dropped}",)
    assert snapshot.alarms == (READ_ALARM,)


@pytest.mark.parametrize("part", ["power", "delivery"])
def test_a_part_that_is_no_object_is_put_aside_whole(part: str) -> None:
    """All its fields are unknown, and the part is named once."""
    snapshot = read_state(state(**{part: "strong"}))
    assert snapshot.dropped == (f'{part}="strong"',)
    assert snapshot.alarms == (READ_ALARM,)


@pytest.mark.parametrize(
    ("change", "kept", "dropped"),
    [
        ({"priority": "urgent"}, {"priority": "medium"}, 'alarms[0].priority="urgent"'),
        ({"priority": None}, {"priority": "medium"}, "alarms[0].priority=null"),
        ({"inactivation": "gone"}, {"inactivation": "enabled"}, 'alarms[0].inactivation="gone"'),
        ({"since": "just now"}, {"since": None}, 'alarms[0].since="just now"'),
        ({"since": "1970-01-01T00:00:00Z"}, {"since": None}, 'alarms[0].since="1970-01-01T00:00:00Z"'),
        ({"since": 1773450700}, {"since": None}, "alarms[0].since=1773450700"),
        ({"condition": "Occlusion!"}, {"condition": "unreadable-alarm"}, 'alarms[0].condition="Occlusion!"'),
        ({"condition": "x" * 41}, {"condition": "unreadable-alarm"}, f'alarms[0].condition="{"x" * 40}..."'),
        ({"line": "third"}, {"line": ""}, 'alarms[0].line="third"'),
        ({"line": 1}, {"line": ""}, "alarms[0].line=1"),
    ],
)
def test_an_alarm_is_kept_whatever_is_wrong_with_it(
    change: dict[str, Any], kept: dict[str, Any], dropped: str
) -> None:
    """The unusable field takes its louder stand-in, is named, and the rest of the alarm stays."""
    snapshot = read_state(state(alarms=[ALARM | change]))
    assert snapshot.alarms == (READ_ALARM._replace(**kept),)
    assert snapshot.dropped == (dropped,)


@pytest.mark.parametrize("missing", ["condition", "priority", "since", "inactivation"])
def test_a_missing_field_of_an_alarm_is_named(missing: str) -> None:
    """An alarm that lacks a field is kept too, and the lack is named."""
    snapshot = read_state(state(alarms=[{key: value for key, value in ALARM.items() if key != missing}]))
    assert len(snapshot.alarms) == 1
    assert snapshot.dropped == (f"alarms[0].{missing} missing",)


@pytest.mark.parametrize("entry", ["occlusion", 7, None, ["occlusion"], True])
def test_an_alarm_that_is_no_object_is_kept_as_unreadable(entry: Any) -> None:
    """Something was wrong on the device, so something stays; the readable alarm beside it too."""
    snapshot = read_state(state(alarms=[entry, ALARM]))
    assert snapshot.alarms == (AlarmCondition("unreadable-alarm", "", "medium", "enabled", None), READ_ALARM)
    assert len(snapshot.dropped) == 1


def test_alarms_that_are_no_list_are_not_lost() -> None:
    """A single alarm without its list is read; a text in its place stands for an unreadable one."""
    single = read_state(state(alarms=ALARM))
    assert (single.alarms, single.dropped) == ((READ_ALARM,), ("alarms={…}",))
    assert [alarm.condition for alarm in read_state(state(alarms="many")).alarms] == ["unreadable-alarm"]


@pytest.mark.parametrize("data", [{"sequence": 1, "activity": "idle"}, {"sequence": 1, "alarms": None}])
def test_missing_alarms_are_no_all_clear(data: dict[str, Any]) -> None:
    """Only an empty list says that no alarm condition is active."""
    assert "alarms is missing" in assert_rejected(read(STATE, event(**data)), Reason.NO_DATA).detail
    assert read_state(event(sequence=1, activity="idle", alarms=[])).alarms == ()


def test_one_condition_and_line_twice_is_rejected() -> None:
    """Which of the two would count, nobody could say; the same condition on two lines is no such thing."""
    twice = state(alarms=[ALARM, ALARM | {"priority": "low"}])
    assert_rejected(read(STATE, twice), Reason.DUPLICATE_ALARM)
    assert_rejected(read(STATE, forgiving(twice)), Reason.DUPLICATE_ALARM)
    assert len(read_state(state(alarms=[ALARM, ALARM | {"line": "flush"}])).alarms) == 2


def test_alarms_made_alike_by_our_own_repairs_are_merged() -> None:
    """Of several that only lost what told them apart, the loudest stays."""
    quiet, loud = ALARM | {"line": 1, "priority": "low"}, ALARM | {"line": 2}
    snapshot = read_state(state(alarms=[quiet, loud, 5, 6]))
    assert snapshot.alarms == (
        READ_ALARM._replace(line=""),
        AlarmCondition("unreadable-alarm", "", "medium", "enabled", None),
    )
    assert "alarms[1] merged" in snapshot.dropped
    assert "alarms[3] merged" in snapshot.dropped


@pytest.mark.parametrize(
    ("activity", "dropped"),
    [("sleeping", ('activity="sleeping"',)), (3, ("activity=3",)), (None, ("activity=null",))],
)
def test_an_unknown_activity_is_unknown(activity: Any, dropped: tuple[str, ...]) -> None:
    """Any other activity is taken as unknown, and named."""
    snapshot = read_state(state(activity=activity))
    assert (snapshot.activity, snapshot.dropped) == ("unknown", dropped)


@pytest.mark.parametrize("sequence", [-1, 1.5, "4", True, None, 2**63, 10**400, float("nan"), float("inf")])
def test_an_unusable_sequence_is_zero(sequence: Any) -> None:
    """The counter is put aside by name, and the snapshot acts."""
    snapshot = read_state(state(sequence=sequence))
    assert (snapshot.sequence, len(snapshot.dropped)) == (0, 1)
    assert read_state(state(sequence=7.0)).sequence == 7


def test_numbers_of_absurd_length_do_not_hide_an_alarm() -> None:
    """5,000 digits, which Python refuses to read, and a huge exponent are put aside like any other."""
    for number in ("9" * 5000, "1e999999", "-" + "9" * 5000):
        text = json.dumps(state()).replace("412.5", number)
        snapshot = read_state(text)
        assert snapshot.delivered_ml is None
        assert snapshot.alarms == (READ_ALARM,)


def test_a_message_cannot_leave_endless_names_behind() -> None:
    """The list of what was put aside is bounded, and says that there was more."""
    snapshot = read_state(state(alarms=list(range(5000))))
    assert len(snapshot.dropped) == 51
    assert snapshot.dropped[-1] == "more"


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"not json", Reason.NOT_JSON),
        (b'{"specversion": "1.0"', Reason.NOT_JSON),
        (b"\x00\x01\x02", Reason.NOT_JSON),
        (b"[" * 60_000, Reason.NOT_JSON),
        (b'{"a":' * 10_000, Reason.NOT_JSON),
        (b'{"id": "\xff"}', Reason.NOT_UTF8),
        ('{"id": "ä"}'.encode("utf-16"), Reason.NOT_UTF8),
        (b"[1]", Reason.NOT_AN_OBJECT),
        (b"null", Reason.NOT_AN_OBJECT),
        (b"7", Reason.NOT_AN_OBJECT),
        (b"{}", Reason.WRONG_ENVELOPE),
        (b"x" * (PAYLOAD_MAX + 1), Reason.TOO_LARGE),
        (b"x" * 2**20, Reason.TOO_LARGE),
        (b"", Reason.EMPTY),
    ],
)
@pytest.mark.parametrize("topic", [STATE, PLAN, RESPONSIBILITY, PRESENCE])
def test_bytes_that_are_no_message_are_rejected_by_name(topic: str, payload: bytes, reason: Reason) -> None:
    """The same on every topic, with the device that the topic names; an empty plan is a plan withdrawn."""
    decoded = read(topic, payload)
    if topic == PLAN and not payload:
        assert decoded == PlanMessage("riverside", "ward-3", "pump-0042", "", "", 0, None, ())
        return
    expected = Reason.BAD_PRESENCE if topic == PRESENCE and payload == b"{}" else reason
    rejection = assert_rejected(decoded, expected)
    assert rejection.topic == topic
    assert rejection.device == ("north-7" if topic == PRESENCE else "pump-0042")


def test_a_message_of_exactly_the_limit_acts() -> None:
    """64 KiB are allowed, one byte more is not."""
    text = json.dumps(state())
    padded = text[:-1] + " " * (PAYLOAD_MAX - len(text)) + "}"
    assert read_state(padded) == WHOLE
    assert_rejected(read(STATE, padded + " "), Reason.TOO_LARGE)


def test_a_byte_order_mark_is_let_through() -> None:
    """RFC 8259 §8.1 lets a parser ignore it."""
    assert read_state(b"\xef\xbb\xbf" + json.dumps(state()).encode()) == WHOLE


def test_double_names_count_once() -> None:
    """RFC 8259 §4 leaves it open; the last one counts, on both ways."""
    text = json.dumps(state()).replace('"sequence": 183', '"sequence": 1, "sequence": 183')
    assert read_state(text) == WHOLE


@pytest.mark.parametrize(
    ("name", "value", "reason"),
    [
        ("specversion", "0.3", Reason.WRONG_ENVELOPE),
        ("specversion", 1.0, Reason.WRONG_ENVELOPE),
        ("type", "secondbell.plan.v1", Reason.WRONG_ENVELOPE),
        ("source", "urn:bridge:", Reason.WRONG_ENVELOPE),
        ("source", "urn:bridge:" + "n" * 65, Reason.WRONG_ENVELOPE),
        ("source", "urn:bridge:north-7\n", Reason.WRONG_ENVELOPE),
        ("source", ["urn:bridge:north-7"], Reason.WRONG_ENVELOPE),
        ("id", "", Reason.WRONG_ENVELOPE),
        ("id", "x" * 201, Reason.WRONG_ENVELOPE),
        ("id", "a\x00b", Reason.WRONG_ENVELOPE),
        ("id", "\ud800", Reason.WRONG_ENVELOPE),
        ("id", 5, Reason.WRONG_ENVELOPE),
        ("subject", "pump-0043", Reason.SUBJECT_DIFFERS),
        ("subject", None, Reason.SUBJECT_DIFFERS),
        ("time", "2026-03-14T01:12:09", Reason.NO_USABLE_TIME),
        ("time", "1999-12-31T23:59:59Z", Reason.NO_USABLE_TIME),
        ("time", "2101-01-01T00:00:00Z", Reason.NO_USABLE_TIME),
        ("time", "yesterday", Reason.NO_USABLE_TIME),
        ("time", 1773450729, Reason.NO_USABLE_TIME),
        ("data", None, Reason.NO_DATA),
        ("data", [], Reason.NO_DATA),
        ("data", "e30=", Reason.NO_DATA),
    ],
)
def test_a_wrong_attribute_is_rejected_by_name(name: str, value: Any, reason: Reason) -> None:
    """What the envelope gets wrong is named, whether it is there or missing."""
    message = state()
    assert_rejected(read(STATE, message | {name: value}), reason)
    del message[name]
    assert_rejected(read(STATE, message), reason)


def test_a_message_may_be_years_ahead() -> None:
    """Whether a time is far from now is for the engine to judge, which knows the time."""
    assert read_state(state() | {"time": "2099-03-14T01:12:09Z"}).time == parse("2099-03-14T01:12:09Z")


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "/",
        "secondbell/v1/elsewhere/ward-3/pump-0042/state",
        "other/v1/riverside/ward-3/pump-0042/state",
        f"{BASE}/ward-3/pump-0042",
        f"{BASE}/ward-3/pump-0042/state/",
        f"{BASE}/ward-3/pump-0042/concerns",
        f"{BASE}/ward 3/pump-0042/state",
        f"{BASE}/ward-3//state",
        f"{BASE}/ward-3/{'p' * 65}/state",
        f"{BASE}/ward-3/pump-\u00b2/state",
        f"{BASE}/ward-3/pump-0042\n/state",
        f"{BASE}/bridge/north-7/state",
        f"{BASE}/monitor/night/plan",
        f"{BASE}/monitor/night/presence",
        f"{BASE}/ward-3/pump-0042/presence",
        "\ud800" * 70_000,
    ],
)
def test_a_topic_outside_the_contract_is_rejected(topic: str) -> None:
    """Reserved units, foreign sites and malformed levels; the topic is quoted shortened and printable."""
    rejection = assert_rejected(read(topic, state()), Reason.BAD_TOPIC)
    assert (rejection.unit, rejection.device) == (None, None)
    assert len(rejection.topic.encode()) <= 300


def test_a_cleared_state_is_ignored_by_name() -> None:
    """An empty retained payload clears; it is no state and no error."""
    assert read(STATE, b"", retain=True) == Cleared("riverside", "ward-3", "pump-0042", "state")
    assert read(PRESENCE, b"", retain=True) == Cleared("riverside", "bridge", "north-7", "presence")


def test_a_plan_is_read_whole() -> None:
    """All fields of a plan, windows over midnight and to midnight among them."""
    message = plan(
        windows=[{"from": "20:00", "to": "06:00"}, {"from": "12:30", "to": "24:00"}],
        target_ml=1000,
        rate_ml_h=100,
        highest_rate_ml_h=120.5,
        kcal_per_ml=1.5,
        glucose_risk=True,
        feed_kind="closed",
        container_hung="2026-03-13T19:25:00Z",
        set_hung="2026-03-13T20:20:00+01:00",
    )
    expected = Plan(
        (Window(1200, 360), Window(750, 0)),
        1000.0,
        100.0,
        120.5,
        1.5,
        True,
        "closed",
        parse("2026-03-13T19:25:00Z"),
        parse("2026-03-13T19:20:00Z"),
    )
    time = parse("2026-03-14T01:12:09.500Z")
    assert read(PLAN, message, retain=True) == PlanMessage(
        "riverside", "ward-3", "pump-0042", "urn:bridge:north-7", "b7-000183", time, expected, ()
    )


def test_absurd_fields_of_a_plan_are_put_aside() -> None:
    """They are unknown and named; something unreadable about a danger counts as the danger."""
    message = plan(target_ml=-5, rate_ml_h=0, glucose_risk="yes", feed_kind="Powder!", set_hung="soon")
    decoded = read(PLAN, message)
    assert isinstance(decoded, PlanMessage)
    assert decoded.plan == Plan((Window(1200, 360),), None, None, None, None, True, None, None, None)
    assert decoded.dropped == (
        'glucose_risk="yes"',
        "target_ml=-5",
        "rate_ml_h=0",
        'feed_kind="Powder!"',
        'set_hung="soon"',
    )


@pytest.mark.parametrize(
    "windows",
    [
        None,
        [],
        "20:00-06:00",
        [{"from": "20:00"}],
        [{"from": "24:00", "to": "06:00"}],
        [{"from": "20:00", "to": "6:00"}],
        [{"from": 20, "to": 6}],
        [{"from": "20:00", "to": "06:00"}, "noon"],
        [{"from": "20:00", "to": "06:00"}] * 49,
    ],
)
def test_a_plan_without_readable_windows_is_rejected(windows: Any) -> None:
    """One window left out would hide that feed is due, so all must be readable."""
    assert_rejected(read(PLAN, plan(windows=windows)), Reason.BAD_PLAN)


def test_a_plan_without_data_is_rejected() -> None:
    """A plan must have an object in it."""
    assert_rejected(read(PLAN, plan() | {"data": 1}), Reason.BAD_PLAN)


def test_an_answer_is_read_whole() -> None:
    """A hold with its time and reason; the reason is cut, and rid of control characters."""
    message = answer(answer="hold", until="2026-03-14T02:00:00Z", reason="bath\n" + "x" * 300)
    decoded = read(RESPONSIBILITY, message)
    assert decoded == AnswerMessage(
        "riverside",
        "ward-3",
        "pump-0042",
        "urn:bridge:north-7",
        "b7-000183",
        parse("2026-03-14T01:12:09.500Z"),
        "K7QX2M4D",
        "hold",
        "n-07",
        parse("2026-03-14T02:00:00Z"),
        "bath " + "x" * 195,
    )


def test_an_answer_may_be_about_the_device_as_a_whole() -> None:
    """Without a concern it is about the device; until and reason are unknown."""
    decoded = read(RESPONSIBILITY, answer(concern=None, reason=5))
    assert isinstance(decoded, AnswerMessage)
    assert (decoded.concern, decoded.until, decoded.reason) == ("", None, None)


@pytest.mark.parametrize(
    "changes",
    [
        {"answer": "maybe"},
        {"answer": None},
        {"answer": ["accept"]},
        {"person": ""},
        {"person": "A. Nurse"},
        {"person": None},
        {"concern": "no such/form"},
        {"concern": 5},
        {"answer": "hold"},
        {"answer": "away", "until": "later"},
        {"until": "later"},
    ],
)
def test_an_unclear_answer_is_rejected(changes: dict[str, Any]) -> None:
    """What a person said must be wholly clear before anything is done about it."""
    assert_rejected(read(RESPONSIBILITY, answer(**changes)), Reason.BAD_ANSWER)


def test_a_retained_answer_is_rejected() -> None:
    """It would be given again at every reconnect."""
    assert_rejected(read(RESPONSIBILITY, answer(), retain=True), Reason.RETAINED_ANSWER)


@pytest.mark.parametrize(
    ("payload", "online", "backlog"),
    [
        ({"online": True, "backlog": True}, True, True),
        ({"online": False}, False, False),
        ({"online": True, "backlog": "some"}, True, False),
    ],
)
def test_presence_is_read(payload: dict[str, Any], online: bool, backlog: bool) -> None:
    """Presence is plain JSON; an unusable backlog is none, for online is what matters."""
    assert read(PRESENCE, payload, retain=True) == PresenceMessage("riverside", "north-7", online, backlog)


@pytest.mark.parametrize("payload", [{"online": "yes"}, {"backlog": True}, {"online": 1}])
def test_unclear_presence_is_rejected(payload: dict[str, Any]) -> None:
    """Whether the bridge is there must be said with true or false."""
    assert_rejected(read(PRESENCE, payload), Reason.BAD_PRESENCE)


def test_a_fault_of_our_own_is_named_too() -> None:
    """Even what no caller should hand over ends in a rejection, never in an exception."""
    nothing: Any = None
    decoded = decode(STATE, nothing, retain=False, prefix="secondbell/v1", site="riverside")
    assert_rejected(decoded, Reason.DECODER_FAULT)


KINDS = (Snapshot, PlanMessage, AnswerMessage, PresenceMessage, Cleared, Rejection)
TOPICS = st.sampled_from([STATE, PLAN, RESPONSIBILITY, PRESENCE]) | st.text(max_size=80)


def assert_sound(decoded: Decoded) -> None:
    """Hold a decoded message to be one of the kinds, without a fault of ours, and fit to be stored."""
    assert isinstance(decoded, KINDS)
    assert not (isinstance(decoded, Rejection) and decoded.reason is Reason.DECODER_FAULT), decoded
    json.dumps(decoded, ensure_ascii=False, allow_nan=False).encode()


@given(TOPICS, st.binary(max_size=300), st.booleans())
def test_no_bytes_make_it_raise(topic: str, payload: bytes, retain: bool) -> None:
    """Any topic and any bytes end in one of the kinds."""
    assert_sound(decode(topic, payload, retain=retain, prefix="secondbell/v1", site="riverside"))


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(st.characters(), max_size=20)
    | st.sampled_from(["\ud800", "\x00", "high", "feeding", "2026-03-14T01:12:09Z", 10**400]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
MESSAGES = st.sampled_from(
    [
        (STATE, state()),
        (STATE, state(alarms=[ALARM, ALARM | {"line": "flush"}])),
        (PLAN, plan(target_ml=1000, glucose_risk=True, set_hung="2026-03-13T19:25:00Z")),
        (RESPONSIBILITY, answer(answer="hold", until="2026-03-14T02:00:00Z", reason="bath")),
        (PRESENCE, {"online": True, "backlog": False}),
    ]
)


def spots(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """List the paths to everything within a JSON value."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(spot for key, part in inner for spot in spots(part, (*path, key)))]


@settings(max_examples=400)
@given(MESSAGES, st.data())
def test_no_mutated_message_makes_it_raise(chosen: tuple[str, Any], data: st.DataObject) -> None:
    """Valid messages with up to three parts replaced or removed end in one of the kinds."""
    topic, message = chosen
    holder = {"": json.loads(json.dumps(message))}
    for _ in range(data.draw(st.integers(1, 3))):
        path = data.draw(st.sampled_from(spots(holder)[1:] or [("",)]))
        parent: Any = holder
        for key in path[:-1]:
            parent = parent[key]
        if len(path) > 1 and data.draw(st.booleans()):
            del parent[path[-1]]
        else:
            parent[path[-1]] = data.draw(JSON)
    assert_sound(read(topic, json.dumps(holder[""]), retain=data.draw(st.booleans())))


BESIDE = st.sampled_from(["condition", "since", "inactivation", "line", "extra"])


@given(st.dictionaries(BESIDE, JSON), JSON, JSON)
def test_a_high_alarm_never_vanishes(change: dict[str, Any], power: Any, activity: Any) -> None:
    """Whatever else of a snapshot is nonsense, an alarm that says high stays one of priority high."""
    snapshot = read_state(state(alarms=[ALARM | change], power=power, activity=activity))
    assert [alarm.priority for alarm in snapshot.alarms] == ["high"]
