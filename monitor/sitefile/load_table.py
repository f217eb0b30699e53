"""The tables of a site file about how much one person is sent: [load], and the quiet hours of a way to a person."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from monitor.sitefile.values import duration, minute


class LoadTable(BaseModel):
    """[load]"""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)

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


class QuietTable(BaseModel):
    """A time of the local day in which a way to a person is not used below high."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)

    start: Annotated[int, BeforeValidator(minute(end=False))] = Field(
        alias="from", description="local time at which they begin, in the site's zone", examples=["22:00"]
    )
    end: Annotated[int, BeforeValidator(minute(end=True))] = Field(
        alias="to",
        description="local time at which they end; before `from`: the next day's",
        examples=["07:00"],
    )
