"""Watches over sight itself: what is done when the broker or a bridge goes and comes, and when a backlog has been read.

Editing rules: whether something can be seen is asked of `SightState`; what a unit's rule does with it stands in
`rules/sight-lost.toml`.
"""

from __future__ import annotations

from monitor.core.briefing import MOST_PLACES, last_known, why_settled
from monitor.core.concern import Concern
from monitor.core.device import Device
from monitor.core.effects import LinkDown, LinkUp, MarkerBack, SendMarker
from monitor.core.evidence import evidence
from monitor.core.fleet import Fleet
from monitor.core.holds import Holds
from monitor.core.journal import Journal
from monitor.core.messages import PresenceMessage
from monitor.core.phrases import one_line
from monitor.core.picture import Picture
from monitor.core.responsibility import Responsibility
from monitor.core.sight import Bridge, CatchUp, SightState, Unit
from monitor.core.site import DeviceEntry, Site
from monitor.core.timers import Kind, Timers
from monitor.core.tracks import lets_go

STEADY = 300_000  # ms from one return of sight to the next that counts as one; common practice, no source
BRIEF = 60_000  # ms; a longer loss is no flap, and its pumps could not be heard meanwhile; common practice, no source
MOST_UNLISTED = (
    200  # units that topics name and the site file does not; far more than anybody makes by mistake
)
OTHER_UNITS = "(other units)"  # no topic level can be called so
SLICE = 1_000  # devices that are looked at without a pause, some ms
RETURN = 5_000  # ms from a bridge's return to its devices' deadlines; common practice, no source


