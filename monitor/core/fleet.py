"""All devices: what a snapshot does to one of them, which of its concerns that settles, and when it is due next.

Editing rules: when a snapshot acts, and whether it is late, a duplicate or overtaken, is decided here and nowhere else.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

from monitor.core.briefing import why_settled
from monitor.core.concern import Concern
from monitor.core.device import Device, Edge, Subject
from monitor.core.journal import Journal
from monitor.core.messages import PlanMessage, Snapshot
from monitor.core.picture import Picture
from monitor.core.responsibility import Responsibility
from monitor.core.rulebook import PRIORITY
from monitor.core.sight import SightState
from monitor.core.site import Site
from monitor.core.timers import Kind, Timers
from monitor.core.tracks import RecurringTrack, counted, lets_go

MOST_EVIDENCE = 10  # alarm conditions of one snapshot in a trail entry
MOST_UNLISTED = 10_000  # a sender of ever new device names must not fill memory and trail


class Fleet:
    """The devices of a site."""

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
        self.responsibility: Responsibility  # set by the engine
        self.devices: dict[str, Device] = {}
        self.dirty: set[str] = set()
        self._dropped: dict[str, tuple[str, ...]] = {}

    def get(self, name: str) -> Device | None:
        """A device that has been heard of."""
        return self.devices.get(name)

    def take(self, snapshot: Snapshot, now: int) -> None:
        """Take a snapshot received at `now`."""
        device = self.device(snapshot.device, snapshot.unit, now)
        picture = device.picture
        if picture.seen and snapshot.id == picture.id and snapshot.source == picture.source:
            self._counters["duplicate"] += 1
            return
        at, doubtful = self._acting_time(snapshot, picture, now)
        if at is None:
            self._counters["late"] += 1
            return
        stepped, receipt = device.subject.stepped, now
        if at <= stepped:
            if stepped > picture.acted:
                self._counters["overtaken"] += 1
            at = stepped + 1
            receipt = max(now, at)  # put off: it counts as received no earlier than it acts
        self._counters["snapshots"] += 1
        if (
            snapshot.source == picture.source
            and snapshot.sequence > picture.sequence + 1
            and picture.sequence
        ):
            self._counters["sequence-gaps"] += snapshot.sequence - picture.sequence - 1
        if doubtful and not picture.clock_doubtful:
            self.journal.note(
                "clock-doubtful", now=now, device=device.name, message=snapshot.id, time=snapshot.time
            )
        if snapshot.dropped:
            self._counters["dropped-fields"] += len(snapshot.dropped)
        names = tuple(dropped.partition("=")[0] for dropped in snapshot.dropped)
        if names != self._dropped.get(device.name, ()):  # each change once, not each message
            self._dropped[device.name] = names
            self.journal.note(
                "fields-dropped",
                now=now,
                device=device.name,
                message=snapshot.id,
                fields=list(names),  # names only: a value may hold anything, and the trail cannot be erased
            )
        picture.clock_doubtful = doubtful
        if snapshot.unit != picture.unit:
            self._move(device, snapshot.unit, now)
        if snapshot.bridge != picture.bridge:
            device.resting = self.sight.resting(snapshot.bridge)
        if device.resting:
            device.subject.restart_silence(now)  # nothing was silent while nothing could be seen
        for instant, edges in device.instants(snapshot, at, receipt, self.site.zone):
            self.instant(device, instant, edges, now)
        self.queue(device)
        self.dirty.add(device.name)

    def _acting_time(self, snapshot: Snapshot, picture: Picture, now: int) -> tuple[int | None, bool]:
        """When a snapshot acts (None: it is late), and whether its clock is doubtful."""
        tolerance = self.site.times.clock_tolerance
        ahead, old = snapshot.time > now + tolerance, snapshot.time < now - tolerance
        if old and (catch_up := self.sight.catch_up) is not None:
            catch_up.last_old = now
        if ahead or (old and not self.sight.backlogged(snapshot.bridge)):
            same = snapshot.source == picture.source
            if same and snapshot.sequence <= picture.sequence and snapshot.time < picture.time:
                return None, False  # an old one of a run that we have seen beyond
            return now, True  # its clock is ahead, behind, or was set back: better doubtful than unseen
        if picture.seen:
            newest = picture.acted if picture.clock_doubtful else picture.time
            if snapshot.time < newest:
                return None, False
            if (
                snapshot.time == newest
                and snapshot.source == picture.source
                and snapshot.sequence <= picture.sequence
            ):
                return None, False
        return snapshot.time, False

    def take_plan(self, message: PlanMessage, now: int) -> None:
        """Take a plan sent over the air."""
        device = self.device(message.device, message.unit, now)
        plan, entry = message.plan, self.site.devices.get(message.device)
        own = entry.plan if entry is not None else None
        if plan is None:
            plan = own
        elif own is not None and own.glucose_risk:
            plan = plan._replace(glucose_risk=True)  # what the site knows of this risk no message takes away
        device.picture.plan_sent = message.plan is not None
        if plan == device.picture.plan:
            return
        device.picture.plan = plan  # its windows take effect at the next snapshot
        self._counters["plans"] += 1
        self.journal.note(
            "plan-changed", now=now, device=device.name, message=message.id, withdrawn=message.plan is None
        )
        self.dirty.add(device.name)

    def take_site_plan(self, device: Device, now: int) -> None:
        """After a start: the site file may have another plan than before; one sent over the air stands."""
        entry = self.site.devices.get(device.name)
        plan = entry.plan if entry is not None else None
        if device.picture.plan_sent or plan == device.picture.plan:
            return
        device.picture.plan = plan
        self.journal.note("plan-changed", now=now, device=device.name, withdrawn=plan is None)
        self.dirty.add(device.name)

    def full_for(self, name: str) -> bool:
        """Whether a device is one too many: not listed, not yet heard of, after so many others like it."""
        if name in self.devices or name in self.site.devices:
            return False
        return len(self.devices) >= MOST_UNLISTED + len(self.site.devices)

    def device(self, name: str, unit: str, now: int) -> Device:
        """The device of this name; one not heard of before is watched from now on."""
        device = self.devices.get(name)
        if device is None:
            picture = Picture(unit)
            entry = self.site.devices.get(name)
            if entry is not None:
                picture.plan = entry.plan
            device = self.devices[name] = Device(name, picture, self.site.rules_for(unit, name))
            device.resting = self.sight.resting("")
            self._new_unit(unit)
            if entry is None and not self.only_rules:
                self.journal.note("device-not-listed", now=now, device=name, unit=unit)
        return device

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

    def instant(self, device: Device, at: int, edges: Sequence[Edge], now: int) -> None:
        """Act on one instant of a device: what began, rose and ended, and what is settled by now."""
        if edges:
            self.dirty.add(device.name)
        if self.only_rules:
            self.tell(device.name, edges, now)
            return
        for edge in edges:
            self.responsibility.edge(
                device.name, device.picture.unit, edge, now, self._evidence(device, edge)
            )
        device.calm_due = None
        picture = device.picture
        for concern in self.responsibility.open_of(device.name):
            if concern.holding:
                told = (
                    picture.acted == at
                )  # a changed rule is judged at a snapshot, not at another rule's deadline
                if not (concern.rule_changed and told and lets_go(device.rules, concern.rule, picture)):
                    continue
                concern.holding, concern.rule_changed = False, False
            if concern.about in ("alarms", "delivery") and not picture.safe(at, self.site.times.safe_after):
                self.await_calm(device)
                continue
            self.responsibility.settle(concern, at, now, why_settled(concern.about, concern.rule, picture))

    def tell(self, subject: str, edges: Sequence[Edge], now: int) -> None:
        """Tell what rules do, where nothing is made of it (`replay --only-rules`)."""
        for edge in edges:
            self.journal.note(
                edge.kind,
                now=now,
                at=edge.at,
                rule=edge.rule.id,
                device=subject,
                priority=PRIORITY[edge.rank],
                detail={} if edge.since is None else {"since": edge.since},
            )

    def _evidence(self, device: Device, edge: Edge) -> dict[str, object]:
        """What made a rule hold: the message, its values, the thresholds."""
        picture = device.picture
        known = {
            "message": picture.id,
            "source": picture.source,
            "activity": picture.activity,
            "alarms": [list(alarm) for alarm in picture.alarms[:MOST_EVIDENCE]] or None,
            "mains": picture.mains,
            "battery_percent": picture.battery_percent,
            "battery_low": picture.battery_low,
            "delivered_ml": picture.delivered_ml,
            "target_ml": picture.target_ml,
            "onsets": [[at, alarm.condition] for at, alarm in counted(edge.rule, picture, edge.at)] or None,
        }
        thresholds = {
            name: [quantity.number, quantity.unit] for name, quantity in edge.rule.thresholds.items()
        }
        return {key: value for key, value in known.items() if value is not None} | {"thresholds": thresholds}

    def fire(self, name: str, now: int) -> None:
        """A deadline of this device may be due."""
        device = self.devices[name]
        device.queued = None
        if device.resting:
            return
        self.pass_deadlines(device, now)
        self.queue(device)

    def await_calm(self, device: Device) -> None:
        """Look again when the device will have fed for long enough without an alarm."""
        if device.picture.calm_since is not None:
            device.calm_due = device.picture.calm_since + self.site.times.safe_after

    def pass_deadlines(self, device: Device, now: int) -> None:
        """Let pass what is due by now, less the lateness that snapshots are given."""
        until = now - self.site.times.lateness
        due = device.due()
        if due is not None and due <= until:
            for instant, edges in device.instants(None, until, now, self.site.zone):
                self.instant(device, instant, edges, now)
            self.dirty.add(device.name)

    def end_feed(self, device: Device, now: int) -> None:
        """A person has answered that the feed is over for now."""
        at = max(now, device.subject.stepped + 1)
        if not device.resting:  # deadlines before the answer are instants of their own
            for instant, edges in device.instants(None, at - 1, now, self.site.zone):
                self.instant(device, instant, edges, now)
        device.picture.feed_ended, device.picture.feed_due = True, False
        device.picture.new_onsets = ()  # those of the last snapshot have been counted
        edges = device.subject.instant(device.rules, device.picture, at, fresh=True)  # and nothing received
        self.instant(device, at, edges, now)
        self.queue(device)
        self.dirty.add(device.name)

    def queue(self, device: Device) -> None:
        """Put the device's next deadline on the heap, unless an earlier one is there."""
        if device.resting or (due := device.due()) is None:
            return
        at = due + self.site.times.lateness
        if device.queued is None or at < device.queued:
            device.queued = at
            self._timers.put(at, Kind.DEVICE, device.name)

    def troubled(self, concern: Concern, now: int) -> bool:
        """Whether the trouble is still there, for a wait or a recheck."""
        device = self.devices.get(concern.subject)
        if device is None:
            return concern.holding
        track = device.subject.tracks.get(concern.rule)
        rule = self.site.rule(concern.rule)
        if rule is not None and rule.pattern == "recurring":
            if not isinstance(track, RecurringTrack):
                return False
            newest = track.newest()
            new_onset = newest is not None and newest > (concern.called_at or concern.opened)
            return track.active() or new_onset
        unsafe = concern.about in ("alarms", "delivery") and not device.picture.safe(
            now, self.site.times.safe_after
        )
        return concern.holding or unsafe

    def backlogged(self, subject: str) -> bool:
        """Whether a backlog is being read that may say more of this subject."""
        device = self.devices.get(subject)
        return device is not None and self.sight.backlogged(device.picture.bridge)
