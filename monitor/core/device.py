"""One subject stepped through its instants: deadlines before a snapshot, the snapshot, deadlines at that instant.

Only what holds after an instant is compared with what held before it; what ends and begins again at one instant is no
event. Editing rules: nothing here knows concerns; times only grow.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Literal, NamedTuple

from monitor.core.messages import Snapshot
from monitor.core.picture import Picture
from monitor.core.plans import UTC, Zone
from monitor.core.rulebook import CompiledRule
from monitor.core.tracks import KINDS, SilentTrack, Track, stirred_by


class Edge(NamedTuple):
    """A rule began (`holds`), ended (`ends`) or rose (`priority-raised`) at an instant; `since` is when it started."""

    at: int
    rule: CompiledRule
    kind: str
    rank: int
    since: int | None


class Subject:
    """The tracks of one device or unit, and which rules hold with which rank."""

    __slots__ = ("_next", "stepped", "tops", "tracks")

    def __init__(self) -> None:
        self._next: int | Literal["unknown"] | None = (
            None  # the next deadline, kept until something changes it
        )
        self.tracks: dict[str, Track] = {}
        self.tops: dict[str, int] = {}  # highest rank since each holding rule began to hold
        self.stepped = 0  # the last instant that was stepped through

    def instant(
        self, rules: Sequence[CompiledRule], picture: Any, at: int, *, fresh: bool, receipt: int = 0
    ) -> list[Edge]:
        """Step through one instant; `fresh`: the picture has changed, by a message of this receipt or (0) without."""
        edges: list[Edge] = []
        self.stepped = at
        self._next = "unknown"
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
                    track = tracks[rule.id] = KINDS[rule.pattern]()
                track.update(rule, picture, at, receipt, stirred)
            assert track is not None
            track.advance(rule, at)
            rank, top = track.rank(rule), self.tops.get(rule.id, 0)
            if rank > top:
                edges.append(Edge(at, rule, "priority-raised" if top else "holds", rank, track.since(rule)))
                self.tops[rule.id] = rank
            elif top and not rank:
                edges.append(Edge(at, rule, "ends", top, None))
                del self.tops[rule.id]
            if not rank and track.idle(rule, at):
                del self.tracks[rule.id]
        return edges

    def due(self, rules: Sequence[CompiledRule]) -> int | None:
        """The next deadline of any rule."""
        if self._next == "unknown":
            self._next = None
            for rule in rules if self.tracks else ():
                track = self.tracks.get(rule.id)
                due = None if track is None else track.due(rule)
                if due is not None and (self._next is None or due < self._next):
                    self._next = due
        return self._next

    def restart_silence(self, at: int) -> None:
        """Count silences anew, as when sight has returned."""
        self._next = "unknown"
        for track in self.tracks.values():
            if isinstance(track, SilentTrack):
                track.restart(at)

    def dump(self, rules: Sequence[CompiledRule]) -> dict[str, Any]:
        """Tracks as JSON values, each beside the digest of the rule that it was kept for."""
        kept = {
            rule.id: [rule.digest, self.tops.get(rule.id, 0), self.tracks[rule.id].dump()]
            for rule in rules
            if rule.id in self.tracks
        }
        return {"stepped": self.stepped, "tracks": kept}

    @classmethod
    def load(cls, state: dict[str, Any], rules: Sequence[CompiledRule]) -> tuple[Subject, list[str]]:
        """The subject from what `dump` gave, and the ids of the rules that changed and so start afresh."""
        subject = cls()
        subject._next = "unknown"
        subject.stepped = state["stepped"]
        changed = []
        by_id = {rule.id: rule for rule in rules}
        for rule_id, (digest, top, memory) in state["tracks"].items():
            rule = by_id.get(rule_id)
            if rule is None or rule.digest != digest:
                changed.append(rule_id)
                continue
            subject.tracks[rule_id] = KINDS[rule.pattern].load(memory, rule)
            if top:
                subject.tops[rule_id] = top
        return subject, changed


class Device:
    """One pump: its picture, its tracks, and the rules that apply to it."""

    __slots__ = ("calm_due", "name", "picture", "queued", "resting", "rules", "subject")

    def __init__(self, name: str, picture: Picture, rules: tuple[CompiledRule, ...]) -> None:
        self.name = name
        self.picture = picture
        self.subject = Subject()
        self.rules = rules
        self.resting = False  # no sight: rule deadlines rest
        self.calm_due: int | None = None  # set by whoever waits for the device to be safe again
        self.queued: int | None = None  # the instant at which the engine's heap has this device

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
