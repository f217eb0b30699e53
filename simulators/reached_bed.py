"""A bed's ties to the world around it: its socket and the radio, and who is at the bedside to see to them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from simulators.bed import Bed
from simulators.bedside import Bedside
from simulators.diary import Diary
from simulators.instants import MINUTE, whole_ms
from simulators.scenario import PumpPlan, Scenario
from simulators.truth import How, Kind
from simulators.world_figures import NightFigures

# IEC 60601-2-24 asks for a warning 30 min before a battery ends (from memory): from then on a plug is needed.
_WARNING_MS: Final = 30 * MINUTE


class ReachedBed(Bed):
    """A bed of a study world that can be taken off its socket and lost from sight."""

    def __init__(
        self,
        plan: PumpPlan,
        scenario: Scenario,
        figures: NightFigures,
        *,
        at: int,
        diary: Diary,
        touched: Callable[[Bed], None],
        causes: bool,
    ) -> None:
        super().__init__(plan, scenario, at=at, diary=diary, touched=touched)
        self._figures = figures
        self._bedside = Bedside(
            figures, scenario.hardware, device=plan.id, seed=scenario.seed, start=at, causes=causes
        )
        self._no_power = False
        self._down_look: int | None = None
        self.in_sight = plan.heard

    def _feed_due(self) -> bool:
        """Say whether feed is due at this pump."""
        return self.feed_open

    def take_off(self, at: int, ms: int, *, forgets: bool, seen_ms: int) -> None:
        """Take the pump off its socket; at its new place the plug may be forgotten."""
        if not self.pump.mains or self.pump.activity == "off":
            return
        self.pump.unplug(at)
        if forgets:
            self._find_within(at, "unplugged", ms + seen_ms)
        else:
            self._surely(at + ms, self._plug)
        self.touch()

    def cut_power(self, at: int, ms: int) -> None:
        """Cut the home's power: the pump goes on by battery, and what carries its reports is gone."""
        if self._no_power:
            return
        self._no_power = True
        if self.pump.mains:
            self.ledger.begin("unplugged", at)
        self.pump.unplug(at)
        self.lose_sight(at, ms)

        def back(now: int) -> None:
            self._no_power = False
            self._plug(now)

        self._surely(at + ms, back)
        self.touch()

    def lose_sight(self, at: int, ms: int) -> None:
        """Take the pump out of radio sight; that needs somebody only if it lasts while feed is due."""
        if not self.in_sight or not self.plan.heard:
            return
        self.in_sight = False
        token = self.ledger.begin("out-of-sight", at)

        def lasts(now: int) -> None:
            if self.ledger.lasts(token) and self._feed_due():
                self.ledger.need("out-of-sight", now)

        lasting = whole_ms(self._figures.deliberate.sight_needed_min.value * MINUTE)
        if lasting < ms:
            self._surely(at + lasting, lasts)
        self._surely(at + ms, self._reappear)

    def settle(self, at: int) -> None:
        """Let the pump come to *at*, and see whether one that was left off its socket is running down."""
        super().settle(at)
        empty = None if self.pump.activity == "off" else self.pump.battery.falls_to(0.0)
        down_at = None if empty is None else empty - _WARNING_MS
        if down_at is not None and down_at <= at:
            self.ledger.need("unplugged", at)
        elif down_at is not None and down_at != self._down_look:
            self._diary.note(down_at, lambda _at: self.touch())
        self._down_look = down_at

    def _plug(self, at: int, how: How = "mended-at-bedside") -> None:
        if not self._no_power:
            super()._plug(at, how)

    def _find_within(self, at: int, kind: Kind, ms: int, *, needed_from: int | None = None) -> None:
        token = self.ledger.begin(kind, at, needed_from=needed_from)
        self._find(at, token, self._bedside.seen_after(at, ms) / MINUTE)
