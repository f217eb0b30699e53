"""Wrong `recurring` memories, each with one mistake, that a comparison must find."""

from __future__ import annotations

from monitor.core.patterns import Recurring


class WindowClosed(Recurring):
    """An onset exactly W ago counts."""

    def update(self, new_onsets: int, active: bool, at: int, within: int, quiet: int) -> None:
        super().update(new_onsets, active, at, within + 1, quiet)


class WindowATickShort(Recurring):
    """An onset W less one tick ago does not count."""

    def update(self, new_onsets: int, active: bool, at: int, within: int, quiet: int) -> None:
        super().update(new_onsets, active, at, within - 1, quiet)


class SimultaneousOnce(Recurring):
    """Onsets at one instant count as one."""

    def update(self, new_onsets: int, active: bool, at: int, within: int, quiet: int) -> None:
        super().update(min(new_onsets, 1), active, at, within, quiet)


class EndingForgets(Recurring):
    """What ends forgets its onsets."""

    def advance(self, at: int, quiet: int) -> None:
        held = self.holds
        super().advance(at, quiet)
        if held and not self.holds:
            self.onsets = ()


class OnsetAtQuietEndIsLate(Recurring):
    """An onset at exactly last + Q does not prevent the end: the deadline comes before the message."""

    def update(self, new_onsets: int, active: bool, at: int, within: int, quiet: int) -> None:
        self.advance(at, quiet)
        super().update(new_onsets, active, at, within, quiet)


class QuietATickLong(Recurring):
    """Quiet takes Q and one tick."""

    def advance(self, at: int, quiet: int) -> None:
        super().advance(at, quiet + 1)

    def due(self, quiet: int) -> int | None:
        return super().due(quiet + 1)


class QuietFromClear(Recurring):
    """Quiet counts from when all was clear, not from the last onset."""

    __slots__ = ("cleared",)

    def __init__(self, times: int) -> None:
        super().__init__(times)
        self.cleared = 0

    def update(self, new_onsets: int, active: bool, at: int, within: int, quiet: int) -> None:
        if active or self.active:
            self.cleared = at
        super().update(new_onsets, active, at, within, quiet)

    def advance(self, at: int, quiet: int) -> None:
        if self.cleared <= at - quiet:
            super().advance(at, quiet)

    def due(self, quiet: int) -> int | None:
        due = super().due(quiet)
        return None if due is None else max(due, self.cleared + quiet)


class EndsWhileActive(Recurring):
    """A quiet time ends it although the condition is still active."""

    def update(self, new_onsets: int, active: bool, at: int, within: int, quiet: int) -> None:
        super().update(new_onsets, False, at, within, quiet)


class EndsWithTheCondition(Recurring):
    """It ends as soon as all is clear, without a quiet time."""

    def update(self, new_onsets: int, active: bool, at: int, within: int, quiet: int) -> None:
        super().update(new_onsets, active, at, within, quiet)
        if not active:
            self.holds = False


class OneMore(Recurring):
    """It takes N + 1."""

    def __init__(self, times: int) -> None:
        super().__init__(times + 1)


class OneFewer(Recurring):
    """N - 1 are enough."""

    def __init__(self, times: int) -> None:
        super().__init__(max(1, times - 1))


class BeginsWithoutAnOnset(Recurring):
    """Any snapshot within W of enough onsets begins it anew."""

    __slots__ = ("times",)

    def __init__(self, times: int) -> None:
        super().__init__(times)
        self.times = times

    def update(self, new_onsets: int, active: bool, at: int, within: int, quiet: int) -> None:
        held = self.holds
        super().update(new_onsets, active, at, within, quiet)
        if not held and len(self.onsets) == self.times and self.onsets[0] > at - within:
            self.holds = True


class DeafWhileHolding(Recurring):
    """Onsets while it holds neither count nor put off the end."""

    def update(self, new_onsets: int, active: bool, at: int, within: int, quiet: int) -> None:
        super().update(0 if self.holds else new_onsets, active, at, within, quiet)


class NeverWakes(Recurring):
    """Its deadline is missed: it ends at the next snapshot only."""

    def due(self, quiet: int) -> int | None:
        return None


MUTANTS = [kind for kind in Recurring.__subclasses__() if kind.__module__ == __name__]
