"""What a bridge should send, as models: the published schema and AsyncAPI document are made from these.

Every field has a description and says what is right; what is still made of a message that is not right
stands in `salvage`. A field added here is added to `decode` (quick), to `salvage` and to the NamedTuple
in `messages`.
"""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from monitor.core.messages import (
    CONCERN_FORM,
    ENERGY_MAX,
    FEED_KINDS,
    FROM_FORM,
    ID_FORM,
    KNOWN_CONDITIONS,
    PERSON_FORM,
    RATE_MAX,
    REASON_MAX,
    SEQUENCE_MAX,
    SOURCE_FORM,
    TO_FORM,
    VOLUME_MAX,
    WINDOWS_MAX,
    WORD,
)
from monitor.core.topics import LEVEL

Instant = Annotated[str, Field(json_schema_extra={"format": "date-time"})]
Volume = Annotated[float, Field(ge=0, le=VOLUME_MAX)]
Rate = Annotated[float, Field(ge=0, le=RATE_MAX)]
Wanted = Annotated[float, Field(gt=0, le=VOLUME_MAX)]
WantedRate = Annotated[float, Field(gt=0, le=RATE_MAX)]


class Wire(BaseModel):
    """What all models share: strict, frozen, unknown fields ignored (a bridge may be newer than we are)."""

    model_config = ConfigDict(strict=True, frozen=True, extra="ignore")


class Alarm(Wire):
    """One alarm condition that is active on the device."""

    condition: str = Field(
        pattern=f"^{WORD}$",
        description="What is wrong, from an open vocabulary. Known: "
        + ", ".join(sorted(KNOWN_CONDITIONS))
        + ".",
        examples=["downstream-occlusion"],
    )
    priority: Literal["high", "medium", "low"] = Field(
        description="The alarm's priority as IEC 60601-1-8 has it."
    )
    since: Instant = Field(
        description="When this onset began, RFC 3339 with a zone. The same condition with a later `since` "
        "is a new onset.",
        examples=["2026-03-14T01:11:40Z"],
    )
    inactivation: Literal[
        "enabled", "audio-paused", "audio-off", "alarm-paused", "alarm-off", "acknowledged"
    ] = Field(description="Whether somebody has silenced the alarm, as IEC 60601-1-8 and IHE ACM have it.")
    line: Literal["feed", "flush"] | None = Field(
        default=None, description="Which line, on pumps with a second bag; absent if the pump does not say."
    )


class Power(Wire):
    """Where the device's power comes from."""

    mains: bool | None = Field(default=None, description="True on mains, false on battery.")
    battery_percent: Annotated[float, Field(ge=0, le=100)] | None = Field(
        default=None, description="Charge of the battery in percent.", examples=[61]
    )
    battery_low: bool | None = Field(
        default=None, description="True while the device itself says that its battery is low."
    )


class Delivery(Wire):
    """What the device delivers."""

    rate_ml_h: Rate | None = Field(default=None, description="The set rate in mL/h.", examples=[85])
    delivered_ml: Volume | None = Field(
        default=None,
        description="Volume delivered since the counter was last cleared, in mL.",
        examples=[412.5],
    )
    target_ml: Wanted | None = Field(
        default=None,
        description="Volume at which the device finishes, in mL; absent, not 0, if none is set.",
        examples=[1000],
    )


class StateData(Wire):
    """One full state of one device: everything, not what has changed."""

    sequence: int = Field(
        ge=0,
        le=SEQUENCE_MAX,
        description="Counts a device's messages; a gap shows a lost one.",
        examples=[183],
    )
    activity: Literal["feeding", "flushing", "priming", "held", "stopped", "idle", "finished", "off"] = Field(
        description="What the device does: held = paused by a person, stopped = by an alarm condition, "
        "idle = on with nothing started, finished = target delivered. Anything else is taken as unknown."
    )
    alarms: list[Alarm] = Field(
        description="Every active alarm condition, each (condition, line) once; an empty list: none active."
    )
    power: Power | None = Field(default=None, description="Power; absent if the device does not tell.")
    delivery: Delivery | None = Field(
        default=None, description="Delivery; absent if the device does not tell."
    )


