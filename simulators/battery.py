"""A battery by charge: mAh go in and out, and the percentage is only what a gauge makes of it.

Charge is linear between two changes of current, so every level is met at a computed instant.
"""

from __future__ import annotations

import math

from simulators.hardware import Hardware
from simulators.instants import HOUR, whole_ms


class Battery:
    """One battery, worn down to *health* of its nominal capacity and filled to *charge* of what is left."""

    def __init__(
        self, hardware: Hardware, *, at: int, mains: bool, charge: float, health: float, gauge_phase: float
    ) -> None:
        self._hardware = hardware
        self._gauge_phase = gauge_phase
        self.capacity_mah = hardware.battery_mah * health
        self.mains = mains
        self._at = at
        self._mah = self.capacity_mah * charge
        self._load_ma = 0.0
        self._charger_works = True

    def charger(self, at: int, *, works: bool) -> None:
        """From *at* on mains charges it, or only shows."""
        self._mah, self._at = self.charge_mah(at), at
        self._charger_works = works

    @property
    def _charging(self) -> bool:
        return self.mains and self._charger_works

    def draw(self, at: int, load_ma: float) -> None:
        """From *at* on the pump draws *load_ma*."""
        self._mah, self._at = self.charge_mah(at), at
        self._load_ma = load_ma

    def connect(self, at: int, *, mains: bool) -> None:
        """From *at* on the pump hangs on mains, or does not."""
        self._mah, self._at = self.charge_mah(at), at
        self.mains = mains

    def charge_mah(self, at: int) -> float:
        """Return the true charge; constant charging current until full is a simplification."""
        hours = (at - self._at) / HOUR
        if self._charging:
            if self._mah >= self.capacity_mah:
                return self.capacity_mah
            return min(self.capacity_mah, self._mah + self._hardware.charging_ma * hours)
        return max(0.0, self._mah - self._load_ma * hours)

    def falls_to(self, percent: float) -> int | None:
        """Return the first instant at which the charge is at or below *percent*, if it is draining."""
        if self._charging or self._load_ma <= 0:
            return None
        spare_mah = self._mah - self.capacity_mah * percent / 100
        return self._at + max(0, whole_ms(spare_mah / self._load_ma * HOUR))

    def gauge_percent(self, at: int) -> int:
        """Return what the gauge shows: the charge with a small error of its own, in whole steps."""
        share = self.charge_mah(at) / self.capacity_mah
        # The error depends on the charge alone, vanishes at both ends and never repeats between pumps.
        wave = math.sin(6 * math.pi * share + self._gauge_phase) * 4 * share * (1 - share)
        step = self._hardware.gauge_step_percent
        shown = round((100 * share + self._hardware.gauge_error_percent * wave) / step) * step
        return min(100, max(0, shown))
