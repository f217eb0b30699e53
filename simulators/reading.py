"""What a pump shows at one instant; the words are those of the contract."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Activity = Literal["feeding", "flushing", "priming", "held", "stopped", "idle", "finished", "off"]
Priority = Literal["low", "medium", "high"]
Inactivation = Literal["enabled", "audio-paused"]
Side = Literal["downstream", "upstream"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One active alarm condition; *since* is its true onset, *paused_until* the end of an audio pause."""

    condition: str
    priority: Priority
    since: int
    line: Literal["feed", "flush"] | None = None
    paused_until: int | None = None

    @property
    def inactivation(self) -> Inactivation:
        """Say whether the sound is on or paused."""
        return "enabled" if self.paused_until is None else "audio-paused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One full state of one pump."""

    activity: Activity
    alarms: tuple[Alarm, ...]
    mains: bool
    battery_percent: int
    battery_low: bool
    rate_ml_h: float
    delivered_ml: float
    target_ml: float | None

    @property
    def shown(self) -> tuple[Activity, tuple[Alarm, ...], bool]:
        """Return the part whose every change is reported at once."""
        return (self.activity, self.alarms, self.mains)
