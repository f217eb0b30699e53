"""Room for devices: how many unlisted ones are watched, and which of them may be forgotten."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter

from monitor.core.claims import Claims
from monitor.core.device import Device
from monitor.core.holds import Holds
from monitor.core.journal import Journal
from monitor.core.places import Places
from monitor.core.responsibility import Responsibility
from monitor.core.sight import SightState
from monitor.core.site import Site

MOST_UNLISTED = 10_000  # a sender of ever new device names must not fill memory and trail
GONE_AFTER = (
    24 * 3_600_000
)  # ms of silence after which an unlisted device may be forgotten if there is no room
LOOK_AGAIN = 60_000  # ms between two looks for room where there was none: each looks at all devices


class Room(ABC):
    """The part of the fleet that forgets devices."""

    site: Site
    journal: Journal
    sight: SightState
    responsibility: Responsibility
    holds: Holds
    places: Places
    devices: dict[str, Device]
    dirty: set[str]
    gone: list[str]
    _counters: Counter[str]
    _dropped: dict[str, tuple[str, ...]]
    _claims: Claims
    _leaving: list[str]
    _no_room_until: int

    @abstractmethod
    def uncount(self, device: Device) -> None:
        """This device is not there any more."""

    def full_for(self, name: str) -> bool:
        """Whether a device is one too many: not listed, not yet heard of, after so many others like it."""
        if name in self.devices or name in self.site.devices or self.site.is_drill(name):
            return False
        return len(self.devices) >= MOST_UNLISTED + len(self.site.devices)

    def make_room(self, now: int) -> bool:
        """Forget the unlisted device that has been silent for longest, if it has been for a day; whether there is room.

        Not one whose bridge cannot be seen, and none about which there is a concern.
        """
        if not self._leaving and now >= self._no_room_until:
            self._no_room_until = now + LOOK_AGAIN
            silent = sorted(
                (d.picture.receipt, d.name) for d in self.devices.values() if self._may_go(d, now)
            )
            self._leaving = [name for _, name in reversed(silent)]
        while self._leaving:
            device = self.devices.get(self._leaving.pop())
            if device is not None and self._may_go(device, now):
                self._forget(device, now)
                return True
        return False

    def _may_go(self, device: Device, now: int) -> bool:
        if device.name in self.site.devices or self.sight.resting(device.picture.bridge):
            return False
        if self.responsibility.of_subject.get(device.name):
            return False
        return now - max(device.picture.receipt, self.sight.seen_since(device.picture.bridge)) > GONE_AFTER

    def _forget(self, device: Device, now: int) -> None:
        del self.devices[device.name]
        self.uncount(device)
        self._dropped.pop(device.name, None)
        self._claims.forget(device.name)
        self.holds.forget(device.name)
        self.places.forget(device.name)
        self.responsibility.of_subject.pop(device.name, None)
        self.dirty.discard(device.name)
        self.gone.append(device.name)
        self._counters["devices forgotten"] += 1
        self.journal.note("device-forgotten", now=now, device=device.name, heard=device.picture.receipt)

    def let_go(self, name: str) -> None:
        """Forget a drill's made-up device and what was open about it; the next drill's is a new one."""
        self.responsibility.of_subject.pop(name, None)
        device = self.devices.pop(name, None)
        if device is not None:
            self.uncount(device)
            self._claims.forget(name)
            self.dirty.discard(name)
            self.gone.append(name)
            self._counters["devices forgotten"] += 1
