"""The devices of a fleet: those that are watched, where each of them is, and room for more that nobody has listed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from monitor.core.claims import Claims
from monitor.core.device import Device, Subject
from monitor.core.holds import Holds
from monitor.core.journal import Journal
from monitor.core.picture import Picture
from monitor.core.places import Places
from monitor.core.responsibility import Responsibility
from monitor.core.sight import SightState
from monitor.core.site import Site
from monitor.core.timers import Timers
from monitor.core.unseen import Unseen

MOST_UNLISTED = 10_000  # a sender of ever new device names must not fill memory and trail
GONE_AFTER = (
    24 * 3_600_000
)  # ms of silence after which an unlisted device may be forgotten if there is no room
LOOK_AGAIN = 60_000  # ms between two looks for room where there was none: each looks at all devices


class Room:
    """The devices, and all that the fleet knows beside them; its other parts build on this one."""

    def __init__(
        self,
        site: Site,
        journal: Journal,
        timers: Timers,
        sight: SightState,
        counters: Counter[str],
        *,
        new_unit: Callable[[str], object],
        only_rules: bool,
    ) -> None:
        """`new_unit` is told the unit of every device that appears or moves."""
        self.site, self.journal, self._timers, self.sight = site, journal, timers, sight
        self._counters, self._new_unit, self.only_rules = counters, new_unit, only_rules
        self.responsibility: Responsibility  # set by the engine, as the next two
        self.holds: Holds
        self.places: Places
        self.devices: dict[str, Device] = {}
        self.dirty: set[str] = set()
        self.marks: dict[tuple[str, str], str | None] = {}  # for handovers, since the last transaction
        self.gone: list[str] = []  # forgotten since the last transaction
        self._dropped: dict[str, tuple[str, ...]] = {}
        self._claims = Claims()
        self._leaving: list[str] = []  # unlisted devices silent for long, the longest last
        self._no_room_until = 0
        self.where: Counter[tuple[str, str, bool]] = Counter()  # devices by unit, bridge and glucose risk
        self._places: dict[tuple[str, str, bool], tuple[str, str, bool]] = {}  # one object of each
        self.moves = 0  # how often that has changed
        # By bridge, whose deadlines came up while they rested: heaps of names, an order that no restart changes.
        self._waiting: dict[str, list[str]] = {}
        self.unseen = Unseen(site, timers, sight, self.device)
        self.guarding = False  # a message is being taken that may have to be undone
        self._touched = ""  # whose concerns have been kept aside since `before`

    def get(self, name: str) -> Device | None:
        """A device that has been heard of."""
        return self.devices.get(name)

    def device(self, name: str, unit: str, now: int) -> Device:
        """The device of this name; one not heard of before is watched from now on."""
        device = self.devices.get(name)
        if device is None:
            picture = Picture(unit)
            entry = self.site.entry(name)
            if entry is not None:
                picture.plan = entry.plan
            device = self.devices[name] = Device(name, picture, self.site.rules_for(unit, name))
            device.subject.marked = self.sight.marks
            self.count(device)
            self._counters["devices"] += 1
            self.dirty.add(name)
            self._new_unit(unit)
            if entry is None and not self.only_rules and not self.site.is_drill(name):
                self.journal.note("device-not-listed", now=now, device=name, unit=unit)
        return device

    def count(self, device: Device) -> None:
        """Know how many devices there are of each unit and bridge, without asking all of them."""
        key = (device.picture.unit, device.picture.bridge, device.picture.glucose_risk)
        if key != device.counted:
            self.uncount(device)
            device.counted = key = self._places.setdefault(key, key)
            self.where[key] += 1

    def uncount(self, device: Device) -> None:
        """This device is not there any more, or not as it was."""
        self.moves += 1
        if device.counted is not None:
            self.where[device.counted] -= 1
            if not self.where[device.counted]:
                del self.where[device.counted], self._places[device.counted]

    def _move(self, device: Device, unit: str, now: int) -> None:
        """The newest snapshot's topic decides the unit; open concerns move with the device."""
        self._new_unit(unit)
        rules = self.site.rules_for(unit, device.name)
        if rules is not device.rules:
            state = device.subject.dump(device.rules)
            device.subject, changed = Subject.load(state, rules)
            device.rules = rules
            for concern in self.responsibility.open_of(device.name):
                concern.rule_changed = concern.rule_changed or concern.rule in changed
        if device.picture.seen:
            self.journal.note("device-moved", now=now, device=device.name, unit=unit)
        for concern in self.responsibility.open_of(device.name):
            concern.unit = unit
            self.responsibility.dirty.add(concern.id)

    def put_in(self, device: Device, unit: str, now: int) -> None:
        """A device that was never heard of is in another unit than the site file says."""
        self._move(device, unit, now)
        device.picture.unit = unit
        self.count(device)
        self.dirty.add(device.name)

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
        self.let_go(device.name)
        self.journal.note("device-forgotten", now=now, device=device.name, heard=device.picture.receipt)

    def let_go(self, name: str) -> None:
        """Forget a device and what was about it; the next of this name is a new one, as each drill's is."""
        self.responsibility.of_subject.pop(name, None)
        device = self.devices.pop(name, None)
        if device is None:
            return
        self.uncount(device)
        self._dropped.pop(name, None)
        self._claims.forget(name)
        self.holds.forget(name)
        self.places.forget(name)
        self.dirty.discard(name)
        self.gone.append(name)
        self._counters["devices forgotten"] += 1
