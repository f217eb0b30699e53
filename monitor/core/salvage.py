"""A device-state message that is not quite right: what is usable acts, the rest is put aside by name.

A high alarm condition must not vanish because something beside it is absurd. So an alarm is kept whatever
is wrong with it, and on the louder side: its sound counts as enabled, its onset as unknown.
"""

from typing import NamedTuple

from monitor.core.envelope import Unreadable, read_attributes, read_data, read_object, shown
from monitor.core.fields import Fields, note
from monitor.core.messages import (
    ACTIVITIES,
    INACTIVATIONS,
    LINES,
    PRIORITIES,
    RATE_MAX,
    STATE_TYPE,
    UNKNOWN_ACTIVITY,
    UNREADABLE_ALARM,
    VOLUME_MAX,
    AlarmCondition,
    Reason,
    Snapshot,
)
from monitor.core.topics import Topic


class _Read(NamedTuple):
    """An alarm as read, and whether its condition and line are the sender's own."""

    alarm: AlarmCondition
    as_sent: bool


def salvage_state(payload: bytes, where: Topic, site: str) -> Snapshot:
    """Read what can be read of a device-state message; Unreadable if it cannot act at all."""
    event = read_object(payload)
    source, identifier, bridge, at = read_attributes(event, STATE_TYPE, where.device)
    data = read_data(event, Reason.NO_DATA)
    dropped: list[str] = []
    fields = Fields("", data, dropped)
    sequence = fields.sequence()
    activity = fields.one_of("activity", ACTIVITIES, needed=True) or UNKNOWN_ACTIVITY
    alarms = _read_alarms(data.get("alarms"), dropped)
    power, delivery = fields.part("power"), fields.part("delivery")
    return Snapshot(
        site,
        where.unit,
        where.device,
        source,
        identifier,
        bridge,
        at,
        sequence,
        activity,
        alarms,
        power.flag("mains"),
        power.number("battery_percent", 100),
        power.flag("battery_low"),
        delivery.number("rate_ml_h", RATE_MAX),
        delivery.number("delivered_ml", VOLUME_MAX),
        delivery.number("target_ml", VOLUME_MAX, above_zero=True),
        tuple(dropped),
    )


def _read_alarms(found: object, dropped: list[str]) -> tuple[AlarmCondition, ...]:
    """Read the list of alarm conditions, merging those that only our own repairs have made alike."""
    if found is None:
        # Only an empty list says that no alarm condition is active: a missing one must not be an all-clear.
        raise Unreadable(Reason.NO_DATA, "alarms is missing; an empty list says that none is active")
    if not isinstance(found, list):
        note(dropped, f"alarms={shown(found)}")
        found = [found]
    kept: dict[tuple[str, str], _Read] = {}
    for index, entry in enumerate(found):
        read = _read_alarm(entry, f"alarms[{index}]", dropped)
        key = (read.alarm.condition, read.alarm.line)
        other = kept.get(key)
        if other is None:
            kept[key] = read
        elif other.as_sent and read.as_sent:
            raise Unreadable(Reason.DUPLICATE_ALARM, f"{shown(key[0])} on line {shown(key[1])} comes twice")
        else:
            note(dropped, f"alarms[{index}] merged")
            kept[key] = _Read(_louder(other.alarm, read.alarm), other.as_sent or read.as_sent)
    return tuple(read.alarm for read in kept.values())


def _read_alarm(entry: object, path: str, dropped: list[str]) -> _Read:
    """Read one alarm condition; it is kept whatever it is."""
    if not isinstance(entry, dict):
        note(dropped, f"{path}={shown(entry)}")
        return _Read(AlarmCondition(UNREADABLE_ALARM, "", "medium", "enabled", None), False)
    fields = Fields(f"{path}.", entry, dropped)
    condition = fields.word("condition", needed=True)
    priority = fields.one_of("priority", PRIORITIES, needed=True)
    since = fields.instant("since", needed=True)
    inactivation = fields.one_of("inactivation", INACTIVATIONS, needed=True)
    line = fields.one_of("line", LINES)
    alarm = AlarmCondition(
        condition or UNREADABLE_ALARM, line or "", priority or "medium", inactivation or "enabled", since
    )
    line_as_sent = line is not None or entry.get("line") is None
    return _Read(alarm, alarm.condition != UNREADABLE_ALARM and line_as_sent)


def _louder(one: AlarmCondition, other: AlarmCondition) -> AlarmCondition:
    """Choose the one of higher priority; of two alike, the one less silenced."""

    def rank(alarm: AlarmCondition) -> tuple[int, int]:
        return PRIORITIES.index(alarm.priority), INACTIVATIONS.index(alarm.inactivation)

    return min(one, other, key=rank)