class Lookout:
    """The units, and what becomes of them and of the devices when sight changes."""

    def __init__(self, site: Site, journal: Journal, timers: Timers, sight: SightState) -> None:
        self.site, self.journal, self._timers, self.sight = site, journal, timers, sight
        self.fleet: Fleet  # set by the engine
        self.responsibility: Responsibility  # set by the engine
        self.holds: Holds  # set by the engine
        # Where the site says that there are pumps; if it lists none at all, wherever there is a unit.
        self._with_pumps = {entry.unit for entry in site.devices.values()} or set(site.units)
        self._listed: dict[str, list[DeviceEntry]] = {}
        for entry in site.devices.values():
            self._listed.setdefault(entry.unit, []).append(entry)
        self._listed_at_risk = [
            entry for entry in site.devices.values() if entry.plan is not None and entry.plan.glucose_risk
        ]
        self._indexed, self._index = -1, dict[str, list[Device]]()
        self.units: dict[str, Unit] = {name: Unit(name) for name in site.units}
        self.dirty: set[str] = set()
        self.effects: list[SendMarker] = []

    def unit(self, name: str) -> Unit:
        """The unit of this name; those beyond what anybody has share one, and what is lost of them is told as one."""
        found = self.units.get(name)
        if found is None:
            if len(self.units) - (OTHER_UNITS in self.units) >= MOST_UNLISTED + len(self.site.units):
                name = OTHER_UNITS
            found = self.units.setdefault(name, Unit(name))
        return found

    # ---- the broker ----------------------------------------------------------------------------------------------

    def link_up(self, event: LinkUp, now: int) -> None:
        """The broker is there: read what has piled up on its own times, until our marker has come back."""
        self.sight.link, self.sight.starting = True, False
        self.sight.connections += 1
        token = f"{self.site.name}-{self.sight.connections}-{now}"
        self.sight.catch_up = CatchUp(now, token)
        self.journal.note("link-up", now=now, session=event.session_present)
        flaps = now - self.sight.anew_at < STEADY and now - self.sight.lost_at < BRIEF
        anew = not flaps  # a link that flaps must not put silence off for ever
        if anew:
            self.sight.anew_at = now
            self.sight.returns(now)
        self.sight.changed = True
        self.effects.append(SendMarker(token=token))
        self._timers.put(now + self.site.times.catch_up, Kind.CATCH_UP, "")

    def link_down(self, event: LinkDown, now: int) -> None:
        """The broker is gone: no device's deadline may fire."""
        if self.sight.link:
            self.sight.lost_at = now
            self.journal.note("link-down", now=now, reason=one_line(event.reason))
        self.sight.link = False
        self.sight.changed = True
        if (catch_up := self.sight.catch_up) is not None:
            if not catch_up.ending:  # cut short: what has been read is told, the rest comes after
                self.journal.note("caught-up", now=now, took=now - catch_up.began, complete=False)
                self._sees_again("", now)
            self._backlog_over("", now)
        self.look_at_units(now)

    def marker_back(self, event: MarkerBack, now: int) -> None:
        """Everything that the broker had for us has come."""
        catch_up = self.sight.catch_up
        if catch_up is not None and catch_up.token == event.token:
            catch_up.marker_back = now
            self._look_later(catch_up)

    # ---- bridges -------------------------------------------------------------------------------------------------

    def presence(self, message: PresenceMessage, now: int) -> str:
        """A bridge came, went, or began or ended to send what it had stored; what became of it, as it is counted."""
        known = self.sight.bridges.get(message.bridge)
        before = known or Bridge()
        after = Bridge(
            message.online, message.backlog and message.online, before.backlog_until, before.returned_at
        )
        after.heard_at = before.heard_at = now
        if known is not None and after.said == before.said:
            return "presences unchanged"
        self.journal.note(
            "bridge-presence", now=now, bridge=message.bridge, online=message.online, backlog=message.backlog
        )
        returns = after.said == (True, False) and not before.online
        after.lost_at = before.lost_at if message.online or not before.online else now
        if returns and now - before.returned_at < STEADY and now - before.lost_at < BRIEF:
            returns = False  # one that flaps must not put off its pumps' deadlines for ever
        elif returns:
            after.returned_at = now
        if returns or (after.backlog and not before.said[1]):
            # Without a backlog too, what rested must not fire before the pumps have had a moment to speak.
            after.backlog, after.returned = True, returns
            after.backlog_until = now + (RETURN if after.returned else self.site.times.catch_up)
            self._timers.put(after.backlog_until, Kind.CATCH_UP, message.bridge)
        after.mark = self.sight.mark if known is None else known.mark
        self.sight.bridges[message.bridge] = after
        self.sight.changed = True
        if returns:
            # It counts anew from the return, not from the end of that moment.
            self.sight.returns(now, message.bridge)
        if before.backlog and not after.backlog:
            after.backlog = True  # until what rested has been worked through
            self._backlog_read(message.bridge, now)
        elif not self.sight.resting(message.bridge):
            self._timers.put(now, Kind.WORK, message.bridge)
        self.look_at_units(now)
        return "presences"

    def make_room(self, now: int) -> bool:
        """Forget a bridge of which nothing has been heard for a day; whether there was one."""
        name = self.sight.make_room(now, {bridge for _, bridge, _ in self.fleet.where})
        if name is not None:
            self.journal.note("bridge-forgotten", now=now, bridge=name)
        return name is not None

    # ---- catching up ---------------------------------------------------------------------------------------------

    def catch_up_due(self, bridge: str, now: int) -> None:
        """A backlog may have been read: the broker's ("") or a bridge's."""
        times = self.site.times
        if bridge:
            known = self.sight.bridges.get(bridge)
            if known is None or not known.backlog or known.ending or now < known.backlog_until:
                return
            if not known.returned:
                self.journal.note("backlog-unfinished", now=now, bridge=bridge)
            self._backlog_read(bridge, now)
            return
        catch_up = self.sight.catch_up
        if catch_up is None:
            if self.sight.starting:  # and still no broker: what was due at the stop waits no longer
                self.sight.starting = False
                self.tell_held_back(now)
                self.look_at_units(now)
            return
        if catch_up.ending:
            return
        if not catch_up.over(now, times.catch_up_quiet, times.catch_up):
            self._look_later(catch_up)
            return
        complete = catch_up.complete(now, times.catch_up_quiet)
        self.journal.note("caught-up", now=now, took=now - catch_up.began, complete=complete)
        self._backlog_read("", now)

    def begin_again(self, now: int) -> None:
        """After a start: a backlog being read at the stop ends some time, even if bridge or broker say no more."""
        at_most = self.site.times.catch_up
        for name, bridge in self.sight.bridges.items():
            if bridge.ending and self.sight.link:
                self._timers.put(now, Kind.WORK, name)
            elif bridge.ending:  # all rests until the broker's backlog has been read
                bridge.backlog = bridge.ending = bridge.returned = False
            elif bridge.backlog:
                self._timers.put(bridge.backlog_until, Kind.CATCH_UP, name)
        if not self.sight.link:
            self.sight.starting = True
            self._timers.put(now + at_most, Kind.CATCH_UP, "")

    def _look_later(self, catch_up: CatchUp) -> None:
        times = self.site.times
        self._timers.put(catch_up.next_look(times.catch_up_quiet, times.catch_up), Kind.CATCH_UP, "")

    def _backlog_read(self, bridge: str, now: int) -> None:
        """Begin to work through the deadlines that rested. `bridge` "" means all of them."""
        self._sees_again(bridge, now)
        if bridge:
            known = self.sight.bridges[bridge]
            known.ending = True
            if not known.online:
                self._backlog_over(bridge, now)  # they go on resting
                return
        elif self.sight.catch_up is not None:
            self.sight.catch_up.ending = True
        self._timers.put(now, Kind.WORK, bridge)

    def work(self, bridge: str, now: int) -> int:
        """Work through a slice of what rested, of one bridge or ("") all; the cost. What it raises is held back."""
        known = self.sight.bridges.get(bridge)
        ending = known.ending if known is not None else False
        if not bridge:
            ending = self.sight.catch_up is not None and self.sight.catch_up.ending
        left = SLICE
        for name in [bridge] if bridge else self.fleet.waiting():
            if self._rests_besides(name, bridge) if ending else self.sight.resting(name):
                continue
            left -= self.fleet.wake(name, now, left)
            if left <= 0:
                self._timers.put(now, Kind.WORK, bridge)
                return SLICE
        if ending:
            self._backlog_over(bridge, now)
            self.look_at_units(now)
        return SLICE - left

    def _backlog_over(self, bridge: str, now: int) -> None:
        """What rested has been worked through: tell what is still there."""
        if bridge:
            known = self.sight.bridges[bridge]
            known.backlog = known.ending = known.returned = False
        else:
            self.sight.catch_up = None
        self.sight.changed = True
        self.tell_held_back(now)

    def _rests_besides(self, of_device: str, bridge: str) -> bool:
        """Whether a device of a bridge has to rest for another reason than the backlog of `bridge` ("": broker's)."""
        if self.sight.lost(of_device):
            return True
        if bridge:
            return self.sight.catch_up is not None
        known = self.sight.bridges.get(of_device)
        return known is not None and known.backlog

    def tell_held_back(self, now: int) -> None:
        """Tell what is still there, and let waits run again, of all whose backlog is not being read."""
        self.holds.backlog_over(now)
        for concern in self.responsibility.in_order():
            if self.fleet.backlogged(concern.subject):
                continue
            if concern.held_back and concern.live:
                self.responsibility.release_held_back(concern, now)
            self.responsibility.queue(concern)

    def _sees_again(self, bridge: str, now: int) -> None:
        """Silence counts anew when sight returns, unless it has done so from that return already."""
        self.sight.returns(now, bridge or None, unless_since=now - STEADY + 1)

    # ---- who is seen ---------------------------------------------------------------------------------------------

    def came(self, device: Device, before: tuple[str, str] | None, now: int) -> None:
        """A device was heard of, perhaps by another bridge or in another unit than `before`: which units are blind?"""
        picture = device.picture
        if before == (picture.unit, picture.bridge):
            return
        if before is not None and before[0] != picture.unit:
            self.responsibility.moved(device.name, before[0], now)
        if picture.unit not in self.units:
            self.journal.note("units-full", now=now, device=device.name)
        unit = self.unit(picture.unit).picture
        unknown = not unit.sight_lost or (picture.glucose_risk and not unit.glucose_risk)
        if (unknown and self.sight.lost(picture.bridge)) or (
            before and self.unit(before[0]).picture.sight_lost
        ):
            self.look_at_units(now)

    def look_at_units(self, now: int) -> None:
        """Step the picture of each unit that is seen otherwise than before."""
        blind = {name: not self.sight.link and name in self._with_pumps for name in self.units}
        at_risk: set[str] = set()
        for of_unit, bridge, risk in self.fleet.where:
            if self.sight.lost(bridge):
                unit_name = self.unit(of_unit).name
                blind[unit_name] = True
                if risk:
                    at_risk.add(unit_name)
        if not self.sight.link:
            at_risk |= {entry.unit for entry in self._listed_at_risk if entry.id not in self.fleet.devices}
        for name, unit in self.units.items():
            seen = (unit.picture.sight_lost, unit.picture.glucose_risk)
            if seen == (blind[name], name in at_risk) and unit.subject.stepped:
                continue
            unit.picture.sight_lost, unit.picture.glucose_risk = blind[name], name in at_risk
            self._step(unit, now, now, fresh=True)

    def drill_ended(self, name: str, *, missed: bool, now: int, lacks: str | None = None) -> None:
        """A unit's drill was missed (`lacks`: the leg that it did not come to), or the last that was is made good."""
        unit = self.unit(name)
        if unit.picture.drill_missed is not missed:
            unit.picture.drill_missed = missed
            self._step(unit, now, now, fresh=True, **({"drill_lacks": lacks} if lacks else {}))

    def unit_due(self, name: str, now: int) -> None:
        """A deadline of a unit may be due."""
        unit = self.units[name]
        unit.queued = None
        rules = self.site.unit_rules(name)
        while (due := unit.subject.due(rules)) is not None and due <= now:
            self._step(unit, due, now, fresh=False)
        self.queue(unit)

    def _step(self, unit: Unit, at: int, now: int, *, fresh: bool, **known: object) -> None:
        at = max(at, unit.subject.stepped)
        rules = self.site.unit_rules(unit.name)
        for edge in unit.subject.instant(rules, unit.picture, at, fresh=fresh, receipt=at):
            seen = evidence(edge, unit.subject.tracks.get(edge.rule.id), unit.picture)
            seen |= {"link": self.sight.link, **known}
            concern = self.responsibility.edge(unit.key, unit.name, edge, now, seen)
            if edge.kind == "ends" and concern is not None and concern.live:
                self._settle(concern, edge.at, now)
        for concern in self.responsibility.open_of(unit.key):
            if concern.rule_changed and fresh and lets_go(rules, concern.rule, unit.picture):
                self._settle(concern, at, now)  # its rule has changed, and as it is now it does not hold
        self.dirty.add(unit.name)
        self.queue(unit)

    def _settle(self, concern: Concern, at: int, now: int) -> None:
        self.responsibility.settle(concern, at, now, why_settled(concern.about, concern.rule, None))

    def queue(self, unit: Unit) -> None:
        """Put the unit's next deadline on the heap."""
        due = unit.subject.due(self.site.unit_rules(unit.name))
        if due is not None and (unit.queued is None or due < unit.queued):
            unit.queued = due
            self._timers.put(due, Kind.UNIT, unit.name)

    def places(self, concern: Concern, now: int) -> tuple[str, ...]:
        """One line for each device of a unit's concern, the troubled first."""
        devices = self._in_unit(concern.unit)
        affected = [device for device in devices if self.sight.lost(device.picture.bridge)] or devices
        pictures: dict[str, Picture | None] = {device.name: device.picture for device in affected}
        if not self.sight.link:
            pictures |= {entry.id: None for entry in self._unheard(concern.unit)}

        def urgency(name: str) -> tuple[bool, bool, str]:
            picture = pictures[name]
            alarms, risk = (picture.troubled_alarms, picture.glucose_risk) if picture else ((), False)
            return not alarms, not risk, name

        affected_names = sorted(pictures, key=urgency)
        lines = [last_known(self.site, name, pictures[name], now) for name in affected_names[:MOST_PLACES]]
        if len(pictures) > MOST_PLACES:
            lines.append(f"and {len(pictures) - MOST_PLACES} more")
        return tuple(lines)

    def _in_unit(self, name: str) -> list[Device]:
        """The devices of a unit, by an index that is made anew when any device has moved."""
        if self._indexed != self.fleet.moves:
            self._indexed, self._index = self.fleet.moves, {}
            for device in self.fleet.devices.values():
                if self.site.is_drill(device.name):
                    continue
                self._index.setdefault(self.unit(device.picture.unit).name, []).append(device)
        return self._index.get(name, [])

    def _unheard(self, unit: str) -> list[DeviceEntry]:
        """The devices that the site lists in a unit and that were never heard of."""
        return [entry for entry in self._listed.get(unit, ()) if entry.id not in self.fleet.devices]
