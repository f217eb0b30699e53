"""All devices: what a snapshot does to one of them, which of its concerns that settles, and when it is due next.

Editing rules: when a snapshot acts, and whether it is late, a duplicate or overtaken, is decided here and nowhere else.
"""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Callable, Sequence
from typing import NamedTuple

from monitor.core.briefing import why_settled
from monitor.core.claims import Claims
from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.device import RESTS, Device, Edge, Subject
from monitor.core.evidence import evidence
from monitor.core.journal import Journal
from monitor.core.messages import PlanMessage, Snapshot
from monitor.core.picture import Picture
from monitor.core.responsibility import Responsibility
from monitor.core.rulebook import PRIORITY
from monitor.core.sight import SightState
from monitor.core.site import Site
from monitor.core.timers import Kind, Timers
from monitor.core.tracks import RecurringTrack, lets_go
from monitor.core.unseen import Unseen
from monitor.core.worsening import WORSE, measure, worse

MOST_UNLISTED = 10_000  # a sender of ever new device names must not fill memory and trail
GONE_AFTER = (
    24 * 3_600_000
)  # ms of silence after which an unlisted device may be forgotten if there is no room
STEP = 25  # what a device that is stepped costs, in devices only looked at
LOOK_AGAIN = 60_000  # ms between two looks for room where there was none: each looks at all devices


