"""What comes over the link to the broker: messages, and what happens to the connection."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Received(NamedTuple):
    """One message as it came; `mid` means something only on the connection of this `generation`."""

    generation: int
    mid: int
    topic: str
    payload: bytes
    retain: bool
    qos: int


@dataclass(frozen=True, slots=True)
class Connected:
    """The broker accepted us and our subscriptions stand.

    With `session_present` it had kept them, and what was published since.
    """

    generation: int
    session_present: bool


@dataclass(frozen=True, slots=True)
class Lost:
    """The connection is gone, or (without a generation) could not be made.

    `reason` says in words which broker, and why; a generation is told lost once.
    """

    generation: int | None
    reason: str


@dataclass(frozen=True, slots=True)
class MarkerBack:
    """A marker sent on this connection came back: all that the broker had queued before it has been taken."""

    generation: int
    token: str


LinkEvent = Connected | Lost | MarkerBack
