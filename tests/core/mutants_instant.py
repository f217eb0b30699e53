"""Devices that step wrongly through an instant, each with one mistake, that a comparison must find."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from monitor.core.device import Device, Edge
from monitor.core.messages import Snapshot
from monitor.core.picture import Picture
from monitor.core.plans import UTC, Zone
from monitor.core.rulebook import CompiledRule

Steps = Iterator[tuple[int, list[Edge]]]


class DeadlineBeforeTheMessage(Device):
    """Deadlines at a snapshot's instant come before it."""

    def instants(self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC) -> Steps:
        yield from super().instants(None, at, receipt, zone)
        yield from super().instants(snapshot, at, receipt, zone)


class DeadlinesAfterTheMessage(Device):
    """Deadlines before a snapshot are passed after it."""

    def instants(self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC) -> Steps:
        if snapshot is not None:
            self.picture.apply(snapshot, at, receipt, zone)
            yield at, self.subject.instant(self.rules, self.picture, at, fresh=True, receipt=receipt)
        yield from super().instants(None, at, receipt, zone)


class StampedAtTheMessage(Device):
    """What happened before a snapshot is told as of the snapshot."""

    def instants(self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC) -> Steps:
        for _, edges in super().instants(snapshot, at, receipt, zone):
            yield at, edges


class OnlyTheFirstDeadline(Device):
    """Of several deadlines before a snapshot or within a wait all but the first are missed."""

    def instants(self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC) -> Steps:
        if (due := self.due()) is not None and due < at:
            yield from super().instants(None, due, receipt, zone)
        if snapshot is not None:
            self.picture.apply(snapshot, at, receipt, zone)
            yield at, self.subject.instant(self.rules, self.picture, at, fresh=True, receipt=receipt)


class DeadlineAtTheMessageMissed(Device):
    """A deadline at a snapshot's instant that the snapshot does not prevent takes effect a tick later."""

    def instants(self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC) -> Steps:
        yield from super().instants(None, at - 1, receipt, zone)
        missed = snapshot is not None and self.due() == at
        for instant, edges in super().instants(snapshot, at, receipt, zone):
            yield instant + missed, edges


class MessageAtADeadlineLost(Device):
    """A snapshot at exactly a deadline is taken for late."""

    def instants(self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC) -> Steps:
        yield from super().instants(None, at - 1, receipt, zone)
        yield from super().instants(None if self.due() == at else snapshot, at, receipt, zone)


class MessageAtADeadlineOvertaken(Device):
    """A snapshot at exactly a deadline acts a tick after it."""

    def instants(self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC) -> Steps:
        yield from super().instants(None, at - 1, receipt, zone)
        if snapshot is not None and self.due() == at:
            yield from super().instants(None, at, receipt, zone)
            at += 1
        yield from super().instants(snapshot, at, receipt, zone)


class WaitStopsShort(Device):
    """A wait does not include its end."""

    def instants(self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC) -> Steps:
        yield from super().instants(snapshot, at if snapshot is not None else at - 1, receipt, zone)


class ATickLate(Device):
    """Deadlines take effect a tick after they are due."""

    def instants(self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC) -> Steps:
        while (due := self.due()) is not None and due + 1 < at:
            yield due + 1, self.subject.instant(self.rules, self.picture, due + 1, fresh=False)
        yield from super().instants(snapshot, at, receipt, zone)


class TellsEachMemory(Device):
    """What ends and begins again at one instant, or goes on by another memory, is told."""

    def instants(self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC) -> Steps:
        before = self._runs()
        for instant, edges in super().instants(snapshot, at, receipt, zone):
            after = self._runs()
            again = [(rule, begun) for rule, begun in after.items() if before.get(rule, begun) < begun]
            rules = {rule.id: rule for rule in self.rules}
            told = [
                Edge(instant, rules[rule], kind, self.subject.tops[rule], begun)
                for rule, begun in again
                for kind in ("ends", "holds")
            ]
            yield instant, [*edges, *told]
            before = after

    def _runs(self) -> dict[str, int]:
        tracks = self.subject.tracks
        runs = {rule.id: tracks[rule.id].since(rule) for rule in self.rules if rule.id in tracks}
        return {rule: begun for rule, begun in runs.items() if begun is not None and rule == "lasts"}


class OneMemoryForAll(Device):
    """A rule with a memory for each alarm condition keeps one for all."""

    def __init__(self, name: str, picture: Picture, rules: tuple[CompiledRule, ...]) -> None:
        super().__init__(name, picture, tuple([replace(rule, each=False) for rule in rules]))


class RunsFromSince(Device):
    """An alarm condition counts from the `since` that it tells, before the snapshot that showed it."""

    def instants(self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC) -> Steps:
        told = [alarm.since for alarm in snapshot.alarms if alarm.since is not None] if snapshot else []
        for since in sorted({since for since in told if self.subject.stepped < since < at}):
            yield from super().instants(snapshot, since, since, zone)
        yield from super().instants(snapshot, at, receipt, zone)


class RaisedAgain(Device):
    """A priority that has fallen is told when it rises again."""

    def instants(self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC) -> Steps:
        for instant, edges in super().instants(snapshot, at, receipt, zone):
            ranks = {
                rule.id: track.rank(rule)
                for rule in self.rules
                if (track := self.subject.tracks.get(rule.id)) is not None
            }
            self.subject.tops = {rule: rank for rule, rank in ranks.items() if rank}
            yield instant, edges


class NeverRaised(Device):
    """A priority that rises while the rule holds is not told."""

    def instants(self, snapshot: Snapshot | None, at: int, receipt: int, zone: Zone = UTC) -> Steps:
        for instant, edges in super().instants(snapshot, at, receipt, zone):
            yield instant, [edge for edge in edges if edge.kind != "priority-raised"]


MUTANTS = [kind for kind in Device.__subclasses__() if kind.__module__ == __name__]
RANK_ONLY = [RaisedAgain, NeverRaised]  # a monitor of true and false cannot tell these
