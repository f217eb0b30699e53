"""What the monitor publishes: a device's open concerns, and its own presence. Neither names a person."""

from collections.abc import Sequence
from typing import Final, Literal, NamedTuple

from pydantic import Field

from monitor.core.instants import show
from monitor.core.messages import ID_FORM
from monitor.core.topics import LEVEL
from monitor.core.wire import Instant, Wire

CONCERNS_TYPE: Final = "secondbell.concerns.v1"


class ListedConcern(NamedTuple):
    """An open concern as `concerns_payload` takes it; `since` is the instant at which it was raised."""

    concern: str
    rule: str
    priority: Literal["high", "medium", "low"]
    state: Literal["open", "accepted"]
    since: int
    accepted: bool


class OpenConcern(Wire):
    """One concern that is not settled."""

    concern: str = Field(
        pattern=f"^{LEVEL}$", description="The concern's id, as answers give it.", examples=["K7QX2M4D"]
    )
    rule: str = Field(description="The id of the rule that raised it.", examples=["muted-too-long"])
    priority: Literal["high", "medium", "low"] = Field(description="Its priority.")
    state: Literal["open", "accepted"] = Field(description="Where it stands.")
    since: Instant = Field(description="When it was raised, RFC 3339.", examples=["2026-03-14T01:15:40.000Z"])
    accepted: bool = Field(description="True if somebody has it. Who is not said.")


class OpenConcerns(Wire):
    """All open concerns of one device, published retained; an empty list when there is none."""

    specversion: Literal["1.0"] = Field(description="The version of CloudEvents.")
    id: str = Field(
        pattern=ID_FORM, description="Unique among the messages of this source.", examples=["c-000012"]
    )
    source: str = Field(
        pattern=f"^urn:monitor:{LEVEL}$",
        description="urn:monitor: and the site's name.",
        examples=["urn:monitor:night"],
    )
    type: Literal["secondbell.concerns.v1"] = Field(description="What kind of message this is.")
    subject: str = Field(pattern=f"^{LEVEL}$", description="The device's id.", examples=["pump-0042"])
    time: Instant = Field(description="When this was so, RFC 3339.", examples=["2026-03-14T01:15:42.000Z"])
    datacontenttype: Literal["application/json"] = Field(description="Always JSON.")
    data: list[OpenConcern] = Field(description="The open concerns, oldest first.")


class MonitorPresence(Wire):
    """Whether the monitor is there: plain JSON, retained, with online = false as its last will."""

    online: bool = Field(description="True while the monitor runs and is connected.")
    at: Instant = Field(description="When this was said; of a last will, when the monitor connected.")
    last_step: Instant | None = Field(
        description="When the monitor last worked through its rules; null if not yet."
    )


def concerns_payload(
    *, monitor: str, device: str, id: str, at: int, concerns: Sequence[ListedConcern]
) -> bytes:
    """Build the retained list of a device's open concerns; `id` must be new for each message."""
    listed = sorted(concerns, key=lambda concern: (concern.since, concern.concern))
    return _bytes(
        OpenConcerns(
            specversion="1.0",
            id=id,
            source=f"urn:monitor:{monitor}",
            type=CONCERNS_TYPE,
            subject=device,
            time=show(at),
            datacontenttype="application/json",
            data=[
                OpenConcern(
                    concern=concern.concern,
                    rule=concern.rule,
                    priority=concern.priority,
                    state=concern.state,
                    since=show(concern.since),
                    accepted=concern.accepted,
                )
                for concern in listed
            ],
        )
    )


def monitor_presence_payload(*, online: bool, at: int, last_step: int | None) -> bytes:
    """Build the monitor's presence."""
    step = None if last_step is None else show(last_step)
    return _bytes(MonitorPresence(online=online, at=show(at), last_step=step))


def _bytes(message: Wire) -> bytes:
    """Write a message as UTF-8 JSON."""
    return message.model_dump_json().encode()
