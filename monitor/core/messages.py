"""The contract with bridges: its words and limits, and what decode() hands on.

The NamedTuples are what the rest of the core works with: light, immutable, made once a message. What a
bridge *should* send is said by the pydantic models in `wire`. Limits marked "plausibility" are from
memory: they tell nonsense from numbers, no more.
"""

from enum import StrEnum
from typing import Final, NamedTuple

from monitor.core.topics import LEVEL

PRIORITIES: Final = ("high", "medium", "low")  # IEC 60601-1-8
INACTIVATIONS: Final = ("enabled", "audio-paused", "audio-off", "alarm-paused", "alarm-off", "acknowledged")
SOUND_INACTIVATED: Final = frozenset(INACTIVATIONS[1:5])
LINES: Final = ("feed", "flush")
ACTIVITIES: Final = ("feeding", "flushing", "priming", "held", "stopped", "idle", "finished", "off")
UNKNOWN_ACTIVITY: Final = "unknown"
OCCLUSIONS: Final = frozenset({"occlusion", "upstream-occlusion", "downstream-occlusion"})
KNOWN_CONDITIONS: Final = OCCLUSIONS | {
    "container-empty",
    "set-misloaded",
    "drive-fault",
    "sensor-fault",
    "battery-low",
    "battery-depleted",
    "supply-fault",
    "device-fault",
    "delivery-complete",
    "delivery-incomplete",
    "inactivity",
}
UNREADABLE_ALARM: Final = (
    "unreadable-alarm"  # stands for an alarm whose condition cannot be read: it must not vanish
)
FEED_KINDS: Final = ("closed", "decanted", "powder", "infant")
ANSWERS: Final = ("accept", "decline", "hand-back", "take-over", "hold", "feed-ended", "away")

STATE_TYPE: Final = "secondbell.device-state.v1"
PLAN_TYPE: Final = "secondbell.plan.v1"
ANSWER_TYPE: Final = "secondbell.answer.v1"

PAYLOAD_MAX: Final = 65_536  # bytes; CloudEvents 1.0 "Size Limits": what every intermediary forwards
VOLUME_MAX: Final = 100_000  # mL; plausibility
RATE_MAX: Final = 10_000  # mL/h; plausibility
ENERGY_MAX: Final = 20  # kcal/mL; plausibility: fat itself has about 9
SEQUENCE_MAX: Final = 2**63 - 1  # what a store keeps as BIGINT
WINDOWS_MAX: Final = 48  # a day's half hours; plausibility
DROPPED_MAX: Final = 50  # names that one message may leave behind
REASON_MAX: Final = 200  # characters of an answer's reason that are kept

WORD: Final = "[a-z0-9-]{1,40}"
ID_FORM: Final = r"^[^\u0000-\u001f\u007f-\u009f]{1,200}$"
SOURCE_FORM: Final = f"^urn:bridge:{LEVEL}$"
PERSON_FORM: Final = r"^[A-Za-z0-9._@-]{1,64}$"
CONCERN_FORM: Final = f"^{LEVEL}$"
FROM_FORM: Final = r"^([01][0-9]|2[0-3]):[0-5][0-9]$"
TO_FORM: Final = r"^(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$"


class AlarmCondition(NamedTuple):
    """One active alarm condition; `line` is "" when the pump does not say which."""

    condition: str
    line: str
    priority: str
    inactivation: str
    since: int | None


class Snapshot(NamedTuple):
    """One full state of one device.

    `sequence` is 0 where the bridge's was unusable. `dropped` names what was put aside, with what was found:
    "power.battery_percent=300", "activity missing", "alarms[1] merged".
    """

    site: str
    unit: str
    device: str
    source: str
    id: str
    bridge: str
    time: int
    sequence: int
    activity: str
    alarms: tuple[AlarmCondition, ...]
    mains: bool | None
    battery_percent: float | None
    battery_low: bool | None
    rate_ml_h: float | None
    delivered_ml: float | None
    target_ml: float | None
    dropped: tuple[str, ...]


class Window(NamedTuple):
    """When feed is due, in minutes of the local day; an end at or before the start is the next day's."""

    start_min: int
    end_min: int
    rate_ml_h: float | None = None  # where it is another than the plan's


class Plan(NamedTuple):
    """A feeding plan; hang times are instants, None is "not said"."""

    windows: tuple[Window, ...]
    target_ml: float | None
    rate_ml_h: float | None
    max_rate_ml_h: float | None
    kcal_per_ml: float | None
    glucose_risk: bool
    feed_kind: str | None
    container_hung: int | None
    set_hung: int | None


class PlanMessage(NamedTuple):
    """A plan; None if withdrawn by an empty payload, which has no source, id or time ("" and 0)."""

    site: str
    unit: str
    device: str
    source: str
    id: str
    time: int
    plan: Plan | None
    dropped: tuple[str, ...]


class AnswerMessage(NamedTuple):
    """A person's answer from a button or another system; `concern` is "" if about the device as a whole."""

    site: str
    unit: str
    device: str
    source: str
    id: str
    time: int
    concern: str
    answer: str
    person: str
    until: int | None
    reason: str | None


class PresenceMessage(NamedTuple):
    """Whether a bridge is there, and whether it is sending what it had stored."""

    site: str
    bridge: str
    online: bool
    backlog: bool


class Cleared(NamedTuple):
    """A retained message was cleared: ignored by name. `kind` is the last level of its topic."""

    site: str
    unit: str
    device: str
    kind: str


class Reason(StrEnum):
    """Why a message goes to quarantine."""

    BAD_TOPIC = "bad-topic"
    TOO_LARGE = "too-large"
    EMPTY = "empty"
    NOT_UTF8 = "not-utf8"
    NOT_JSON = "not-json"
    NOT_AN_OBJECT = "not-an-object"
    WRONG_ENVELOPE = "wrong-envelope"
    NO_USABLE_TIME = "no-usable-time"
    SUBJECT_DIFFERS = "subject-differs"
    NO_DATA = "no-data"
    DUPLICATE_ALARM = "duplicate-alarm"
    BAD_PLAN = "bad-plan"
    BAD_ANSWER = "bad-answer"
    RETAINED_ANSWER = "retained-answer"
    BAD_PRESENCE = "bad-presence"
    DECODER_FAULT = "decoder-fault"
    ENGINE_FAULT = "engine-fault"
    RESERVED_NAME = "reserved-name"  # of drills, and not sent by us
    TOO_MANY = "too-many"  # more unlisted devices, or bridges, than anybody has


class Rejection(NamedTuple):
    """A message that cannot be read, and why; `unit` and `device` are None if the topic does not tell."""

    reason: Reason
    detail: str
    topic: str
    unit: str | None
    device: str | None


Message = Snapshot | PlanMessage | AnswerMessage | PresenceMessage | Cleared
Decoded = Message | Rejection