class Envelope(Wire):
    """The CloudEvents 1.0 attributes that every message carries, JSON format, structured mode."""

    specversion: Literal["1.0"] = Field(description="The version of CloudEvents.")
    id: str = Field(
        pattern=ID_FORM, description="Unique among the messages of this source.", examples=["b7-000183"]
    )
    source: str = Field(
        pattern=SOURCE_FORM, description="urn:bridge: and the bridge's id.", examples=["urn:bridge:north-7"]
    )
    subject: str = Field(
        pattern=f"^{LEVEL}$",
        description="The device's id, the same as in the topic. Those that begin with drill- are the monitor's own.",
        examples=["pump-0042"],
    )
    time: Instant = Field(
        description="When this was so, by the bridge's clock: RFC 3339 with a zone.",
        examples=["2026-03-14T01:12:09.500Z"],
    )
    datacontenttype: Literal["application/json"] | None = Field(default=None, description="Always JSON.")


class DeviceState(Envelope):
    """The full state of one device, published retained whenever it changes and at each reporting interval."""

    type: Literal["secondbell.device-state.v1"] = Field(description="What kind of message this is.")
    data: StateData = Field(description="The state.")


class PlanWindow(Wire):
    """A time of the local day in which feed is due."""

    start: str = Field(
        alias="from", pattern=FROM_FORM, description="Local time at which feeding begins.", examples=["20:00"]
    )
    end: str = Field(
        alias="to",
        pattern=TO_FORM,
        description="Local time at which it ends; at or before `from`, it is the next day's.",
        examples=["06:00"],
    )
    rate_ml_h: WantedRate | None = Field(
        default=None, description="Planned rate in this window in mL/h, where it is another than the plan's."
    )


class PlanData(Wire):
    """A feeding plan."""

    windows: list[PlanWindow] = Field(
        min_length=1, max_length=WINDOWS_MAX, description="When feed is due, each day."
    )
    target_ml: Wanted | None = Field(
        default=None,
        description="Volume wanted in all windows of a day together, in mL; the day begins with the window that "
        "follows the longest pause.",
        examples=[1000],
    )
    rate_ml_h: WantedRate | None = Field(default=None, description="Planned rate in mL/h.", examples=[100])
    highest_rate_ml_h: WantedRate | None = Field(
        default=None, description="Highest allowed rate in mL/h.", examples=[120]
    )
    kcal_per_ml: Annotated[float, Field(gt=0, le=ENERGY_MAX)] | None = Field(
        default=None, description="Energy of the feed in kcal/mL.", examples=[1.5]
    )
    glucose_risk: bool | None = Field(
        default=None, description="True if an unnoticed stop of this feed is dangerous; absent is false."
    )
    feed_kind: str | None = Field(
        default=None,
        pattern=f"^{WORD}$",
        description="Kind of feed, for its hang time. Known: " + ", ".join(FEED_KINDS) + ".",
        examples=["closed"],
    )
    container_hung: Instant | None = Field(default=None, description="When the container was hung, RFC 3339.")
    set_hung: Instant | None = Field(default=None, description="When the giving set was hung, RFC 3339.")


class FeedingPlan(Envelope):
    """A device's feeding plan, published retained; an empty payload withdraws it."""

    type: Literal["secondbell.plan.v1"] = Field(description="What kind of message this is.")
    data: PlanData = Field(description="The plan.")


class AnswerData(Wire):
    """What a person answered."""

    answer: Literal["accept", "decline", "hand-back", "take-over", "hold", "feed-ended", "away"] = Field(
        description="The answer: about responsibility (accept, decline, hand-back, take-over), the feed "
        "(hold, feed-ended) or the device being away."
    )
    concern: str | None = Field(
        default=None,
        pattern=CONCERN_FORM,
        description="The concern's id, from the list of open concerns. Absent: about the device as a whole.",
    )
    person: str = Field(
        pattern=PERSON_FORM, description="The id of the person as the site file has it.", examples=["n-07"]
    )
    until: Instant | None = Field(
        default=None,
        description="Until when, RFC 3339. Needed for hold (at most 2 h ahead, 30 min where a stop is dangerous) and "
        "away (at most 60 min ahead).",
    )
    reason: str | None = Field(default=None, max_length=REASON_MAX, description="Why, in a few words.")


class Answer(Envelope):
    """A person's answer from a bedside button or another system. Never retained."""

    type: Literal["secondbell.answer.v1"] = Field(description="What kind of message this is.")
    data: AnswerData = Field(description="The answer.")


class BridgePresence(Wire):
    """Whether a bridge is there: plain JSON, retained, with online = false as its last will."""

    online: bool = Field(description="True while the bridge is connected.")
    backlog: bool | None = Field(
        default=None, description="True while the bridge sends what it had stored; absent is false."
    )
