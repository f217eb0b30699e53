"""The deadlines of a fleet: when a device is due, kept while it cannot be seen, and let pass when it can."""

from __future__ import annotations

import heapq
from abc import ABC, abstractmethod
from collections.abc import Sequence

from monitor.core.device import RESTS, Device, Edge
from monitor.core.room import Room
from monitor.core.timers import Kind

STEP = 25  # what a device that is stepped costs, in devices only looked at


class Waking(Room, ABC):
    """The part of the fleet that lets deadlines pass."""

    @abstractmethod
    def instant(self, device: Device, at: int, edges: Sequence[Edge], now: int) -> None:
        """Act on one instant of a device."""

    def fire(self, name: str, now: int) -> bool:
        """A deadline of this device may be due; whether it was stepped."""
        device = self.devices.get(name)
        device = self.unseen.missed(name, device, now) or device
        if device is None:  # forgotten meanwhile, or listed and no feed due
            return False
        if device.queued is not None and device.queued > now:
            self.see_again(device)
            due = device.due()
            if due is not None and due + self.site.times.lateness >= device.queued:
                return False  # what was moved since: an earlier entry brought another, and one is enough
        device.queued = None
        return self._look_at(device, now)

    def _look_at(self, device: Device, now: int) -> bool:
        """Let pass what is due of a device if it can be seen; else keep it for when it can."""
        self.see_again(device)
        due, bridge = device.due(), device.picture.bridge
        if due is None:
            return False
        if due + self.site.times.lateness > now:  # put off since, as for most devices that report
            self.queue(device)
            return False
        if self.sight.resting(bridge):
            device.queued = RESTS
            heapq.heappush(self._waiting.setdefault(bridge, []), device.name)
            return False
        stepped = self.pass_deadlines(device, now)
        self.queue(device)
        return stepped

    def see_again(self, device: Device) -> None:
        """Let silence count anew from the last return of sight, if that was not done yet."""
        number, at = self.sight.mark_of(device.picture.bridge)
        if number > device.subject.marked:
            device.subject.marked = number
            device.subject.restart_silence(at)

    def waiting(self) -> list[str]:
        """The bridges of devices whose deadlines came up while they rested."""
        return sorted(self._waiting)

    def wake(self, bridge: str, now: int, most: int) -> int:
        """Let pass the deadlines that rested of devices of a bridge, up to a cost; what it cost."""
        waiting, cost = self._waiting.get(bridge), 0
        while waiting and cost < most:
            device = self.devices.get(heapq.heappop(waiting))
            cost += 1
            if device is not None and device.queued == RESTS and device.picture.bridge == bridge:
                device.queued = None
                cost += STEP if self.pass_deadlines(device, now) else 0
                self.queue(device)
        if not waiting:
            self._waiting.pop(bridge, None)
        return cost

    def await_calm(self, device: Device) -> None:
        """Look again when the device will have fed for long enough without an alarm."""
        if device.picture.calm_since is not None:
            device.calm_due = device.picture.calm_since + self.site.times.safe_after

    def pass_deadlines(self, device: Device, now: int) -> bool:
        """Let pass what is due by now, less the lateness that snapshots are given; whether anything was."""
        self.see_again(device)
        until = now - self.site.times.lateness
        due = device.due()
        if due is None or due > until:
            return False
        for instant, edges in device.instants(None, until, now, self.site.zone):
            self.instant(device, instant, edges, now)
        self.dirty.add(device.name)
        return True

    def queue(self, device: Device) -> None:
        """Put the device's next deadline on the heap, unless an earlier one is there."""
        if (due := device.due()) is None:
            return
        at = due + self.site.times.lateness
        if device.queued is None or at < device.queued:
            device.queued = at
            self._timers.put(at, Kind.DEVICE, device.name)
