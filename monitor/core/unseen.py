"""Pumps that the site lists and that were never heard of: missed only when their plan says that feed is due.

Their silence counts from the service's start, or from the start of a window that began later, so that a pump which is
switched on for its feed has the time to say so. Editing rules: a pump that is heard of in time costs nothing here but a
look; only `silent` rules are asked about one that was not, as nothing else is known of it.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

from monitor.core.device import Device
from monitor.core.messages import Plan, Window
from monitor.core.plans import DAY, MINUTE, Zone, window_at
from monitor.core.rulebook import CompiledRule
from monitor.core.sight import SightState
from monitor.core.site import Site
from monitor.core.timers import Kind, Timers


class Unseen:
    """Which of the listed pumps are waited for, and since when."""

    def __init__(
        self, site: Site, timers: Timers, sight: SightState, device: Callable[[str, str, int], Device]
    ) -> None:
        """`device` gives the device of a name and unit, and begins to watch it."""
        self._site, self._timers, self._sight, self._device = site, timers, sight, device
        self._since: dict[str, int] = {}
        self._rules: tuple[CompiledRule, ...] = ()
        self._shortest: int | None = None  # the shortest silence that these wait for

    def begin(self, known: Callable[[str], Device | None], now: int) -> None:
        """Wait for all listed pumps that were never heard of, from the service's start on."""
        for name, entry in self._site.devices.items():
            device = known(name)
            if device is None or not (device.picture.seen or device.subject.tracks):
                self.wait_for(name, entry.unit, entry.plan if device is None else device.picture.plan, now)

    def wait_for(self, name: str, unit: str, plan: Plan | None, now: int) -> None:
        """Wait for a pump that was never heard of, if its plan says when feed is due."""
        self._since.pop(name, None)
        if plan is None or not plan.windows:
            return
        rules = self._site.rules_for(unit, name)
        if rules is not self._rules:  # of most devices they are the same
            self._rules, self._shortest = rules, _shortest(rules)
        if self._shortest is None:
            return
        since = self._since[name] = _due_from(plan.windows, self._site.zone, now)
        self._timers.put(since + self._shortest + self._site.times.lateness, Kind.DEVICE, name)

    def missed(self, name: str, device: Device | None, now: int) -> Device | None:
        """The pump, its silence counting, if it was not heard of in time while feed is due; else None."""
        since = self._since.pop(name, None)
        if since is None or now < since or (device is not None and device.picture.seen):
            return None
        entry = self._site.devices.get(name)
        if device is None and entry is None:
            return None
        unit = device.picture.unit if device is not None else entry.unit if entry is not None else ""
        plan = device.picture.plan if device is not None else entry.plan if entry is not None else None
        if plan is None:
            return None
        if (window := window_at(plan, self._site.zone, now)) is None:
            self.wait_for(name, unit, plan, now)
            return None
        device = device or self._device(name, unit, now)
        picture = device.picture
        picture.window_start, picture.feed_due = window[0], True
        number, returned = self._sight.mark_of(picture.bridge)
        device.subject.marked = max(device.subject.marked, number)
        at = max(since, returned, device.subject.stepped + 1)
        silent = [rule for rule in device.rules if rule.pattern == "silent"]
        device.subject.instant(silent, picture, at, fresh=True, receipt=at)
        return device


def _shortest(rules: tuple[CompiledRule, ...]) -> int | None:
    """The shortest silence that any of these rules waits for, in ms."""
    limits = [branch.hold_for for rule in rules if rule.pattern == "silent" for branch in rule.branches]
    return min(limits, default=None)


@lru_cache(maxsize=4096)
def _due_from(windows: tuple[Window, ...], zone: Zone, at: int) -> int:
    """This instant, if it lies in a window; else the next start of one."""
    if window_at(Plan(windows, None, None, None, None, False, None, None, None), zone, at) is not None:
        return at
    local = at + zone.offset(at)
    today = local - local % DAY
    starts = (
        zone.to_utc(today + day * DAY + window.start_min * MINUTE)
        for day in range(3)  # a clock change may put today's and even tomorrow's back
        for window in windows
    )
    return min(start for start in starts if start > at)
