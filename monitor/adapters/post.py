"""What the HTTPS carrier posts: one notice as a CloudEvent, whose id is the same in every attempt.

`secondbell contract --format notice` prints its JSON Schema, made from these models.
"""

from __future__ import annotations

import json
from typing import Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from monitor.adapters.carriers import Parcel, without_controls
from monitor.core.instants import show

TYPE: Final = "secondbell.notice.v1"
MEDIA_TYPE: Final = "application/cloudevents+json; charset=utf-8"  # CloudEvents HTTP binding 1.0 §3.2


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="allow")


class NoticeData(_Model):
    """One message to one person."""

    to: str = Field(
        min_length=1,
        max_length=320,
        description="The person's address, as the site file has it.",
        examples=["4471"],
    )
    priority: Literal["high", "medium", "low"] = Field(description="How urgent it is.")
    form: Literal["mail", "page"] = Field(
        description="Which text this is: a whole notice, or a page of 160 signs at most without health data."
    )
    subject: str = Field(description="The subject of a mail, empty with a page.")
    text: str = Field(
        description="The words, in lines.", examples=["HIGH bay 3 bed 12: feed stopped 15 min K7QX2M"]
    )
    message_id: str = Field(description="The Message-ID that a mail of it would have.")
    thread: str | None = Field(
        description="The Message-ID of the first mail about this trouble, if there was one."
    )


class NoticeEvent(_Model):
    """One attempt to tell one person. Take each `id` once: a notice whose answer was lost is posted again."""

    specversion: Literal["1.0"] = Field(description="The version of CloudEvents.")
    id: str = Field(
        description="The notice's id, the same in every attempt.", examples=["3f9a1c04be7d55a2c1e0"]
    )
    source: str = Field(description="urn:monitor: and the site's name.", examples=["urn:monitor:larkfield"])
    type: Literal["secondbell.notice.v1"] = Field(description="What kind of message this is.")
    time: str = Field(
        description="When it was first tried, RFC 3339.",
        examples=["2026-03-14T01:12:09.500Z"],
        json_schema_extra={"format": "date-time"},
    )
    datacontenttype: Literal["application/json"] = Field(description="Always JSON.")
    data: NoticeData


def post_of(parcel: Parcel, *, source: str, form: Literal["mail", "page"]) -> bytes:
    """The body of a request, in ASCII; ValueError for an absurd date."""
    event = {
        "specversion": "1.0",
        "id": parcel.notice,
        "source": source,
        "type": TYPE,
        "time": show(parcel.date_ms),
        "datacontenttype": "application/json",
        "data": {
            "to": parcel.address,
            "priority": parcel.urgency,
            "form": form,
            "subject": without_controls(parcel.subject),
            "text": "\n".join(without_controls(line) for line in parcel.body.splitlines()),
            "message_id": parcel.message_id,
            "thread": parcel.thread,
        },
    }
    return json.dumps(event, separators=(",", ":"), ensure_ascii=True, allow_nan=False).encode("ascii")


def schema() -> dict[str, Any]:
    """Its JSON Schema (draft 2020-12)."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **NoticeEvent.model_json_schema()}
