"""The feeds of a fleet: plans that come and change, a feed that is over, one that goes on with another pump."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from monitor.core.concern import Concern
from monitor.core.device import Device
from monitor.core.evidence import evidence
from monitor.core.messages import PlanMessage
from monitor.core.rulebook import CompiledRule
from monitor.core.waking import Waking


class Feeds(Waking):
    """The part of the fleet that is about feeds."""

    def take_plan(self, message: PlanMessage, now: int) -> str:
        """Take a plan sent over the air; what became of it, as it is counted."""
        device = self.device(message.device, message.unit, now)
        plan, entry = message.plan, self.site.entry(message.device)
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
        self._plan_changed(device, now)
        if not device.picture.seen:
            self.unseen.wait_for(device.name, message.unit, plan, now)
        self.journal.note(
            "plan-changed", now=now, device=device.name, message=message.id, withdrawn=message.plan is None
        )
        self.dirty.add(device.name)
        return "plans"

    def take_site_plan(self, device: Device, now: int) -> None:
        """After a start: the site file may have another plan than before; one sent over the air stands."""
        entry = self.site.entry(device.name)
        plan = entry.plan if entry is not None else None
        if device.picture.plan_sent or plan == device.picture.plan:
            return
        device.picture.plan = plan
        device.subject.unsettle()
        self._plan_changed(device, now)
        self.journal.note("plan-changed", now=now, device=device.name, withdrawn=plan is None)
        self.dirty.add(device.name)

    def _plan_changed(self, device: Device, now: int) -> None:
        """Where a stop is dangerous, nothing said before keeps anybody quiet for long."""
        self.count(device)
        if device.picture.glucose_risk and device.picture.feed_ended:
            device.picture.feed_ended = False
            self.journal.note("feed-due-again", now=now, device=device.name)
        self.holds.cap(device, now)

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

    def stir(self, device: Device, now: int, moved: Mapping[str, Concern]) -> None:
        """A feed came to a device, or left it: what rules say by now; those of concerns that `moved` with it go on."""
        self.see_again(device)
        at = max(now, device.subject.stepped + 1)
        device.picture.new_onsets = ()
        rules: Sequence[CompiledRule] = device.rules
        if not device.picture.seen:  # nothing else is known of it yet: it has to be heard of soon
            rules = [rule for rule in rules if rule.pattern == "silent"]
        edges = device.subject.instant(rules, device.picture, at, fresh=True, receipt=at)
        for edge in edges:
            if edge.rule.id not in moved:
                seen = evidence(edge, device.subject.tracks.get(edge.rule.id), device.picture)
                self.responsibility.edge(device.name, device.picture.unit, edge, now, seen)
        for concern in moved.values():
            concern.holding = concern.rule in device.subject.tops
            if not concern.holding:
                self.await_calm(device)
        self.queue(device)
        self.dirty.add(device.name)
