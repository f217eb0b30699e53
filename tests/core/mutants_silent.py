"""Wrong `silent` memories, each with one mistake, that a comparison must find."""

from __future__ import annotations

from monitor.core.patterns import Silent


class ATickLate(Silent):
    """It takes T and one tick."""

    def advance(self, at: int, silent_for: int) -> None:
        super().advance(at, silent_for + 1)

    def due(self, silent_for: int) -> int | None:
        return super().due(silent_for + 1)


class ATickEarly(Silent):
    """It takes T less one tick."""

    def advance(self, at: int, silent_for: int) -> None:
        if at != self.last:  # not as the message comes
            super().advance(at, silent_for - 1)

    def due(self, silent_for: int) -> int | None:
        return super().due(silent_for - 1)


class MessageAtTIsLate(Silent):
    """A message at exactly last + T does not prevent it: the deadline comes before the message."""

    __slots__ = ("limit",)

    def __init__(self) -> None:
        super().__init__()
        self.limit = 0

    def update(self, at: int | None) -> None:
        late = self.last is not None and at == self.last + self.limit
        super().update(at)
        self.holds = late

    def advance(self, at: int, silent_for: int) -> None:
        self.limit = silent_for
        super().advance(at, silent_for)


class GoesOnHolding(Silent):
    """A message does not end it."""

    def update(self, at: int | None) -> None:
        held = self.holds
        super().update(at)
        self.holds = held


class RestGoesOnHolding(Silent):
    """A message that lets it rest does not end it."""

    def update(self, at: int | None) -> None:
        held = self.holds
        super().update(at)
        self.holds = held and at is None


class NeverRests(Silent):
    """It does not rest: a message that says so changes nothing."""

    def update(self, at: int | None) -> None:
        if at is not None or self.holds:
            super().update(self.last if at is None else at)


class RestsForEver(Silent):
    """After a rest no message wakes it."""

    __slots__ = ("rested",)

    def __init__(self) -> None:
        super().__init__()
        self.rested = False

    def update(self, at: int | None) -> None:
        self.rested = self.rested or at is None
        super().update(None if self.rested else at)


class CountsFromTheFirst(Silent):
    """Only the first message starts the count; later ones do not put it off."""

    def update(self, at: int | None) -> None:
        super().update(self.last if at is not None and self.last is not None and not self.holds else at)


class NeverWakes(Silent):
    """Its deadline is missed."""

    def due(self, silent_for: int) -> int | None:
        return None


MUTANTS = [kind for kind in Silent.__subclasses__() if kind.__module__ == __name__]
