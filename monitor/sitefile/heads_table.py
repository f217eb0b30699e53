"""The tables [heads] and [trail] of a site file: where the trail's signed heads go, and how long its texts are kept."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field

from monitor.sitefile.tables import Table
from monitor.sitefile.values import duration, minute


class HeadsTable(Table):
    """[heads]"""

    to: str | None = Field(
        None,
        description="the person to whom a signed head of the trail is mailed once a day and at a stop, to be kept "
        "outside; best somebody who does not keep this machine; nobody named: heads go to the broker alone",
        examples=["records"],
    )
    at: Annotated[int, BeforeValidator(minute(end=False))] = Field(
        7 * 60, description="local time of the day's mail; by default 07:00", examples=["07:00"]
    )
    every: Annotated[int, BeforeValidator(duration("1 min", "1 d"))] = Field(
        3_600_000,
        description="how often a head is signed and published, 1 min to 1 d; by default 1 h",
        examples=["1 h"],
    )


class TrailTable(Table):
    """[trail]"""

    keep: Annotated[int, BeforeValidator(duration("100 d", "36500 d"))] | None = Field(
        None,
        description="how long the text of the trail's entries is kept, at least 100 d; of older ones only the hash, "
        "so that the trail can still be checked; by default for ever",
        examples=["400 d"],
    )
