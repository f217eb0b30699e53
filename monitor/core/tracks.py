"""What a rule remembers about one subject: a track for each rule that has anything to remember.

A quiet device has no tracks at all, which is what makes many devices cheap. Editing rules: a track knows patterns and
compiled rules, never concerns; `idle` may be true only if a fresh track would behave the same from here on.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

from monitor.core.messages import AlarmCondition
from monitor.core.patterns import Lasting, Recurring, Silent
from monitor.core.rulebook import RANK, CompiledRule

FOR_EVER = 1 << 62  # ms
Key = tuple[int, str, str]  # branch, condition, line; ("", "") where the memory is one for all


class Track(Protocol):
    """One rule's memory of one subject."""

    def update(
        self, rule: CompiledRule, picture: Any, at: int, receipt: int, stirred: dict[Key, int]
    ) -> None:
        """Take the snapshot just applied to the picture."""

    def advance(self, rule: CompiledRule, at: int) -> None:
        """Let deadlines up to and including `at` take effect."""

    def due(self, rule: CompiledRule) -> int | None:
        """The next deadline."""

    def rank(self, rule: CompiledRule) -> int:
        """0 if the rule does not hold, else the rank of the priority that it holds with."""

    def idle(self, rule: CompiledRule, at: int) -> bool:
        """Whether there is nothing to remember."""

    def steady_until(self, rule: CompiledRule) -> int:
        """Up to which instant (ms) snapshots that say the same again change nothing but silence; 0 if the next may."""

    def since(self, rule: CompiledRule) -> int | None:
        """When what holds began: the start of the run, the first of the onsets, the last message."""

    def dump(self) -> Any:
        """The memory as JSON values."""


def stirred_by(rule: CompiledRule, picture: Any) -> dict[Key, int]:
    """Which of the rule's conditions the picture makes true now, with the rank that each would have."""
    found: dict[Key, int] = {}
    index = -1
    for branch in rule.branches:
        index += 1
        if branch.test is not None:
            if branch.test(picture):
                found[index, "", ""] = branch.rank
        elif branch.alarm is not None and picture.alarms:
            for alarm in picture.alarms:
                if branch.alarm(alarm):
                    key = (index, alarm.condition, alarm.line) if rule.each else (index, "", "")
                    found[key] = max(found.get(key, 0), branch.rank or RANK[alarm.priority])
    return found


def counted(rule: CompiledRule, picture: Any, at: int) -> list[tuple[int, AlarmCondition]]:
    """The onsets that a `recurring` rule has counted up to instant `at`, as far as the picture remembers them."""
    if rule.pattern != "recurring":
        return []
    return [
        (onset, alarm)
        for onset, alarm in picture.recent
        if any(b.alarm is not None and b.alarm(alarm) and at - b.within < onset <= at for b in rule.branches)
    ]


def lets_go(rules: Sequence[CompiledRule], rule_id: str, picture: Any) -> bool:
    """Whether, at a snapshot, the condition of a rule as it is now is false; a rule that is gone has let go too."""
    rule = next((rule for rule in rules if rule.id == rule_id), None)
    return rule is None or rule.pattern == "silent" or not stirred_by(rule, picture)


class LastingTrack:
    """Runs of a `lasting` rule, one for each branch and, if the rule says so, each alarm condition."""

    __slots__ = ("runs",)

    def __init__(self) -> None:
        self.runs: dict[Key, tuple[Lasting, int]] = {}

    def update(
        self, rule: CompiledRule, picture: Any, at: int, receipt: int, stirred: dict[Key, int]
    ) -> None:
        """Take the snapshot just applied to the picture."""
        for key in [*self.runs, *(key for key in stirred if key not in self.runs)]:
            run, rank = self.runs.get(key) or (Lasting(), 0)
            branch = rule.branches[key[0]]
            run.update(key in stirred, at, branch.hold_for, branch.bridging)
            if run.idle(at, branch.bridging):
                del self.runs[key]
            else:
                self.runs[key] = (run, stirred.get(key, rank))

    def advance(self, rule: CompiledRule, at: int) -> None:
        """Let deadlines up to and including `at` take effect."""
        for key in list(self.runs):
            run, _ = self.runs[key]
            branch = rule.branches[key[0]]
            run.advance(at, branch.hold_for, branch.bridging)
            if run.idle(at, branch.bridging):
                del self.runs[key]

    def due(self, rule: CompiledRule) -> int | None:
        """The next deadline."""
        dues = [
            due
            for key, (run, _) in self.runs.items()
            if (due := run.due(rule.branches[key[0]].hold_for, rule.branches[key[0]].bridging)) is not None
        ]
        return min(dues, default=None)

    def rank(self, rule: CompiledRule) -> int:
        """The highest rank among the runs that hold."""
        return max((rank for run, rank in self.runs.values() if run.holds), default=0)

    def steady_until(self, rule: CompiledRule) -> int:
        """Up to which instant (ms) snapshots that stir the same again change nothing; 0 if the next may."""
        until = FOR_EVER
        for (index, _, _), (run, _) in self.runs.items():
            if run.gap_start is not None or run.run_start is None or run.holds:
                return 0
            until = min(until, run.run_start + rule.branches[index].hold_for)
        return until

    def idle(self, rule: CompiledRule, at: int) -> bool:
        """Whether there is nothing to remember."""
        return not self.runs

    def since(self, rule: CompiledRule) -> int | None:
        """The start of the longest run that holds."""
        return min(
            (run.run_start for run, _ in self.runs.values() if run.holds and run.run_start), default=None
        )

    def dump(self) -> Any:
        """The memory as JSON values."""
        return [[*key, run.dump(), rank] for key, (run, rank) in self.runs.items()]

    @classmethod
    def load(cls, state: Any, rule: CompiledRule) -> LastingTrack:
        """The memory from what `dump` gave."""
        track = cls()
        for branch, condition, line, run, rank in state:
            track.runs[branch, condition, line] = (Lasting.load(run), rank)
        return track


