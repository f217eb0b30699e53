"""Wrong `lasting` memories, each with one mistake, that a comparison must find."""

from __future__ import annotations

from monitor.core.patterns import Lasting


class BridgesExactlyG(Lasting):
    """A gap of exactly G is bridged."""

    def update(self, value: bool, at: int, hold_for: int, bridging: int) -> None:
        super().update(value, at, hold_for, bridging + 1)


class BridgesATickLess(Lasting):
    """A gap of G less one tick is not bridged."""

    def update(self, value: bool, at: int, hold_for: int, bridging: int) -> None:
        super().update(value, at, hold_for, max(0, bridging - 1))


class BridgesNothing(Lasting):
    """Each return starts a new run."""

    def update(self, value: bool, at: int, hold_for: int, bridging: int) -> None:
        super().update(value, at, hold_for, 0)


class GapFromItsLastSnapshot(Lasting):
    """A gap counts from its last false snapshot, not its first."""

    def update(self, value: bool, at: int, hold_for: int, bridging: int) -> None:
        if not value and self.gap_start is not None and at - self.gap_start < bridging:
            self.gap_start = at
        super().update(value, at, hold_for, bridging)


class BeginsInAGap(Lasting):
    """Holding begins inside a gap."""

    def due(self, hold_for: int, bridging: int) -> int | None:
        if self.run_start is not None and not self.holds:
            return self.run_start + hold_for
        return super().due(hold_for, bridging)

    def advance(self, at: int, hold_for: int, bridging: int) -> None:
        super().advance(at, hold_for, bridging)
        if self.run_start is not None and at - self.run_start >= hold_for:
            self.holds = True


class ATickLate(Lasting):
    """It takes T and one tick."""

    def update(self, value: bool, at: int, hold_for: int, bridging: int) -> None:
        super().update(value, at, hold_for + 1, bridging)

    def advance(self, at: int, hold_for: int, bridging: int) -> None:
        super().advance(at, hold_for + 1, bridging)

    def due(self, hold_for: int, bridging: int) -> int | None:
        return super().due(hold_for + 1, bridging)


class ATickEarly(Lasting):
    """It takes T less one tick."""

    def update(self, value: bool, at: int, hold_for: int, bridging: int) -> None:
        super().update(value, at, hold_for - 1, bridging)

    def advance(self, at: int, hold_for: int, bridging: int) -> None:
        super().advance(at, hold_for - 1, bridging)

    def due(self, hold_for: int, bridging: int) -> int | None:
        return super().due(hold_for - 1, bridging)


class DeadlineBeforeTheMessage(Lasting):
    """At one instant the deadline comes first: true until exactly start + T holds."""

    def update(self, value: bool, at: int, hold_for: int, bridging: int) -> None:
        if self.run_start is not None and self.gap_start is None and at - self.run_start >= hold_for:
            self.holds = True
        super().update(value, at, hold_for, bridging)


class NeverWakes(Lasting):
    """Its deadlines are missed: it changes at snapshots only."""

    def due(self, hold_for: int, bridging: int) -> int | None:
        return None


class EndsWithTheCondition(Lasting):
    """It ends where the gap begins, not where the gap reaches G."""

    def update(self, value: bool, at: int, hold_for: int, bridging: int) -> None:
        super().update(value, at, hold_for, bridging)
        if not value:
            self.holds = False


class EndsATickLate(Lasting):
    """It ends one tick after gap start + G."""

    def due(self, hold_for: int, bridging: int) -> int | None:
        due = super().due(hold_for, bridging)
        return due if due is None or self.gap_start is None else due + 1


class NewRunGoesOnHolding(Lasting):
    """True at exactly gap start + G: a new run, but holding does not end."""

    def update(self, value: bool, at: int, hold_for: int, bridging: int) -> None:
        held = self.holds
        super().update(value, at, hold_for, bridging)
        self.holds = self.holds or (held and value)


class RunFromSince(Lasting):
    """A run starts before the snapshot that showed it: at the `since` that it told."""

    def update(self, value: bool, at: int, hold_for: int, bridging: int) -> None:
        if value and self.run_start is None:
            self.run_start = max(0, at - 2)  # what the alarm condition's `since` might say
        super().update(value, at, hold_for, bridging)


class CountsOnlyTrueTime(Lasting):
    """Bridged gaps do not count towards T."""

    def update(self, value: bool, at: int, hold_for: int, bridging: int) -> None:
        if value and self.run_start is not None and self.gap_start is not None:
            gap = at - self.gap_start
            if gap < bridging and not self.holds:
                self.run_start += gap
        super().update(value, at, hold_for, bridging)


MUTANTS = [kind for kind in Lasting.__subclasses__() if kind.__module__ == __name__]