class Undo(NamedTuple):
    """What a device was before a message; `device` None: it was not known."""

    name: str
    device: Device | None
    was: tuple[object, ...]


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

    def repeats(self, snapshot: Snapshot, now: int) -> bool:
        """Take the usual snapshot by a short way: on time, of a device that can be seen, telling rules nothing new.

        False: it is not one of those, nothing was done, and `take` has to. Else what `take` would have done was done.
        """
        device = self.devices.get(snapshot.device)
        if device is None or snapshot.dropped or device.calm_due is not None:
            return False
        picture, subject, time = device.picture, device.subject, snapshot.time
        tolerance = self.site.times.clock_tolerance
        if (
            not now - tolerance <= time <= now + tolerance
            or time <= picture.time
            or picture.clock_doubtful
            or snapshot.id == picture.id
            or not subject.repeats(device.rules, time, now)
        ):
            return False
        name, bridge, sight = device.name, picture.bridge, self.sight
        if sight.resting(bridge) or sight.mark_of(bridge).number > subject.marked:
            return False
        if name in self._dropped or name in self._claims:
            return False
        if not self.only_rules and (concerns := self.responsibility.of_subject.get(name)):
            for concern in concerns.values():
                if concern.live:
                    return False
        before = picture.sequence
        if not picture.repeat(snapshot, time, now):
            return False
        subject.repeat(time, now)
        if before and (gap := snapshot.sequence - before - 1) > 0:
            self._counters["sequence-gaps"] += gap
        if device.queued is None:
            self.queue(device)
        self.dirty.add(name)
        return True

    def take(self, snapshot: Snapshot, now: int) -> str:
        """Take a snapshot received at `now`; what became of it, as it is counted."""
        device = self.device(snapshot.device, snapshot.unit, now)
        picture = device.picture
        self.see_again(device)
        if snapshot.source != picture.source:
            if picture.seen and (outcome := self._claimed(device, snapshot, now)) is not None:
                return outcome
        elif picture.seen and snapshot.id == picture.id:
            return "duplicate"
        at, doubtful = self._acting_time(snapshot, picture, now)
        if at is None:
            return "late"
        if device.name in self._claims:
            shown = self._claims.shown(device.name, now, snapshot.alarms)
            snapshot = snapshot._replace(alarms=shown)
        stepped, receipt = device.subject.stepped, now
        if at <= stepped:
            if stepped > picture.acted:
                self._counters["overtaken"] += 1
            at = stepped + 1
            receipt = max(now, at)  # put off: it counts as received no earlier than it acts
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
            device.subject.marked = self.sight.marks  # earlier returns of its new bridge did not concern it
            if device.queued == RESTS:
                device.queued = None
        if self.sight.resting(snapshot.bridge):
            device.subject.restart_silence(now)  # nothing was silent while nothing could be seen
        for instant, edges in device.instants(snapshot, at, receipt, self.site.zone):
            self.instant(device, instant, edges, now)
        self.count(device)
        self.queue(device)
        self.dirty.add(device.name)
        return "snapshots"

    def _claimed(self, device: Device, snapshot: Snapshot, now: int) -> str | None:
        """What becomes of a snapshot of another bridge than the device's; None if it takes the device over."""
        picture, tolerance = device.picture, self.site.times.clock_tolerance
        backlogged = self.sight.backlogged(snapshot.bridge)
        outcome = self._claims.weigh(
            picture,
            snapshot,
            now,
            tolerance=tolerance,
            backlogged=backlogged,
            seen=not self.sight.lost(picture.bridge),
        )
        if outcome != "contested":
            return outcome
        bridges = sorted((picture.bridge, snapshot.bridge))
        self.journal.note("claimed-by-two", now=now, device=device.name, detail={"bridges": bridges})
        shown = self._claims.shown(device.name, now)
        if shown == picture.alarms:
            return outcome
        close = abs(snapshot.time - now) <= tolerance or backlogged
        at = max(min(snapshot.time, now) if close else now, device.subject.stepped + 1)
        for instant, edges in device.instants(
            picture.again(snapshot.site, device.name, shown), at, picture.receipt, self.site.zone
        ):
            self.instant(device, instant, edges, now)
        self.queue(device)
        self.dirty.add(device.name)
        return outcome

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

    def take_plan(self, message: PlanMessage, now: int) -> str:
        """Take a plan sent over the air; what became of it, as it is counted."""
        device = self.device(message.device, message.unit, now)
        plan, entry = message.plan, self.site.devices.get(message.device)
        own = entry.plan if entry is not None else None
        if plan is None:
            plan = own
        elif own is not None and own.glucose_risk:
            plan = plan._replace(glucose_risk=True)  # what the site knows of this risk no message takes away
        device.picture.plan_sent = message.plan is not None
        if plan == device.picture.plan:
            return "plans unchanged"
        device.picture.plan = plan  # its windows take effect at the next snapshot
        device.subject.unsettle()
        self.count(device)
        if not device.picture.seen:
            self.unseen.wait_for(device.name, message.unit, plan, now)
        self.journal.note(
            "plan-changed", now=now, device=device.name, message=message.id, withdrawn=message.plan is None
        )
        self.dirty.add(device.name)
        return "plans"

    def take_site_plan(self, device: Device, now: int) -> None:
        """After a start: the site file may have another plan than before; one sent over the air stands."""
        entry = self.site.devices.get(device.name)
        plan = entry.plan if entry is not None else None
        if device.picture.plan_sent or plan == device.picture.plan:
            return
        device.picture.plan = plan
        device.subject.unsettle()
        self.count(device)
        self.journal.note("plan-changed", now=now, device=device.name, withdrawn=plan is None)
        self.dirty.add(device.name)

    def full_for(self, name: str) -> bool:
        """Whether a device is one too many: not listed, not yet heard of, after so many others like it."""
        if name in self.devices or name in self.site.devices:
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
        self.responsibility.of_subject.pop(device.name, None)
        self.dirty.discard(device.name)
        self.gone.append(device.name)
        self._counters["devices forgotten"] += 1
        self.journal.note("device-forgotten", now=now, device=device.name, heard=device.picture.receipt)

    def device(self, name: str, unit: str, now: int) -> Device:
        """The device of this name; one not heard of before is watched from now on."""
        device = self.devices.get(name)
        if device is None:
            picture = Picture(unit)
            entry = self.site.devices.get(name)
            if entry is not None:
                picture.plan = entry.plan
            device = self.devices[name] = Device(name, picture, self.site.rules_for(unit, name))
            device.subject.marked = self.sight.marks
            self.count(device)
            self._counters["devices"] += 1
            self.dirty.add(name)
            self._new_unit(unit)
            if entry is None and not self.only_rules:
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

    def instant(self, device: Device, at: int, edges: Sequence[Edge], now: int) -> None:
        """Act on one instant of a device: what began, rose and ended, and what is settled by now."""
        if edges:
            self.dirty.add(device.name)
        if self.only_rules:
            self.tell(device.name, edges, now)
            return
        if edges:
            self._keep_concerns(device.name)  # before the first is touched
        picture = device.picture
        for edge in edges:
            seen = evidence(edge, device.subject.tracks.get(edge.rule.id), picture)
            self.responsibility.edge(device.name, picture.unit, edge, now, seen)
        device.calm_due = None
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
            self._keep_concerns(device.name)
            why = why_settled(concern.about, concern.rule, picture, concern.raised_at)
            self.responsibility.settle(concern, at, now, why)

    # ---- a fault of ours in the middle of a step -------------------------------------------------------------------

    def before(self, name: str, *, answered: bool = False) -> Undo:
        """What this device is now, to go back to if taking a message fails half-way; `answered`: its concerns too."""
        self.guarding, self._touched = True, ""
        if answered:
            self._keep_concerns(name)
        device = self.devices.get(name)
        return Undo(name, device, () if device is None else device.state())

    def undo(self, undo: Undo, now: int) -> None:
        """Make the device and its concerns what they were; what has been noted meanwhile stays in the trail."""
        self.guarding = False
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
        self._claims.forget(undo.name)
        self._dropped.pop(undo.name, None)
        if self._touched == undo.name:
            self.responsibility.undo(undo.name, now)

    def _keep_concerns(self, name: str) -> None:
        if self.guarding and self._touched != name:
            self._touched = name
            self.responsibility.keep(name)

    # ---- what is due -----------------------------------------------------------------------------------------------

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

    def fire(self, name: str, now: int) -> bool:
        """A deadline of this device may be due; whether it was stepped."""
        device = self.devices.get(name)
        device = self.unseen.missed(name, device, now) or device
        if device is None:  # forgotten meanwhile, or listed and no feed due
            return False
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

    def end_feed(self, device: Device, now: int) -> None:
        """A person has answered that the feed is over for now."""
        at = max(now, device.subject.stepped + 1)
        self.see_again(device)
        if not self.sight.resting(
            device.picture.bridge
        ):  # deadlines before the answer are instants of their own
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
        if (due := device.due()) is None:
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
        if concern.state is State.ACCEPTED and concern.rule in WORSE and concern.measure is not None:
            return worse(concern.rule, concern.measure, device.picture)
        unsafe = concern.about in ("alarms", "delivery") and not device.picture.safe(
            now, self.site.times.safe_after
        )
        return concern.holding or unsafe

    def measure(self, concern: Concern) -> list[float | None] | None:
        """What to remember of a concern when somebody is told, to know later whether it is worse."""
        device = self.devices.get(concern.subject)
        return None if device is None else measure(concern.rule, device.picture)

    def backlogged(self, subject: str) -> bool:
        """Whether a backlog is being read that may say more of this subject."""
        device = self.devices.get(subject)
        return device is not None and self.sight.backlogged(device.picture.bridge)
