"""The numbers of a study world beyond its people: pumps, bedside, what is done on purpose and what goes wrong.

Editing rules: a time is in the unit of its name; a rate is for one pump. *Least* and *most* are the ends of what one
pump may draw; `low` and `high` of each are how sure anybody is of that end.
"""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from simulators.figures import CarrierFigures, Figure, PeopleFigures, RotaFigures, ShareOf, Time, _Table
from simulators.instants import MINUTE


class Number(Figure):
    """A whole number of something."""

    value: Annotated[float, Field(ge=0, le=5_000, multiple_of=1)]


class Clock(Figure):
    """A time of day in hours after midnight."""

    value: Annotated[float, Field(ge=0, lt=24)]
    high: Annotated[float, Field(ge=0, le=24)]


class Rate(Time):
    """A rate of flow that a pump can be set to, in mL/h."""

    value: Annotated[float, Field(gt=0, le=600)]


class Often(Figure):
    """How often in the time of its name."""

    value: Annotated[float, Field(ge=0, le=1_000)]


class PumpFigures(_Table):
    """Whom is fed how, and by which pumps; what is neither continuous nor bolus is overnight."""

    count: Number
    spares: Number
    unheard: ShareOf
    report_s: Time
    continuous: ShareOf
    bolus: ShareOf
    glucose_risk: ShareOf
    rate_least: Rate
    rate_most: Rate
    continuous_h_least: Time
    continuous_h_most: Time
    overnight_h_least: Time
    overnight_h_most: Time
    slack_h: Figure
    boluses: Number
    bolus_ml: Time
    bolus_min: Time
    highest_rate: Time
    kcal_per_ml_least: Time
    kcal_per_ml_most: Time
    container_ml: Time
    battery_least: ShareOf
    worn: ShareOf
    worn_health: ShareOf
    flush_every_h: Time
    flush_ml: Time

    @model_validator(mode="after")
    def _fits(self) -> Self:
        """Refuse ends in the wrong order, more than everybody, and a feed longer than the day."""
        for least, most in (
            ("rate_least", "rate_most"),
            ("continuous_h_least", "continuous_h_most"),
            ("overnight_h_least", "overnight_h_most"),
            ("kcal_per_ml_least", "kcal_per_ml_most"),
        ):
            if getattr(self, least).value > getattr(self, most).value:
                raise ValueError(f"{least} at most {most}")
        if self.continuous.value + self.bolus.value > 1:
            raise ValueError("continuous and bolus together at most 1")
        if max(self.continuous_h_most.value, self.overnight_h_most.value) + self.slack_h.value > 23:
            raise ValueError("feeding windows, slack included, of at most 23 h")
        if self.boluses.value * (self.bolus_min.value + 60) > 14 * 60:
            raise ValueError("boluses that fit between 07:00 and 21:00 with an hour between them")
        if self.highest_rate.value < 1:
            raise ValueError("highest_rate at least 1: the planned rate itself is allowed")
        if self.worn_health.value <= 0 or self.battery_least.value <= 0:
            raise ValueError("battery_least and worn_health more than 0")
        return self


class BedsideFigures(_Table):
    """What those at the bedside do; asleep are they from `asleep_from_h` to `asleep_until_h`, never if these agree."""

    answer_median_s: Time
    answer_sigma: Figure
    asleep_median_s: Time
    asleep_sigma: Figure
    asleep_from_h: Clock
    asleep_until_h: Clock
    sleeps_through: ShareOf
    mutes_first: ShareOf
    mutes_only: ShareOf
    leaves_unmended: ShareOf
    hears_reminder: ShareOf
    hands_s: Time
    round_h: Time
    plug_seen_h: Time
    start_late_median_min: Time
    start_late_sigma: Figure
    stop_late_median_min: Time
    stop_late_sigma: Figure
    changes_in_time: ShareOf
    change_min: Time


class DeliberateFigures(_Table):
    """What is normal and must wake nobody."""

    care_holds_per_day: Often
    care_hold_median_min: Time
    care_hold_sigma: Figure
    care_at_night: ShareOf
    procedures_per_day: Often
    procedure_median_min: Time
    procedure_sigma: Figure
    procedures_at_night: ShareOf
    announced: ShareOf
    announced_from_min: Time
    announced_long: ShareOf
    long_from_min: Time
    announced_again: ShareOf
    moves_per_day: Often
    move_median_min: Time
    swaps_per_day: Often
    radio_gaps_per_day: Often
    radio_gap_median_min: Time
    radio_gap_sigma: Figure
    sight_needed_min: Time

    def announced_of(self, ms: int) -> float:
        """Return how likely a hold of so long is announced by the bedside button."""
        minutes = ms / MINUTE
        if minutes < self.announced_from_min.value:
            return 0.0
        return (self.announced_long if minutes >= self.long_from_min.value else self.announced).value


class CauseFigures(_Table):
    """What goes wrong."""

    alarms_per_hour: Often
    by_feed: ShareOf
    downstream: ShareOf
    upstream: ShareOf
    clogs_in_tube_life: ShareOf
    tube_life_days: Time
    clog_tries: Number
    declog_median_min: Time
    tubes_out_per_year: Often
    tube_seen_h: Time
    tube_back_median_h: Time
    tube_back_sigma: Figure
    faults_per_year: Often
    chargers_per_year: Often
    rate_wrong: ShareOf
    plug_forgotten: ShareOf
    restart_forgotten: ShareOf
    starts_unplugged: ShareOf
    power_cuts_per_year: Often
    power_cut_median_min: Time
    power_cut_sigma: Figure
    bridge_losses_per_year: Often
    bridge_loss_min: Time

    @model_validator(mode="after")
    def _stands(self) -> Self:
        """Refuse shares of one whole that are more than it, and a clog that no number of years could make."""
        if self.downstream.value + self.upstream.value > 1:
            raise ValueError("downstream and upstream together at most 1")
        if self.clogs_in_tube_life.value >= 1:
            raise ValueError("clogs_in_tube_life under 1")
        return self


class NightFigures(_Table):
    """What a scenario carries of its world."""

    pumps: PumpFigures
    bedside: BedsideFigures
    deliberate: DeliberateFigures
    causes: CauseFigures


class WorldFigures(NightFigures):
    """All sections of a world file."""

    people: PeopleFigures
    carriers: CarrierFigures
    rota: RotaFigures
