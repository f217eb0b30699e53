"""The tables [shifts.NAME] and [handover] of a site file: what a shift is, and who gets its handover."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Final

from pydantic import BeforeValidator, Field

from monitor.sitefile.tables import Table
from monitor.sitefile.values import duration, minute

SHIFTS: Final[Mapping[str, tuple[int, int]]] = {"night": (20 * 60, 8 * 60), "day": (8 * 60, 20 * 60)}
"""The shipped shifts, as minutes of the local day; common practice, no source: a site sets its own."""
KEEP: Final = 70 * 86_400_000  # ms: the eight weeks of a review and some; common practice, no source


class ShiftTable(Table):
    """[shifts.NAME]"""

    start: Annotated[int, BeforeValidator(minute(end=False))] = Field(
        alias="from", description="local time at which the shift begins", examples=["20:00"]
    )
    end: Annotated[int, BeforeValidator(minute(end=True))] = Field(
        alias="to",
        description="local time at which it ends; at or before `from`, the next day's",
        examples=["08:00"],
    )


class HandoverTable(Table):
    """[handover]"""

    to: tuple[str, ...] = Field(
        (),
        description="the persons to whom the handover of each unit is mailed when a shift ends; nobody named: none is",
        examples=[["charge"]],
    )
    shifts: tuple[str, ...] = Field(
        (), description="after which shifts; by default after all", examples=[["night"]]
    )
    keep: Annotated[int, BeforeValidator(duration("7 d", "400 d"))] = Field(
        KEEP,
        description="how long it is kept what each pump did, for these pages and the review, 7 d to 400 d; about 5 kB "
        "a pump and day; by default 70 d",
        examples=["70 d"],
    )
