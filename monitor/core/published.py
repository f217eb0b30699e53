"""What the monitor publishes: a device's open concerns, and its own presence. Neither names a person."""

from collections.abc import Sequence
from typing import Final, Literal, NamedTuple

from pydantic import Field

from monitor.core.instants import show
from monitor.core.messages import ID_FORM
from monitor.core.topics import LEVEL
from monitor.core.wire import Instant, Wire

CONCERNS_TYPE: Final = "secondbell.concerns.v1"
BEAT: Final = 15_000  # ms between the monitor's presences; common practice, no source


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
    """Whether the monitor is there, and works: plain JSON, retained, with online = false as its last will.

    Said by the loop that works through the rules, after a commit, at least each `interval_ms`: whoever hears nothing
    for longer, or the same `last_step` again and again, should see to the monitor.
    """

    online: bool = Field(description="True while the monitor runs and is connected.")
    at: Instant = Field(description="When this was said; of a last will, when the monitor connected.")
    last_step: Instant | None = Field(
        description="The last instant of which all that the monitor did is stored; null if there is none yet."
    )
    stopped: bool = Field(
        default=False, description="True if it is gone because somebody stopped it; of a last will, false."
    )
    late_ms: int = Field(default=0, ge=0, description="By how many ms its earliest deadline is overdue.")
    link_since: Instant | None = Field(
        default=None, description="Since when it is connected to the broker; null of a last will."
    )
    unstored_since: Instant | None = Field(
        default=None, description="Since when it cannot store, and so tells nobody anything; null: it can."
    )
    interval_ms: int = Field(
        default=BEAT, gt=0, description="It says this anew at least so often, in ms, while it is online."
    )
    version: str = Field(default="", description="Which version of the monitor says so.", examples=["0.5.0"])


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


def monitor_presence_payload(
    *,
    online: bool,
    at: int,
    last_step: int | None,
    stopped: bool = False,
    late_ms: int = 0,
    link_since: int | None = None,
    unstored_since: int | None = None,
    interval_ms: int = BEAT,
    version: str = "",
) -> bytes:
    """Build the monitor's presence; instants in ms UTC."""
    said = MonitorPresence(
        online=online,
        at=show(at),
        last_step=_shown(last_step),
        stopped=stopped,
        late_ms=late_ms,
        link_since=_shown(link_since),
        unstored_since=_shown(unstored_since),
        interval_ms=interval_ms,
        version=version,
    )
    return _bytes(said)


def _shown(at: int | None) -> str | None:
    return None if at is None else show(at)


def _bytes(message: Wire) -> bytes:
    """Write a message as UTF-8 JSON."""
    return message.model_dump_json().encode()
