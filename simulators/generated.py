"""Pumps that a scenario asks for by count."""

from __future__ import annotations

from random import Random
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from simulators.happenings import Clock, Several, Word
from simulators.hardware import Positive, Share


class Generated(BaseModel):
    """Pumps by count instead of by hand; each draws its own numbers from the ranges, from seed and id."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")

    count: Annotated[int, Field(ge=0, le=200_000)] = 0
    first: Annotated[int, Field(ge=0)] = 201
    id_prefix: Word = "pump-"
    place: Annotated[str, Field(min_length=1, max_length=60)] = "bed"
    rate_ml_h: tuple[Positive, Positive] = Field(default=(40.0, 125.0), strict=False)
    feed_hours: tuple[Positive, Positive] = Field(default=(16.0, 22.0), strict=False)
    container_ml: Positive = 1000.0
    starts: Several[Clock] = ("06:00",)
    part_way: bool = True
    flush_every_h: Positive | None = None
    battery_health: tuple[Share, Share] = Field(default=(0.6, 1.0), strict=False)


def generate(ranges: Generated, number: int, *, seed: object, unit: str, bridge: str) -> dict[str, Any]:
    """Write the table of one generated pump, as a scenario would list it."""
    device = f"{ranges.id_prefix}{ranges.first + number:04d}"
    draw = Random(f"{seed}/plan/{device}")
    rate = float(round(draw.uniform(*ranges.rate_ml_h)))
    target = float(round(rate * draw.uniform(*ranges.feed_hours), -1))
    share = draw.random() if ranges.part_way else 0.0
    plan: dict[str, Any] = {
        "id": device,
        "place": f"{ranges.place} {number + 1}",
        "unit": unit,
        "bridge": bridge,
        "rate_ml_h": rate,
        "target_ml": target,
        "delivered_ml": round(target * share, 1),
        "container_ml": ranges.container_ml,
        "container_left_ml": round(ranges.container_ml * (1 - draw.random() * 0.9), 1),
        "feeding": ranges.part_way,
        "starts": [_later(clock, draw.randrange(60)) for clock in ranges.starts],
        "battery_health": round(draw.uniform(*ranges.battery_health), 2),
    }
    if ranges.flush_every_h is not None:
        plan["flush_every_h"] = ranges.flush_every_h
    return plan


def _later(clock: str, minutes: int) -> str:
    """Put a time of day off by some minutes, so that a ward's feeds do not all begin at once."""
    hour, minute = (int(part) for part in clock.split(":")[:2])
    total = (hour * 60 + minute + minutes) % (24 * 60)
    return f"{total // 60:02d}:{total % 60:02d}"
