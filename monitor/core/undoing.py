"""What is gone back to when a fault of ours comes in the middle of taking a message: a device, and its concerns."""

from __future__ import annotations

from typing import NamedTuple

from monitor.core.chronicle import KIND, key
from monitor.core.device import Device
from monitor.core.holds import Hold
from monitor.core.waking import Waking


class Undo(NamedTuple):
    """What a device was before a message; `device` None: it was not known."""

    name: str
    device: Device | None
    was: tuple[object, ...]
    held: tuple[Hold, ...]


class Undoing(Waking):
    """The part of the fleet that goes back."""

    def before(self, name: str, *, answered: bool = False) -> Undo:
        """What this device is now, to go back to if taking a message fails half-way; `answered`: its concerns too."""
        self.guarding, self._touched = True, ""
        if answered:
            self._keep_concerns(name)
        device = self.devices.get(name)
        return Undo(name, device, () if device is None else device.state(), self.holds.of(name))

    def undo(self, undo: Undo, now: int) -> None:
        """Make the device and its concerns what they were; what has been noted meanwhile stays in the trail."""
        self.guarding = False
        device = self.devices.get(undo.name)
        undone = 0 if device is None else device.picture.acted
        if undo.device is None:
            if (device := self.devices.pop(undo.name, None)) is not None:
                self._counters["devices"] -= 1
                self.uncount(device)
                self.dirty.discard(undo.name)
        else:
            undo.device.restore(undo.was)
            self.count(undo.device)
            self.dirty.add(undo.name)
            self.queue(undo.device)
        if undo.device is None or undo.device.picture.acted != undone:
            self.marks.pop((KIND, key(undo.name, undone)), None)
        self._claims.forget(undo.name)
        self._dropped.pop(undo.name, None)
        self.holds.restore(undo.name, undo.held)
        if self._touched == undo.name:
            self.responsibility.undo(undo.name, now)

    def _keep_concerns(self, name: str) -> None:
        if self.guarding and self._touched != name:
            self._touched = name
            self.responsibility.keep(name)
