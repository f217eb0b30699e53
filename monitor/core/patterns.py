"""The three temporal patterns that rules are made of, in integer milliseconds.

One operator, one class. Each takes what one snapshot says (`update`), lets its own deadline pass (`advance`), tells
that deadline (`due`) and whether it holds (`holds`). The caller keeps the order of one instant: deadlines before it,
then the snapshot, then deadlines at it. Values are right-continuous: a snapshot's value counts from its instant on.

Editing rules: no pattern knows a device, a rule or a unit of measure; every boundary is an exact integer comparison;
a change here changes what an independent definition of these operators is compared with.
"""

from __future__ import annotations


class Lasting:
    """True for T milliseconds, gaps shorter than G bridged; over when a gap reaches G."""

    __slots__ = ("gap_start", "holds", "run_start")

    def __init__(self) -> None:
        self.run_start: int | None = None
        self.gap_start: int | None = None
        self.holds = False

    def update(self, value: bool, at: int, hold_for: int, bridging: int) -> None:
        """Take the condition's value from the snapshot at instant `at`."""
        if value:
            if self.run_start is None or (self.gap_start is not None and at - self.gap_start >= bridging):
                self.run_start = at  # a snapshot true at exactly gap start + G starts a new run
                self.holds = False
            self.gap_start = None
            if at - self.run_start >= hold_for:
                self.holds = True
        elif self.run_start is not None:
            if self.gap_start is None:
                self.gap_start = at
            if at - self.gap_start >= bridging:
                self._over()

    def advance(self, at: int, hold_for: int, bridging: int) -> None:
        """Let deadlines up to and including `at` take effect; the condition has not changed since the last snapshot."""
        if self.run_start is None:
            return
        if self.gap_start is None:
            if at - self.run_start >= hold_for:
                self.holds = True
        elif at - self.gap_start >= bridging:
            self._over()

    def due(self, hold_for: int, bridging: int) -> int | None:
        """The next instant at which `holds` changes without a snapshot, if any."""
        if self.run_start is None:
            return None
        if self.gap_start is not None:
            return self.gap_start + bridging if self.holds else None
        return None if self.holds else self.run_start + hold_for

    def idle(self, at: int, bridging: int) -> bool:
        """Whether nothing is remembered any more, so that a fresh memory would behave the same."""
        if self.run_start is None:
            return True
        return not self.holds and self.gap_start is not None and at - self.gap_start >= bridging

    def _over(self) -> None:
        self.run_start = self.gap_start = None
        self.holds = False

    def dump(self) -> list[int | bool | None]:
        """The memory as JSON values."""
        return [self.run_start, self.gap_start, self.holds]

    @classmethod
    def load(cls, state: list[int | None]) -> Lasting:
        """The memory from what `dump` gave."""
        memory = cls()
        memory.run_start, memory.gap_start, holds = state
        memory.holds = bool(holds)
        return memory


class Recurring:
    """N onsets within W milliseconds; over when all is clear and Q milliseconds passed without an onset."""

    __slots__ = ("_times", "active", "holds", "onsets")

    def __init__(self, times: int) -> None:
        # N onsets lie in (t - W, t] exactly when the N-th newest does: older ones never matter.
        self._times = times
        self.onsets: tuple[int, ...] = ()
        self.active = False
        self.holds = False

    def update(self, new_onsets: int, active: bool, at: int, within: int, quiet: int) -> None:
        """Take from the snapshot at `at` how many onsets it shows and whether any condition of the kind is active."""
        self.active = active
        if new_onsets:
            self.onsets = (*self.onsets, *(at for _ in range(new_onsets)))[-self._times :]
        if not self.holds:
            if new_onsets and len(self.onsets) == self._times and self.onsets[0] > at - within:
                self.holds = True
        else:
            self.advance(at, quiet)

    def advance(self, at: int, quiet: int) -> None:
        """Let the quiet deadline up to and including `at` take effect."""
        if self.holds and not self.active and self.onsets[-1] <= at - quiet:
            self.holds = False

    def due(self, quiet: int) -> int | None:
        """The next instant at which `holds` changes without a snapshot, if any."""
        return self.onsets[-1] + quiet if self.holds and not self.active else None

    def idle(self, at: int, within: int) -> bool:
        """Whether a fresh memory would behave the same."""
        return not self.holds and (not self.onsets or self.onsets[-1] <= at - within)

    def dump(self) -> list[object]:
        """The memory as JSON values."""
        return [list(self.onsets), self.active, self.holds]

    @classmethod
    def load(cls, state: list[object], times: int) -> Recurring:
        """The memory from what `dump` gave."""
        memory = cls(times)
        onsets, active, holds = state
        assert isinstance(onsets, list)
        memory.onsets = tuple([int(onset) for onset in onsets])[-times:]
        memory.active, memory.holds = bool(active), bool(holds)
        return memory


class Silent:
    """No message for T milliseconds; over at the next message."""

    __slots__ = ("holds", "last")

    def __init__(self) -> None:
        self.last: int | None = None  # None: resting
        self.holds = False

    def update(self, at: int | None) -> None:
        """A message came at `at`; None lets the pattern rest until the next one."""
        self.last = at
        self.holds = False

    def advance(self, at: int, silent_for: int) -> None:
        """Let the deadline up to and including `at` take effect."""
        if self.last is not None and at - self.last >= silent_for:
            self.holds = True

    def due(self, silent_for: int) -> int | None:
        """The next instant at which `holds` changes without a message, if any."""
        return None if self.last is None or self.holds else self.last + silent_for

    def dump(self) -> list[int | bool | None]:
        """The memory as JSON values."""
        return [self.last, self.holds]

    @classmethod
    def load(cls, state: list[int | None]) -> Silent:
        """The memory from what `dump` gave."""
        memory = cls()
        memory.last, holds = state
        memory.holds = bool(holds)
        return memory
