"""What came of one simulated night under one strategy: what the study keeps, and what all its figures are sums of.

Editing rules: counts and times of one night only; what is made of many nights stands in `summing`.
"""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field

Count = Annotated[int, Field(ge=0)]
Amount = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class Missed(BaseModel):
    """A trouble that outlasted `lasting` and of which nobody was told; instants in ms UTC."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")

    device: str
    kind: str
    needed_from: int
    ended: int | None


class NightRecord(BaseModel):
    """One night of one world under one strategy; the same seed is the same night under each."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")

    world: str
    strategy: str
    seed: int
    pumps: Count
    nurse_nights: Amount  # people on the first rung, times nights

    # Troubles that needed somebody, as they are when nobody is told (the same seed), and what became of them here.
    troubles: Count  # all of them, however short
    lasting: Count  # that outlast 15 min when nobody is told
    reached: Count  # of `lasting`: somebody was told of that pump while it lasted
    accepted: Count  # of `lasting`: somebody accepted
    averted: Count  # of `lasting`: it did not come about here, because somebody had been there before
    missed: Annotated[tuple[Missed, ...], Field(strict=False)] = ()
    fate_of: dict[str, tuple[Count, Count]] = Field(
        default_factory=dict, strict=False
    )  # kind -> not averted, reached
    told_ms: Annotated[tuple[int, ...], Field(strict=False)] = ()  # of `reached`: from "needed" to told
    accepted_ms: Annotated[
        tuple[int, ...], Field(strict=False)
    ] = ()  # of `accepted`: from "needed" to accepted

    # Notices to the people who are called at night.
    notices: Count  # all that were carried, whatever they say
    calls: Count  # of them, those of medium or high priority that ask somebody to see to a pump
    aware: Count  # of them, those that tell of low priority alone
    real: Count  # of `calls`: at least one of its pumps had a trouble that needed somebody
    to_know: Count  # of `calls`: not real, but about something that somebody has to know of
    worst: Count  # most notices to one person within 10 min
    wakings: Count  # calls in the night to somebody not called in the 30 min before
    needless: Count  # of `wakings`: none of what they told of needed anybody
    calls_of: dict[str, tuple[Count, Count]] = Field(
        default_factory=dict, strict=False
    )  # rule -> calls, real

    # The people who are fed.
    due_ml: Amount  # what the plans asked for
    lost_ml: Amount  # of it, not given
    lost_kcal: Amount
    trouble_ml: Amount  # not given while a trouble needed somebody
    trouble_kcal: Amount
    glucose_min: Amount  # stopped at glucose risk and nobody dealing with it
    battery_min: Amount  # feed due, and off or stopped for want of charge

    messages: Count
    seconds: Amount  # of one core

    def line(self) -> str:
        """One line of the results' file."""
        return self.model_dump_json()

    @classmethod
    def read(cls, line: str) -> Self:
        """A line again; raises ValueError if it is none."""
        return cls.model_validate_json(line)
