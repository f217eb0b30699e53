"""All devices: what a snapshot does to one of them, and which of its concerns that settles.

Which devices there are stands in `room`, when each is due in `waking`, plans in `feeds`, going back in `undoing`.

Editing rules: when a snapshot acts, and whether it is late, a duplicate or overtaken, is decided here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Sequence

from monitor.core import chronicle
from monitor.core.briefing import why_settled
from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.device import RESTS, Device, Edge
from monitor.core.evidence import evidence
from monitor.core.feeds import Feeds
from monitor.core.messages import Snapshot
from monitor.core.picture import Picture
from monitor.core.rulebook import PRIORITY
from monitor.core.tracks import RecurringTrack, lets_go
from monitor.core.undoing import Undoing
from monitor.core.worsening import BETTER, TAKEN_ONCE, WORSE, better, measure, worse


class Fleet(Feeds, Undoing):
    """The devices of a site."""

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
        if name in self._dropped or name in self._claims or name in self.holds:
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
        if not picture.seen:
            self.places.take_up(device, snapshot.delivered_ml, snapshot.rate_ml_h, at)
        picture.clock_doubtful = doubtful
        if snapshot.unit != picture.unit:
            self._move(device, snapshot.unit, now)
        if snapshot.bridge != picture.bridge:
            device.subject.marked = self.sight.marks  # earlier returns of its new bridge did not concern it
            if device.queued == RESTS:
                device.queued = None
        if self.sight.resting(snapshot.bridge):
            device.subject.restart_silence(now)  # nothing was silent while nothing could be seen
        was, counter_ml = chronicle.of(picture, picture.acted), picture.counter_ml
        for instant, edges in device.instants(snapshot, at, receipt, self.site.zone):
            self.instant(device, instant, edges, now)
        self._mark(device, was, counter_ml)
        self.count(device)
        self.queue(device)
        self.dirty.add(device.name)
        return "snapshots"

    def _mark(self, device: Device, was: chronicle.Mark, counter_ml: float | None) -> None:
        """Keep a mark for handovers, if what is drawn has changed, or it is time, or it was silent for long.

        `was`: what the snapshot before said, `counter_ml` its counter. That one is kept too, where something was lost
        between the two: sight, or what the counter showed.
        """
        picture, silence = device.picture, device.picture.acted - was.at
        lost = silence > chronicle.UNSEEN and silence > chronicle.patience(device.rules)
        if counter_ml is not None and picture.delivered_ml is not None:
            lost = lost or picture.delivered_ml < counter_ml
        mark = chronicle.of(picture, was.at)
        if not (lost or chronicle.due(picture.noted, mark.at) or not mark.same(was)):
            return
        kept = picture.noted == chronicle.minute(was.at)
        picture.noted = chronicle.minute(mark.at)
        if self.only_rules or self.site.is_drill(device.name):
            return
        if lost and was.at and not kept:
            self.marks[chronicle.KIND, chronicle.key(device.name, was.at)] = chronicle.write(was)
        self.marks[chronicle.KIND, chronicle.key(device.name, mark.at)] = chronicle.write(mark)

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
        was, counter_ml = chronicle.of(picture, picture.acted), picture.counter_ml
        for instant, edges in device.instants(
            picture.again(snapshot.site, device.name, shown), at, picture.receipt, self.site.zone
        ):
            self.instant(device, instant, edges, now)
        self._mark(device, was, counter_ml)
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
            if concern.measure is not None and not better(concern.rule, concern.measure, picture):
                continue
            self._keep_concerns(device.name)
            why = why_settled(concern.about, concern.rule, picture, concern.raised_at)
            self.responsibility.settle(concern, at, now, why)
        if device.name in self.holds:
            self.holds.look(device, at, now)

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

    def troubled(self, concern: Concern, now: int) -> bool:
        """Whether the trouble is still there, for a wait or a recheck."""
        device = self.devices.get(concern.subject)
        if device is None:
            return concern.holding and not (concern.state is State.ACCEPTED and concern.rule in TAKEN_ONCE)
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

    def known(self, concern: Concern) -> bool:
        """Whether what holds again is no worse than what somebody was told."""
        device = self.devices.get(concern.subject)
        if device is None or concern.measure is None or concern.rule not in BETTER:
            return False
        return not worse(concern.rule, concern.measure, device.picture)

    def measure(self, concern: Concern) -> list[float | None] | None:
        """What to remember of a concern when somebody is told, to know later whether it is worse."""
        device = self.devices.get(concern.subject)
        return None if device is None else measure(concern.rule, device.picture)

    def backlogged(self, subject: str) -> bool:
        """Whether a backlog is being read that may say more of this subject."""
        device = self.devices.get(subject)
        return device is not None and self.sight.backlogged(device.picture.bridge)
