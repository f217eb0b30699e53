"""From the bytes of an MQTT message to what the core works with, or to a named rejection. Never raises.

A device-state message that keeps the contract goes the quick way, straight through its pydantic model.
Any other goes through `salvage`, field by field. Plans, answers and presence are rare and always read
field by field.
"""

import re
from functools import lru_cache

from monitor.core.envelope import (
    Unreadable,
    plausible,
    read_attributes,
    read_data,
    read_object,
    shown,
)
from monitor.core.fields import Fields
from monitor.core.messages import (
    ANSWER_TYPE,
    ANSWERS,
    CONCERN_FORM,
    ENERGY_MAX,
    FROM_FORM,
    PAYLOAD_MAX,
    PERSON_FORM,
    PLAN_TYPE,
    RATE_MAX,
    REASON_MAX,
    TO_FORM,
    VOLUME_MAX,
    WINDOWS_MAX,
    AlarmCondition,
    AnswerMessage,
    Cleared,
    Decoded,
    Message,
    Plan,
    PlanMessage,
    PresenceMessage,
    Reason,
    Rejection,
    Snapshot,
    Window,
)
from monitor.core.salvage import salvage_state
from monitor.core.shapes import json_checker
from monitor.core.topics import (
    DEFAULT_PREFIX,
    Topic,
    bridge_presence_topic,
    concerns_topic,
    filters,
    monitor_presence_topic,
    parse_topic,
    plan_topic,
    responsibility_topic,
    state_topic,
)
from monitor.core.wire import DeviceState

__all__ = [
    "DEFAULT_PREFIX",
    "bridge_presence_topic",
    "concerns_topic",
    "decode",
    "filters",
    "monitor_presence_topic",
    "plan_topic",
    "responsibility_topic",
    "state_topic",
]

_check_state = json_checker(DeviceState)
_where = lru_cache(maxsize=4_096)(parse_topic)  # the same topics over and over
_onset = lru_cache(maxsize=4096)(plausible)  # every snapshot repeats the onsets of the one before
_is_from = re.compile(FROM_FORM, re.ASCII).fullmatch
_is_to = re.compile(TO_FORM, re.ASCII).fullmatch
_is_person = re.compile(PERSON_FORM, re.ASCII).fullmatch
_is_concern = re.compile(CONCERN_FORM, re.ASCII).fullmatch
_CONTROL = re.compile(r"[\u0000-\u001f\u007f-\u009f\ud800-\udfff]")
_TOPIC_SHOWN = 300  # characters: room for any topic of the contract under a long prefix


def decode(topic: str, payload: bytes, *, retain: bool, prefix: str, site: str) -> Decoded:
    """Read one MQTT message; `retain` is its retain flag. Never raises, whatever the bytes are."""
    where = None
    try:
        where = _where(topic, prefix, site)
        if where is None:
            raise Unreadable(Reason.BAD_TOPIC, "not a topic of the contract")
        return _read(where, payload, retain, site)
    except Unreadable as unreadable:
        reason, detail = unreadable.reason, unreadable.detail
    except (
        Exception
    ) as fault:  # an exception in the receiving callback would bring the same message back for ever
        reason, detail = Reason.DECODER_FAULT, type(fault).__name__
    unit, device = (where.unit, where.device) if where else (None, None)
    return Rejection(reason, detail[:200], _CONTROL.sub("?", topic[:_TOPIC_SHOWN]), unit, device)


def _read(where: Topic, payload: bytes, retain: bool, site: str) -> Message:
    """Read a message by the kind of its topic."""
    if len(payload) > PAYLOAD_MAX:
        raise Unreadable(Reason.TOO_LARGE, f"{len(payload)} bytes, more than {PAYLOAD_MAX}")
    if not payload:
        return _read_empty(where, retain, site)
    if where.kind == "state":
        try:
            return _quick_state(payload, where, site)
        except ValueError:  # pydantic's ValidationError is one
            return salvage_state(payload, where, site)
    if where.kind == "plan":
        return _read_plan(payload, where, site)
    if where.kind == "presence":
        return _read_presence(payload, where, site)
    if retain:
        raise Unreadable(Reason.RETAINED_ANSWER, "an answer is given once and must not be retained")
    return _read_answer(payload, where, site)


def _read_empty(where: Topic, retain: bool, site: str) -> Message:
    """Read an empty payload, MQTT's way of clearing a retained message."""
    if where.kind == "plan":
        # A clear reaches live subscribers with the flag off (MQTT 3.1.1 §3.3.1.3), so it cannot be asked for.
        return PlanMessage(site, where.unit, where.device, "", "", 0, None, ())
    if retain:
        return Cleared(site, where.unit, where.device, where.kind)
    raise Unreadable(Reason.EMPTY, "no bytes (a retained message that is being cleared looks the same)")


