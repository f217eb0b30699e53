"""What a scenario can make happen, at a clock time, to one pump or one bridge.

Times of day are read in the scenario's own zone, at the first such time from its start on, plus *day* days.
*found_min* says how long after the beginning somebody at the bedside finds and mends it if nobody has been
sent before; absent, nobody ever does.
"""

from __future__ import annotations

from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from simulators.hardware import Positive

T = TypeVar("T")
# TOML arrays are lists; frozen models hold tuples.
Several = Annotated[tuple[T, ...], Field(strict=False)]
Clock = Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d(:[0-5]\d)?$")]
Word = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")]


class Happening(BaseModel):
    """Something at a time of day."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")

    at: Clock
    day: Annotated[int, Field(ge=0, le=366)] = 0


class _AtPump(Happening):
    pump: Word
    found_min: Positive | None = None


class _Answered(_AtPump):
    """How the bedside answers the alarms of it: clears them, only mutes them, or does not come."""

    carer: Literal["clears", "mutes", "nobody"] = "clears"
    answer_s: Annotated[Several[Positive], Field(min_length=1)] = (46.0,)
    mutes: Annotated[int, Field(ge=1, le=50)] = 4


class LineBlocks(_Answered):
    """A side of the line blocks; cleared unmended it blocks again, mended it may come back once."""

    what: Literal["line-blocks"]
    side: Literal["downstream", "upstream"] = "downstream"
    again_min: Several[Positive] = ()
    comes_back_min: Positive | None = None


class Fault(_Answered):
    """The pump finds a fault in itself."""

    what: Literal["fault"]
    condition: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,40}$")] = "device-fault"
    priority: Literal["low", "medium", "high"] = "high"


class Moved(_AtPump):
    """The bed leaves its socket for some minutes; at its new place the plug may be forgotten."""

    what: Literal["moved"]
    minutes: Positive = 10.0
    forgets_plug: bool = False


class ContainerChange(_AtPump):
    """A carer holds the feed, hangs a full container and primes; the restart may be forgotten."""

    what: Literal["container-change"]
    minutes: Positive = 3.0
    forgets_restart: bool = False


class OutOfRadio(_AtPump):
    """The bridge does not hear the pump for a while; the pump goes on."""

    what: Literal["out-of-radio"]
    minutes: Positive


class Flush(_AtPump):
    """A planned flush with water in mid-feed."""

    what: Literal["flush"]
    ml: Positive = 30.0  # ESPEN guidance: 30 mL


class BridgeLost(Happening):
    """A bridge loses the broker for a while; one that stores sends its backlog afterwards."""

    what: Literal["bridge-lost"]
    bridge: Word
    minutes: Positive
    stores: bool = False


AtPump = LineBlocks | Fault | Moved | ContainerChange | OutOfRadio | Flush
AnyHappening = Annotated[AtPump | BridgeLost, Field(discriminator="what")]
