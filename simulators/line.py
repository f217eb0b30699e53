"""One elastic side of the line: blocked, it stores what the drive moves, and pressure rises to the alarm."""

from __future__ import annotations

from simulators.instants import HOUR, whole_ms


class ElasticLine:
    """The tube on one side of the drive; its pressure (upstream: suction) in kPa is linear in the volume."""

    def __init__(self, *, compliance_ml_per_kpa: float, alarm_kpa: float, at: int) -> None:
        self._compliance = compliance_ml_per_kpa
        self._alarm_kpa = alarm_kpa
        self.blocked = False
        self._at = at
        self._kpa = 0.0
        self._flow_ml_h = 0.0

    def kpa(self, at: int) -> float:
        """Return the pressure that has built up."""
        if not self.blocked:
            return 0.0
        return self._kpa + self._flow_ml_h * (at - self._at) / HOUR / self._compliance

    def stored_ml(self, at: int) -> float:
        """Return the volume held back in the stretched tube."""
        return self.kpa(at) * self._compliance

    def flow(self, at: int, ml_h: float) -> None:
        """From *at* on the drive moves *ml_h* through this side."""
        self._kpa, self._at = self.kpa(at), at
        self._flow_ml_h = ml_h

    def block(self, at: int, *, blocked: bool) -> None:
        """Block this side completely, or open it; opened, the stored volume flows off at once."""
        self._kpa, self._at = (self.kpa(at) if blocked else 0.0), at
        self.blocked = blocked

    def vent(self, at: int) -> float:
        """Let the pressure off without opening the block; return the volume that was spilt."""
        spilt = self.stored_ml(at)
        self._kpa, self._at = 0.0, at
        return spilt

    def alarm_at(self) -> int | None:
        """Return when the pressure reaches the alarm limit: compliance × limit ÷ rate after the block."""
        if not self.blocked or self._flow_ml_h <= 0:
            return None
        missing_ml = (self._alarm_kpa - self._kpa) * self._compliance
        return self._at + max(0, whole_ms(missing_ml / self._flow_ml_h * HOUR))
