"""What one pump is made of: every number of the physics, with its default.

No published figures were found for occlusion pressures, line elasticity or battery loads of enteral
pumps, so each default here is an invention of a plausible size and each
is configuration: a scenario sets its own under ``[hardware]``.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0, lt=1_000_000, allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]


class Hardware(BaseModel):
    """The physical constants of one pump, its line and its battery; units are in the names."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")

    downstream_compliance_ml_per_kpa: Positive = 0.01
    downstream_alarm_kpa: Positive = 100.0
    upstream_compliance_ml_per_kpa: Positive = 0.008
    upstream_alarm_kpa: Positive = 60.0

    # IEC 60601-2-24: an audio pause of at most 2 min (from memory).
    audio_pause_s: Positive = 120.0
    inactivity_alarm_min: Positive = 20.0

    battery_mah: Positive = 2000.0
    electronics_ma: Positive = 45.0
    motor_ma: Positive = 90.0
    motor_ma_per_ml_h: Annotated[float, Field(ge=0, lt=1000, allow_inf_nan=False)] = 0.3
    charging_ma: Positive = 700.0
    battery_low_percent: Percent = 15.0
    battery_depleted_percent: Percent = 3.0
    gauge_step_percent: Annotated[int, Field(ge=1, le=25)] = 1
    gauge_error_percent: Annotated[float, Field(ge=0, le=20, allow_inf_nan=False)] = 1.5

    prime_ml: Positive = 15.0
    prime_ml_h: Positive = 600.0
    flush_ml_h: Positive = 600.0
