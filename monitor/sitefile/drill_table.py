"""The table [[drills]] of a site file: drills by calendar."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from monitor.core.drill import LONGEST, SHORTEST
from monitor.core.instants import show_duration
from monitor.sitefile.tables import Table
from monitor.sitefile.values import duration, minute

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
EVERY_DAY: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class DrillTable(Table):
    """[[drills]]"""

    unit: str = Field(description="the unit whose people are to be reached", examples=["elm"])
    at: Annotated[int, BeforeValidator(minute(end=False))] = Field(
        description="when, in local time; best when people have a moment", examples=["10:00"]
    )
    days: tuple[Day, ...] = Field(
        EVERY_DAY, min_length=1, description="on which days; by default on all", examples=[["mon", "thu"]]
    )
    priority: Literal["medium", "high"] = Field(
        "medium", description="whose ladder it climbs; by default medium", examples=["medium"]
    )
    wait: Annotated[int, BeforeValidator(duration(show_duration(SHORTEST), show_duration(LONGEST)))] = Field(
        600_000,
        description="how long it waits for an acceptance, 1 min to 2 h; by default 10 min",
        examples=["10 min"],
    )
    to: str | None = Field(
        None,
        description="one person of this file in place of the unit's ladder, such as a test address",
        examples=["technical"],
    )
