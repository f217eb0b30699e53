"""One subject stepped through its instants: deadlines before a snapshot, the snapshot, deadlines at that instant.

Only what holds after an instant is compared with what held before it; what ends and begins again at one instant is no
event. Editing rules: nothing here knows concerns; times only grow.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Literal, NamedTuple, TypeVar

from monitor.core.messages import Snapshot
from monitor.core.picture import Picture
from monitor.core.plans import UTC, Zone
from monitor.core.rulebook import CompiledRule
from monitor.core.tracks import FOR_EVER, KINDS, SilentTrack, Track, stirred_by


class Edge(NamedTuple):
    """A rule began (`holds`), ended (`ends`) or rose (`priority-raised`) at an instant; `since` is when it started."""

    at: int
    rule: CompiledRule
    kind: str
    rank: int
    since: int | None


V = TypeVar("V")
NO_TRACKS: Mapping[str, Track] = MappingProxyType({})  # one for all subjects without, as most are
NO_TOPS: Mapping[str, int] = MappingProxyType({})
RESTS = -1  # in `queued`: its deadline has come up while it could not be seen


class Subject:
    """The tracks of one device or unit, and which rules hold with which rank."""

    __slots__ = ("_next", "_steady", "_until", "marked", "stepped", "tops", "tracks")

    def __init__(self) -> None:
        self._next: int | Literal["unknown"] | None = (
            None  # the next deadline, kept until something changes it
        )
        # The shortest silence (ms) that counts, if a snapshot that says the same again before `_until` would change
        # nothing but that; 0 if it might.
        self._steady, self._until = 0, FOR_EVER
        self.tracks = NO_TRACKS
        self.tops = NO_TOPS  # highest rank since each holding rule began to hold
        self.stepped = 0  # the last instant that was stepped through
        self.marked = 0  # the number of the last return of sight from which silence counts

    def instant(
        self, rules: Sequence[CompiledRule], picture: Any, at: int, *, fresh: bool, receipt: int = 0
    ) -> list[Edge]:
        """Step through one instant; `fresh`: the picture has changed, by a message of this receipt or (0) without."""
        edges: list[Edge] = []
        self.stepped = at
        self._next, self._steady = "unknown", 0
        tracks, no_alarm = self.tracks, not picture.alarms
        for rule in rules:
            track = tracks.get(rule.id)
            if track is None and (not fresh or (no_alarm and rule.only_alarms)):
                continue  # the usual case: a quiet pump
            if fresh:
                stirred = stirred_by(rule, picture)
                if track is None:
                    if not stirred:
                        continue
                    track = KINDS[rule.pattern]()
                    self.tracks = tracks = {**tracks, rule.id: track}
                track.update(rule, picture, at, receipt, stirred)
            assert track is not None
            track.advance(rule, at)
            rank, top = track.rank(rule), self.tops.get(rule.id, 0)
            if rank > top:
                edges.append(Edge(at, rule, "priority-raised" if top else "holds", rank, track.since(rule)))
                self.tops = {**self.tops, rule.id: rank}
            elif top and not rank:
                edges.append(Edge(at, rule, "ends", top, None))
                self.tops = _without(self.tops, rule.id) or NO_TOPS
            if not rank and track.idle(rule, at):
                self.tracks = tracks = _without(tracks, rule.id) or NO_TRACKS
        if fresh and not self.tops:
            self._settle(rules)
        return edges

    def _settle(self, rules: Sequence[CompiledRule]) -> None:
        """Find out for how long a snapshot that says the same again changes nothing, now that no rule holds."""
        shortest = until = FOR_EVER
        for rule in rules:
            if rule.counts:
                return
            if (track := self.tracks.get(rule.id)) is not None:
                until = min(until, track.steady_until(rule))
                if isinstance(track, SilentTrack):
                    shortest = min(shortest, track.shortest(rule))
        if until:
            self._steady, self._until = shortest, until

    def repeats(self, rules: Sequence[CompiledRule], at: int, receipt: int) -> bool:
        """Whether a snapshot that says the same again, acting at `at`, could but put off silence."""
        steady = self._steady
        if not steady or not self.stepped < at < self._until or at - receipt >= steady:
            return False
        due = self.due(rules) if self._next == "unknown" else self._next
        return due is None or at <= due

    def repeat(self, at: int, receipt: int) -> None:
        """Step through the instant of such a snapshot."""
        self.stepped = at
        if self.tracks:
            for track in self.tracks.values():
                if isinstance(track, SilentTrack):
                    track.hear(receipt)
            self._next = receipt + self._steady if self._until == FOR_EVER else "unknown"

    def share(self, *instants: int) -> None:
        """Keep one object for each instant that is one of these, as when they were live: there are many devices."""
        for instant in instants:
            if self.stepped == instant:
                self.stepped = instant
            for track in self.tracks.values():
                if isinstance(track, SilentTrack):
                    track.share(instant)

    def unsettle(self) -> None:
        """Something that rules look at changes otherwise than by a snapshot: the next one is looked at in full."""
        self._steady = 0

    def due(self, rules: Sequence[CompiledRule]) -> int | None:
        """The next deadline of any rule."""
        if self._next == "unknown":
            soonest: int | None = None
            if tracks := self.tracks:
                left = len(tracks)
                for rule in rules:
                    if (track := tracks.get(rule.id)) is not None:
                        due = track.due(rule)
                        if due is not None and (soonest is None or due < soonest):
                            soonest = due
                        if not (left := left - 1):
                            break
            self._next = soonest
        return self._next

    def restart_silence(self, at: int) -> None:
        """Count silences anew, as when sight has returned."""
        self._next = "unknown"
        for track in self.tracks.values():
            if isinstance(track, SilentTrack):
                track.restart(at)

    def dump(self, rules: Sequence[CompiledRule]) -> dict[str, Any]:
        """Tracks as JSON values, each beside the digest of the rule that it was kept for."""
        kept: dict[str, tuple[str, int, Any]] = {}
        if tracks := self.tracks:
            tops, left = self.tops, len(tracks)
            for rule in rules:
                if (track := tracks.get(rule.id)) is not None:
                    kept[rule.id] = (rule.digest, tops.get(rule.id, 0) if tops else 0, track.dump())
                    if not (left := left - 1):
                        break
        return {"stepped": self.stepped, "tracks": kept, "marked": self.marked}

    @classmethod
    def load(cls, state: dict[str, Any], rules: Sequence[CompiledRule]) -> tuple[Subject, list[str]]:
        """The subject from what `dump` gave, and the ids of the rules that changed and so start afresh."""
        subject = cls()
        subject._next = "unknown"
        subject.stepped, subject.marked = state["stepped"], state.get("marked", 0)
        changed: list[str] = []
        tracks: dict[str, Track] = {}
        tops: dict[str, int] = {}
        for rule_id, (digest, top, memory) in state["tracks"].items():
            for rule in rules:
                if rule.id == rule_id and rule.digest == digest:
                    tracks[rule.id] = KINDS[rule.pattern].load(memory, rule)
                    if top:
                        tops[rule.id] = top
                    break
            else:
                changed.append(rule_id)
        subject.tracks, subject.tops = tracks or NO_TRACKS, tops or NO_TOPS
        return subject, changed


def _without(mapping: Mapping[str, V], key: str) -> dict[str, V]:
    return {known: value for known, value in mapping.items() if known != key}


class Device:
    """One pump: its picture, its tracks, and the rules that apply to it."""

    __slots__ = ("calm_due", "counted", "name", "picture", "queued", "rules", "subject")

    def __init__(self, name: str, picture: Picture, rules: tuple[CompiledRule, ...]) -> None:
        self.name = name
        self.picture = picture
        self.subject = Subject()
        self.rules = rules
        self.counted: tuple[str, str, bool] | None = (
            None  # where the fleet counts it: unit, bridge, glucose risk
        )
        self.calm_due: int | None = None  # set by whoever waits for the device to be safe again
        self.queued: int | None = None  # the instant at which the engine's heap has this device, or RESTS

    def state(self) -> tuple[Any, ...]:
        """All of it as it is now, for `restore`: cheap, as it is asked for before each message."""
        subject = self.subject
        tracks = [(rule, track.dump()) for rule, track in subject.tracks.items()]
        return (
            self.picture.state(), tracks, subject.tops, subject.stepped, self.rules, subject.marked, self.calm_due
        )  # fmt: skip

    def restore(self, state: tuple[Any, ...]) -> None:
        """Be again what `state` gave; `queued` stays, as the heap is as it is."""
        picture, tracks, tops, stepped, self.rules, marked, self.calm_due = state
        self.picture.restore(picture)
        self.subject = subject = Subject()
        by_id = {rule.id: rule for rule in self.rules}
        subject.tracks = {
            rule_id: KINDS[by_id[rule_id].pattern].load(memory, by_id[rule_id]) for rule_id, memory in tracks
        } or NO_TRACKS
        subject.tops, subject.stepped, subject.marked, subject._next = tops, stepped, marked, "unknown"

    def due(self) -> int | None:
        """The next deadline of a rule, or of being safe again."""
        due = self.subject.due(self.rules)
        if self.calm_due is not None and (due is None or self.calm_due < due):
            return self.calm_due
        return due

    def instants(
        self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC
    ) -> Iterator[tuple[int, list[Edge]]]:
        """Step up to and including `at`; yields each instant with its edges, for the caller to act on at once."""
        while (due := self.due()) is not None and due < at:
            yield due, self._deadline(due)
        if snapshot is None:
            if due is not None and due <= at:
                yield at, self._deadline(at)
            return
        self.picture.apply(snapshot, at, receipt, zone)
        edges = self.subject.instant(self.rules, self.picture, at, fresh=True, receipt=receipt)
        yield at, edges

    def _deadline(self, at: int) -> list[Edge]:
        if self.calm_due is not None and self.calm_due <= at:
            self.calm_due = None
        return self.subject.instant(self.rules, self.picture, at, fresh=False)
