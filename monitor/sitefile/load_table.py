"""The table [load] of a site file: how much one person is sent."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field

from monitor.sitefile.tables import Table
from monitor.sitefile.values import duration


class LoadTable(Table):
    """[load]"""

    notices: Annotated[int, Field(ge=3, le=1_000)] = Field(
        10,
        description="most notices below high to one person in that time, 3 to 1000; the rest goes as one summary; "
        "by default 10",
        examples=[10],
    )
    within: Annotated[int, BeforeValidator(duration("1 min", "2 h"))] = Field(
        600_000,
        description="the time in which they are counted, 1 min to 2 h; by default 10 min",
        examples=["10 min"],
    )