def _quick_state(payload: bytes, where: Topic, site: str) -> Snapshot:
    """Read a device-state message that keeps the contract; ValueError at the first thing that does not."""
    event = _check_state(payload)
    data, source = event["data"], event["source"]
    alarms = [
        AlarmCondition(
            alarm["condition"],
            alarm.get("line") or "",
            alarm["priority"],
            alarm["inactivation"],
            _onset(alarm["since"]),
        )
        for alarm in data["alarms"]
    ]
    if event["subject"] != where.device:
        raise ValueError
    if len(alarms) > 1 and len({alarm[:2] for alarm in alarms}) < len(alarms):
        raise ValueError
    power = (data.get("power") or {}).get
    delivery = (data.get("delivery") or {}).get
    return Snapshot(
        site,
        where.unit,
        where.device,
        source,
        event["id"],
        source[11:],  # after urn:bridge:
        plausible(event["time"]),
        data["sequence"],
        data["activity"],
        tuple(alarms),
        power("mains"),
        power("battery_percent"),
        power("battery_low"),
        delivery("rate_ml_h"),
        delivery("delivered_ml"),
        delivery("target_ml"),
        (),
    )


def _read_plan(payload: bytes, where: Topic, site: str) -> PlanMessage:
    """Read a feeding plan; without readable windows it is none, for nobody could say when feed is due."""
    event = read_object(payload)
    source, identifier, _, at = read_attributes(event, PLAN_TYPE, where.device)
    data = read_data(event, Reason.BAD_PLAN)
    dropped: list[str] = []
    fields = Fields("", data, dropped)
    risk = fields.flag("glucose_risk")
    if risk is None and data.get("glucose_risk") is not None:
        risk = True  # said something unreadable about a danger: the louder side
    plan = Plan(
        _read_windows(data.get("windows"), dropped),
        fields.number("target_ml", VOLUME_MAX, above_zero=True),
        fields.number("rate_ml_h", RATE_MAX, above_zero=True),
        fields.number("highest_rate_ml_h", RATE_MAX, above_zero=True),
        fields.number("kcal_per_ml", ENERGY_MAX, above_zero=True),
        risk or False,
        fields.word("feed_kind"),
        fields.instant("container_hung"),
        fields.instant("set_hung"),
    )
    return PlanMessage(site, where.unit, where.device, source, identifier, at, plan, tuple(dropped))


def _read_windows(found: object, dropped: list[str]) -> tuple[Window, ...]:
    """Read the windows of a plan, all or none: one left out would hide that feed is due."""
    if not isinstance(found, list) or not 1 <= len(found) <= WINDOWS_MAX:
        raise Unreadable(Reason.BAD_PLAN, f"windows is not a list of 1 to {WINDOWS_MAX}")
    windows = []
    for index, entry in enumerate(found):
        start, end = (entry.get("from"), entry.get("to")) if isinstance(entry, dict) else (None, None)
        if not (isinstance(start, str) and isinstance(end, str) and _is_from(start) and _is_to(end)):
            raise Unreadable(Reason.BAD_PLAN, f"windows[{index}] is not from HH:MM to HH:MM")
        rate = Fields(f"windows[{index}].", entry, dropped).number("rate_ml_h", RATE_MAX, above_zero=True)
        windows.append(Window(_minute(start), _minute(end), rate))
    return tuple(windows)


def _minute(clock: str) -> int:
    """Turn HH:MM into minutes after midnight; 24:00 is the next day's 00:00."""
    return (int(clock[:2]) * 60 + int(clock[3:])) % (24 * 60)


def _read_answer(payload: bytes, where: Topic, site: str) -> AnswerMessage:
    """Read a person's answer; what it says must be wholly clear."""
    event = read_object(payload)
    source, identifier, _, at = read_attributes(event, ANSWER_TYPE, where.device)
    data = read_data(event, Reason.BAD_ANSWER)
    answer, person, concern, reason = (data.get(name) for name in ("answer", "person", "concern", "reason"))
    if not isinstance(answer, str) or answer not in ANSWERS:
        raise Unreadable(Reason.BAD_ANSWER, f"answer is {shown(answer)}")
    if not isinstance(person, str) or _is_person(person) is None:
        raise Unreadable(Reason.BAD_ANSWER, f"person is {shown(person)}")
    if concern is not None and (not isinstance(concern, str) or _is_concern(concern) is None):
        raise Unreadable(Reason.BAD_ANSWER, f"concern is {shown(concern)}")
    until = Fields("", data, []).instant("until")
    if until is None and (answer in ("hold", "away") or data.get("until") is not None):
        raise Unreadable(Reason.BAD_ANSWER, f"until is {shown(data.get('until'))}")
    return AnswerMessage(
        site,
        where.unit,
        where.device,
        source,
        identifier,
        at,
        concern or "",
        answer,
        person,
        until,
        _CONTROL.sub(" ", reason[:REASON_MAX]).strip() or None if isinstance(reason, str) else None,
    )


def _read_presence(payload: bytes, where: Topic, site: str) -> PresenceMessage:
    """Read a bridge's presence, which is plain JSON; an unusable `backlog` is none."""
    found = read_object(payload)
    online = found.get("online")
    if not isinstance(online, bool):
        raise Unreadable(Reason.BAD_PRESENCE, f"online is {shown(online)}, not true or false")
    return PresenceMessage(site, where.device, online, found.get("backlog") is True)
