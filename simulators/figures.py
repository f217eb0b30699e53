"""The numbers a study world is made of: each with its range, and either a published source or a named assumption."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

Text = Annotated[str, Field(min_length=1, max_length=400)]


class Figure(BaseModel):
    """One number with the range it may lie in; exactly one of `source` (published) and `assumption` (why this)."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")

    value: Annotated[float, Field(ge=0, le=1_000_000, allow_inf_nan=False)]
    low: Annotated[float, Field(ge=0, le=1_000_000, allow_inf_nan=False)]
    high: Annotated[float, Field(ge=0, le=1_000_000, allow_inf_nan=False)]
    source: Text | None = None
    assumption: Text | None = None

    @model_validator(mode="after")
    def _stands(self) -> Self:
        if not self.low <= self.value <= self.high:
            raise ValueError("low <= value <= high")
        if (self.source is None) == (self.assumption is None):
            raise ValueError("either a source or an assumption")
        return self


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")


class ShareOf(Figure):
    """A share of 1."""

    value: Annotated[float, Field(ge=0, le=1)]
    high: Annotated[float, Field(ge=0, le=1)]


class Time(Figure):
    """A time, in the unit of its name; more than nothing."""

    value: Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)]


class PeopleFigures(_Table):
    """How people who are told answer. Times are lognormal: median and sigma (of the natural logarithm)."""

    answer_median_min: Time  # from a notice's arrival to the accept, when nothing else was told lately
    answer_sigma: Figure
    slower_per_notice: (
        Figure  # the median grows by this share for each notice to the same person in the last 2 h
    )
    never: ShareOf  # a notice that is never answered, however long it stands
    comes_median_min: Time  # from the accept to hands at the pump (at home: the carer's, woken by telephone)
    comes_sigma: Figure
    comes_never: ShareOf  # accepted, and then called away; or nobody at home wakes to the telephone


class CarrierFigures(_Table):
    """How carriers fail."""

    delay_s: Time
    fails: ShareOf  # one attempt that is to be tried again
    outage: ShareOf  # nights with an outage of the pager
    outage_min: Time


class RotaFigures(_Table):
    """Nights on which nobody is on the first rung for a while."""

    hole: ShareOf
    hole_min: Time