class RecurringTrack:
    """Onsets of a `recurring` rule."""

    __slots__ = ("memories",)

    def __init__(self) -> None:
        self.memories: dict[Key, Recurring] = {}

    def update(
        self, rule: CompiledRule, picture: Any, at: int, receipt: int, stirred: dict[Key, int]
    ) -> None:
        """Take the snapshot just applied to the picture."""
        for index, branch in enumerate(rule.branches):
            assert branch.alarm is not None
            onsets: dict[Key, int] = {}
            for alarm in picture.new_onsets:
                if branch.alarm(alarm):
                    key = _onset_key(rule, index, alarm)
                    onsets[key] = onsets.get(key, 0) + 1
            for key in [*self.memories, *(key for key in onsets if key not in self.memories)]:
                if key[0] == index:
                    memory = self.memories.setdefault(key, Recurring(branch.times))
                    memory.update(onsets.get(key, 0), key in stirred, at, branch.within, branch.quiet)

    def advance(self, rule: CompiledRule, at: int) -> None:
        """Let quiet deadlines up to and including `at` take effect."""
        for key, memory in self.memories.items():
            memory.advance(at, rule.branches[key[0]].quiet)

    def due(self, rule: CompiledRule) -> int | None:
        """The next deadline."""
        dues = [
            due
            for key, memory in self.memories.items()
            if (due := memory.due(rule.branches[key[0]].quiet)) is not None
        ]
        return min(dues, default=None)

    def rank(self, rule: CompiledRule) -> int:
        """The highest rank among the memories that hold."""
        return max(
            (rule.branches[key[0]].rank for key, memory in self.memories.items() if memory.holds), default=0
        )

    def steady_until(self, rule: CompiledRule) -> int:
        """Up to which instant (ms) snapshots without an onset change nothing; 0 if the next may."""
        until = FOR_EVER
        for (index, _, _), memory in self.memories.items():
            if memory.holds or not memory.onsets:
                return 0
            until = min(
                until, memory.onsets[-1] + rule.branches[index].within
            )  # from then on it is forgotten
        return until

    def idle(self, rule: CompiledRule, at: int) -> bool:
        """Forget what can no longer count; whether nothing is left."""
        for key in [
            key for key, memory in self.memories.items() if memory.idle(at, rule.branches[key[0]].within)
        ]:
            del self.memories[key]
        return not self.memories

    def since(self, rule: CompiledRule) -> int | None:
        """The first of the onsets that count."""
        return min((memory.onsets[0] for memory in self.memories.values() if memory.holds), default=None)

    def newest(self) -> int | None:
        """The newest onset that any memory has seen."""
        return max((memory.onsets[-1] for memory in self.memories.values() if memory.onsets), default=None)

    def active(self) -> bool:
        """Whether any alarm condition of the kind is active now."""
        return any(memory.active for memory in self.memories.values())

    def dump(self) -> Any:
        """The memory as JSON values."""
        return [[*key, memory.dump()] for key, memory in self.memories.items()]

    @classmethod
    def load(cls, state: Any, rule: CompiledRule) -> RecurringTrack:
        """The memory from what `dump` gave."""
        track = cls()
        for branch, condition, line, memory in state:
            track.memories[branch, condition, line] = Recurring.load(memory, rule.branches[branch].times)
        return track


