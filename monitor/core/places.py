"""Where pumps stand and which feed goes on with them, as people record it: `move` and `swap`.

What is recorded wins over the site file until the file says something else of that pump. A swap carries the feed: plan,
what was given, what is held, and the concerns, under their ids; the old pump is out of service until it feeds again.

Editing rules: a pump that may feed another person is never given this one's feed: when in doubt it is refused.
A place is a person's words: it stands in a row that can be erased, never in the trail.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from monitor.core.device import Device
from monitor.core.holds import HOLD, OUT_OF_SERVICE, Holds
from monitor.core.instants import HOUR
from monitor.core.journal import Journal
from monitor.core.messages import Plan, Window
from monitor.core.picture import Picture
from monitor.core.progress import CATCH_UP_CAP
from monitor.core.responsibility import Responsibility
from monitor.core.site import Site, Standing

if TYPE_CHECKING:
    from monitor.core.fleet import Fleet

VERSION: Final = 1
FEED: Final = ("feed_due", "feed_ended", "window_start", "day_start", "given_ml", "given_known")
"""What a picture has of the feed rather than of the pump."""


class Places:
    """What is recorded of places, in `site.standing`; each engine has its own."""

    def __init__(
        self, site: Site, journal: Journal, fleet: Fleet, holds: Holds, responsibility: Responsibility
    ) -> None:
        self._site, self._journal, self._fleet = site, journal, fleet
        self._holds, self._responsibility = holds, responsibility
        self.dirty: set[str] = set()

    def move(self, device: Device, place: str, pager_place: str | None, person: str, now: int) -> None:
        """A pump stands somewhere else from now on, with its feed."""
        before = self._site.standing.get(device.name)
        with_plan, plan = (False, None) if before is None else (before.with_plan, before.plan)
        self._record(device.name, place, pager_place, now, with_plan, plan, swapped=False)
        self._journal.note("place-recorded", now=now, device=device.name, person=person)
        self._holds.serve(device.name, now)

    def swap_problem(self, old: Device, new: Device) -> str | None:
        """Why a feed must not go on with this pump, or None."""
        picture = new.picture
        if picture.plan is not None:
            return "the new pump has a feeding plan of its own, so it is somebody else's. Swap or end that feed first."
        fed, began = old.picture.last_feeding, picture.delivering_since
        if picture.delivering and fed is not None and began is not None and began <= fed:
            return "the new pump was feeding while the old one still fed, so it feeds somebody else."
        if (picture.feed_due and not picture.delivering) or self._holds.find(new.name, HOLD) is not None:
            return (
                "the new pump has a feed of its own that was stopped and is not over. If that is left from before, "
                "answer feed-ended with the new pump's id first."
            )
        return None

    def swap(self, old: Device, new: Device, person: str, reason: str, now: int) -> None:
        """The feed of one pump goes on with another."""
        self._journal.note(
            "swapped",
            now=now,
            device=old.name,
            person=person,
            reason=reason,
            to=self._journal.key("device", new.name),
        )
        entry, plan = self._site.entry(old.name), old.picture.plan
        place, pager_place = (None, None) if entry is None else (entry.place, entry.pager_place)
        self._holds.serve(new.name, now)
        self._record(new.name, place, pager_place, now, True, plan, swapped=True)
        self._record(old.name, None, None, now, True, None, swapped=False)
        self._carry_feed(old, new, now)
        moved = self._responsibility.carry(old.name, new.name, new.picture.unit, now)
        if new.picture.unit != old.picture.unit:
            self._responsibility.moved(new.name, old.picture.unit, now)
        self._holds.carry(old.name, new, now)
        self._holds.begin(old, OUT_OF_SERVICE, person, None, now)
        self._fleet.stir(new, now, moved)
        self._fleet.stir(old, now, {})

    def take_up(self, device: Device, delivered_ml: float | None, rate_ml_h: float | None, at: int) -> None:
        """The first word of a pump with which a feed goes on: is what its counter shows of this feed?"""
        recorded = self._site.standing.get(device.name)
        if recorded is None or not recorded.swapped or device.picture.seen or delivered_ml is None:
            return
        since = device.picture.last_feeding or recorded.since
        device.picture.counter_ml = 0.0 if can_be_of(delivered_ml, rate_ml_h, at - since) else delivered_ml

    def _carry_feed(self, old: Device, new: Device, now: int) -> None:
        before, after = old.picture, new.picture
        after.plan, after.plan_sent = before.plan, before.plan_sent
        for field in FEED:
            setattr(after, field, getattr(before, field))
        gave, fed = after.delivered_ml if after.seen else None, before.last_feeding
        if gave is not None and fed is not None and can_be_of(gave, after.rate_ml_h, now - fed):
            after.given_ml += gave  # it was started before anybody said so
        after.last_feeding = max((at for at in (fed, after.last_feeding) if at is not None), default=None)
        blank = Picture(before.unit)
        before.plan, before.plan_sent = None, False
        for field in FEED:
            setattr(before, field, getattr(blank, field))
        for device in (old, new):
            device.subject.unsettle()
            self._fleet.count(device)
            self._fleet.dirty.add(device.name)

    # ---- state ---------------------------------------------------------------------------------------------------

    def _record(
        self,
        name: str,
        place: str | None,
        pager_place: str | None,
        now: int,
        with_plan: bool,
        plan: Plan | None,
        *,
        swapped: bool,
    ) -> None:
        self._site.standing[name] = Standing(
            place, pager_place, now, with_plan, plan, swapped, _entry(self._site, name)
        )
        self.dirty.add(name)

    def take_rows(self) -> dict[tuple[str, str], str | None]:
        """The rows to store with a transaction."""
        rows: dict[tuple[str, str], str | None] = {}
        for name in self.dirty:
            recorded = self._site.standing.get(name)
            rows["place", name] = None if recorded is None else json.dumps([VERSION, recorded])
        self.dirty.clear()
        return rows

    def load(self, rows: Mapping[str, str], now: int) -> list[str]:
        """Go on with what is stored; lets go of what the site file says otherwise by now: these devices."""
        let_go = []
        for name, text in rows.items():
            recorded = read(text)
            if stands(self._site, name, recorded):
                self._site.standing[name] = recorded
                continue
            let_go.append(name)
            self.dirty.add(name)
            self._journal.note("place-let-go", now=now, device=name, since=recorded.since)
        return let_go

    def forget(self, name: str) -> None:
        """Nothing is known of this device any more."""
        if self._site.standing.pop(name, None) is not None:
            self.dirty.add(name)


def read(text: str) -> Standing:
    """What a row says."""
    fields: list[Any] = json.loads(text)[1]
    fields[4], fields[6] = _plan(fields[4]), tuple(fields[6])
    return Standing(*fields)


def stands(site: Site, name: str, recorded: Standing) -> bool:
    """Whether what is recorded of a device still wins: the site file says of it what it said then."""
    return json.dumps(recorded.entry) == json.dumps(_entry(site, name))


def can_be_of(delivered_ml: float, rate_ml_h: float | None, ms: int) -> bool:
    """Whether a pump can have given so much in this time: more, and its counter shows another feed too."""
    return delivered_ml <= max(rate_ml_h or 0.0, CATCH_UP_CAP) * ms / HOUR


def _entry(site: Site, name: str) -> tuple[object, ...]:
    """What the site file says of a device that is recorded otherwise."""
    entry = site.devices.get(name)
    return () if entry is None else (entry.unit, entry.place, entry.pager_place, entry.plan)


def _plan(values: list[Any] | None) -> Plan | None:
    if values is None:
        return None
    plan = Plan._make(values)
    return plan._replace(windows=tuple(Window(*window) for window in plan.windows))
