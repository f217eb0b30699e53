"""Watches over sight itself: what is done when the broker or a bridge goes and comes, and when a backlog has been read.

Editing rules: whether something can be seen is asked of `SightState`; what a unit's rule does with it stands in
`rules/sight-lost.toml`.
"""

from __future__ import annotations

from monitor.core.briefing import MOST_PLACES, last_known, why_settled
from monitor.core.concern import Concern
from monitor.core.device import Device
from monitor.core.effects import LinkDown, LinkUp, MarkerBack, SendMarker
from monitor.core.fleet import Fleet
from monitor.core.journal import Journal
from monitor.core.messages import PresenceMessage
from monitor.core.responsibility import Responsibility
from monitor.core.sight import Bridge, CatchUp, SightState, Unit
from monitor.core.site import Site
from monitor.core.timers import Kind, Timers


class Lookout:
    """The units, and what becomes of them and of the devices when sight changes."""

    def __init__(self, site: Site, journal: Journal, timers: Timers, sight: SightState) -> None:
        self.site, self.journal, self._timers, self.sight = site, journal, timers, sight
        self.fleet: Fleet  # set by the engine
        self.responsibility: Responsibility  # set by the engine
        self.units: dict[str, Unit] = {name: Unit(name) for name in site.units}
        self.dirty: set[str] = set()
        self.effects: list[SendMarker] = []

    def unit(self, name: str) -> Unit:
        """The unit of this name."""
        return self.units.setdefault(name, Unit(name))

    # ---- the broker ----------------------------------------------------------------------------------------------

    def link_up(self, event: LinkUp, now: int) -> None:
        """The broker is there: read what has piled up on its own times, until our marker has come back."""
        self.sight.link = True
        self.sight.connections += 1
        token = f"{self.site.name}-{self.sight.connections}-{now}"
        self.sight.catch_up = CatchUp(now, token)
        self.journal.note("link-up", now=now, session=event.session_present)
        for device in self.fleet.devices.values():
            device.resting = True
            device.subject.restart_silence(now)  # silence counts anew when sight returns
        self.effects.append(SendMarker(token=token))
        self._timers.put(now + self.site.times.catch_up, Kind.CATCH_UP, "")

    def link_down(self, event: LinkDown, now: int) -> None:
        """The broker is gone: no device's deadline may fire."""
        if self.sight.link:
            self.journal.note("link-down", now=now, reason=event.reason)
        self.sight.link = False
        self.sight.catch_up = None
        self._look_at_devices(now)
        self.look_at_units(now)

    def marker_back(self, event: MarkerBack, now: int) -> None:
        """Everything that the broker had for us has come."""
        catch_up = self.sight.catch_up
        if catch_up is not None and catch_up.token == event.token:
            catch_up.marker_back = now
            self._look_later(catch_up)

    # ---- bridges -------------------------------------------------------------------------------------------------

    def presence(self, message: PresenceMessage, now: int) -> None:
        """A bridge came, went, or began or ended to send what it had stored."""
        known = self.sight.bridges.get(message.bridge)
        before = known or Bridge()
        after = Bridge(message.online, message.backlog and message.online, before.backlog_since)
        if known is not None and (after.online, after.backlog) == (before.online, before.backlog):
            return
        self.journal.note(
            "bridge-presence", now=now, bridge=message.bridge, online=message.online, backlog=message.backlog
        )
        if after.backlog and not before.backlog:
            after.backlog_since = now
            self._timers.put(now + self.site.times.catch_up, Kind.CATCH_UP, message.bridge)
        self.sight.bridges[message.bridge] = after
        if before.backlog and not after.backlog:
            after.backlog = True  # until what rested has been worked through
            self._backlog_read(message.bridge, now)
        self._look_at_devices(now, message.bridge)
        self.look_at_units(now)

    # ---- catching up ---------------------------------------------------------------------------------------------

    def catch_up_due(self, bridge: str, now: int) -> None:
        """A backlog may have been read: the broker's ("") or a bridge's."""
        times = self.site.times
        if bridge:
            known = self.sight.bridges.get(bridge)
            if known is None or not known.backlog or now - known.backlog_since < times.catch_up:
                return
            self.journal.note("backlog-unfinished", now=now, bridge=bridge)
            self._backlog_read(bridge, now)
            self._look_at_devices(now, bridge)
            self.look_at_units(now)
            return
        catch_up = self.sight.catch_up
        if catch_up is None:
            return
        if not catch_up.over(now, times.catch_up_quiet, times.catch_up):
            self._look_later(catch_up)
            return
        complete = catch_up.marker_back is not None
        self.journal.note("caught-up", now=now, took=now - catch_up.began, complete=complete)
        self._backlog_read("", now)
        self._look_at_devices(now)
        self.look_at_units(now)

    def _look_later(self, catch_up: CatchUp) -> None:
        times = self.site.times
        self._timers.put(catch_up.next_look(times.catch_up_quiet, times.catch_up), Kind.CATCH_UP, "")

    def _backlog_read(self, bridge: str, now: int) -> None:
        """Work through the deadlines that rested, then tell what is still there. `bridge` "" means all of them."""
        for device in self.fleet.devices.values():
            if bridge and device.picture.bridge != bridge:
                continue
            device.subject.restart_silence(now)
            if not self.sight.lost(device.picture.bridge):
                self.fleet.pass_deadlines(device, now)
        if bridge:
            self.sight.bridges[bridge].backlog = False
        else:
            self.sight.catch_up = None
        for concern in list(self.responsibility.concerns.values()):
            if self.fleet.backlogged(concern.subject):
                continue
            if concern.held_back and concern.live:
                self.responsibility.release_held_back(concern, now)
            self.responsibility.queue(concern)

    # ---- who is seen ---------------------------------------------------------------------------------------------

    def _look_at_devices(self, now: int, bridge: str | None = None) -> None:
        """Sight has changed: let devices rest or wake."""
        for device in self.fleet.devices.values():
            if bridge is not None and device.picture.bridge != bridge:
                continue
            resting = self.sight.resting(device.picture.bridge)
            if device.resting and not resting:
                device.subject.restart_silence(now)
            device.resting = resting
            self.fleet.queue(device)

    def look_at_units(self, now: int) -> None:
        """Step the picture of each unit that is seen otherwise than before."""
        blind = dict.fromkeys(self.units, not self.sight.link)
        at_risk: set[str] = set()
        for device in self.fleet.devices.values():
            if self.sight.lost(device.picture.bridge):
                blind[device.picture.unit] = True
                if device.picture.glucose_risk:
                    at_risk.add(device.picture.unit)
        for name, unit in self.units.items():
            seen = (unit.picture.sight_lost, unit.picture.glucose_risk)
            if seen == (blind[name], name in at_risk) and unit.subject.stepped:
                continue
            unit.picture.sight_lost, unit.picture.glucose_risk = blind[name], name in at_risk
            self._step(unit, now, now, fresh=True)

    def unit_due(self, name: str, now: int) -> None:
        """A deadline of a unit may be due."""
        unit = self.units[name]
        unit.queued = None
        rules = self.site.unit_rules(name)
        while (due := unit.subject.due(rules)) is not None and due <= now:
            self._step(unit, due, now, fresh=False)
        self.queue(unit)

    def _step(self, unit: Unit, at: int, now: int, *, fresh: bool) -> None:
        at = max(at, unit.subject.stepped)
        rules = self.site.unit_rules(unit.name)
        for edge in unit.subject.instant(rules, unit.picture, at, fresh=fresh, receipt=at):
            evidence: dict[str, object] = {"link": self.sight.link}
            concern = self.responsibility.edge(unit.key, unit.name, edge, now, evidence)
            if edge.kind == "ends" and concern is not None and concern.live:
                self.responsibility.settle(
                    concern, edge.at, now, why_settled(concern.about, concern.rule, None)
                )
        self.dirty.add(unit.name)
        self.queue(unit)

    def queue(self, unit: Unit) -> None:
        """Put the unit's next deadline on the heap."""
        due = unit.subject.due(self.site.unit_rules(unit.name))
        if due is not None and (unit.queued is None or due < unit.queued):
            unit.queued = due
            self._timers.put(due, Kind.UNIT, unit.name)

    def places(self, concern: Concern) -> tuple[str, ...]:
        """One line for each device of a unit's concern, the troubled first."""
        devices = [device for device in self.fleet.devices.values() if device.picture.unit == concern.unit]
        affected = [device for device in devices if self.sight.lost(device.picture.bridge)] or devices

        def urgency(device: Device) -> tuple[bool, bool, str]:
            return not device.picture.troubled_alarms, not device.picture.glucose_risk, device.name

        lines = [last_known(self.site, device) for device in sorted(affected, key=urgency)[:MOST_PLACES]]
        if len(affected) > MOST_PLACES:
            lines.append(f"and {len(affected) - MOST_PLACES} more")
        return tuple(lines)