class SilentTrack:
    """How long a `silent` rule has heard nothing; a branch whose condition is false rests."""

    __slots__ = ("branches", "memories")

    def __init__(self) -> None:
        # Tuples, the first of them shared: every feeding device has this.
        self.branches: tuple[int, ...] = ()
        self.memories: tuple[Silent, ...] = ()

    def update(
        self, rule: CompiledRule, picture: Any, at: int, receipt: int, stirred: dict[Key, int]
    ) -> None:
        """Take the snapshot just applied to the picture; silence counts from its receipt (0: nothing was received)."""
        if picture.activity == "off":
            self.branches = self.memories = ()
            return  # somebody switched it off: rest until the next message
        before = dict(zip(self.branches, self.memories, strict=True))
        branches = tuple([index for index, _, _ in stirred])
        if branches != self.branches:
            self.branches = _SHARED.setdefault(branches, branches)
            self.memories = tuple([before.get(index) or Silent() for index in branches])
        for index, memory in zip(self.branches, self.memories, strict=True):
            if not receipt:
                last = memory.last if index in before else picture.receipt
            elif at - receipt < rule.branches[index].hold_for:
                last = receipt
            else:
                last = at  # by a clock so far ahead, or a limit so short, it would be silent as it speaks
            memory.update(last)

    def restart(self, at: int) -> None:
        """Count anew from `at`, as when sight has returned."""
        for memory in self.memories:
            if memory.last is not None and not memory.holds:
                memory.update(max(at, memory.last))

    def hear(self, receipt: int) -> None:
        """Another message that changes nothing else, received at an instant from which all branches may count."""
        for memory in self.memories:
            memory.last = receipt

    def steady_until(self, rule: CompiledRule) -> int:
        """For ever: each message only puts it off; 0 while it holds."""
        return 0 if any(memory.holds for memory in self.memories) else FOR_EVER

    def shortest(self, rule: CompiledRule) -> int:
        """The shortest silence (ms) that any branch that does not rest waits for."""
        return min([rule.branches[index].hold_for for index in self.branches])

    def advance(self, rule: CompiledRule, at: int) -> None:
        """Let deadlines up to and including `at` take effect."""
        for index, memory in zip(self.branches, self.memories, strict=True):
            memory.advance(at, rule.branches[index].hold_for)

    def due(self, rule: CompiledRule) -> int | None:
        """The next deadline."""
        soonest: int | None = None
        for index, memory in zip(self.branches, self.memories, strict=True):
            due = memory.due(rule.branches[index].hold_for)
            if due is not None and (soonest is None or due < soonest):
                soonest = due
        return soonest

    def rank(self, rule: CompiledRule) -> int:
        """The highest rank among the branches that hold."""
        highest = 0
        for index, memory in zip(self.branches, self.memories, strict=True):
            if memory.holds and rule.branches[index].rank > highest:
                highest = rule.branches[index].rank
        return highest

    def idle(self, rule: CompiledRule, at: int) -> bool:
        """Whether there is nothing to remember."""
        return not self.branches

    def since(self, rule: CompiledRule) -> int | None:
        """The last message."""
        return min((memory.last for memory in self.memories if memory.last is not None), default=None)

    def dump(self) -> Any:
        """The memory as JSON values."""
        if len(self.branches) == 1:  # as it is for most devices
            return [[self.branches[0], self.memories[0].dump()]]
        return [[index, memory.dump()] for index, memory in zip(self.branches, self.memories, strict=True)]

    @classmethod
    def load(cls, state: Any, rule: CompiledRule) -> SilentTrack:
        """The memory from what `dump` gave."""
        track = cls()
        branches = tuple([index for index, _ in state])
        track.branches = _SHARED.setdefault(branches, branches)
        track.memories = tuple([Silent.load(memory) for _, memory in state])
        return track

    def share(self, instant: int) -> None:
        """Keep one object for an instant that is this one."""
        for memory in self.memories:
            if memory.last == instant:
                memory.last = instant


_SHARED: dict[tuple[int, ...], tuple[int, ...]] = {}  # one of each set of branches: rules have few


KINDS: dict[str, type[LastingTrack] | type[RecurringTrack] | type[SilentTrack]] = {
    "lasting": LastingTrack,
    "recurring": RecurringTrack,
    "silent": SilentTrack,
}


def _onset_key(rule: CompiledRule, index: int, alarm: AlarmCondition) -> Key:
    return (index, alarm.condition, alarm.line) if rule.each else (index, "", "")
