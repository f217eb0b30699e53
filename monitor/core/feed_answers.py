"""Answers about the feed and the pump: held, over, away, out of service, swapped, moved; what is done and said.

Editing rules: whoever answers hears until when, what is still watched, and what happens then. Too much is refused with
the most that is allowed, never quietly made less.
"""

from __future__ import annotations

from typing import Final

from monitor.core.briefing import named
from monitor.core.concern import Concern
from monitor.core.device import Device
from monitor.core.effects import Asked
from monitor.core.fleet import Fleet
from monitor.core.holds import AWAY, FEED_ENDED, HOLD, OUT_OF_SERVICE, Holds, limit_of
from monitor.core.instants import show_duration
from monitor.core.journal import Journal
from monitor.core.phrases import clock, one_line
from monitor.core.places import Places
from monitor.core.responsibility import Responsibility
from monitor.core.site import Site

PLACE_MAX: Final = 60  # characters of a place, as in the site file
PAGER_PLACE_MAX: Final = 24

EVENT: Final = {HOLD: "held", FEED_ENDED: "feed-ended", AWAY: "away"}
"""How the journal names an answer."""
WHAT: Final = {HOLD: "A hold", FEED_ENDED: "That a feed is over", AWAY: "Being away"}

NO_PUMP: Final = "no pump of this id is listed or was ever heard of. Look at its label."


class Refused(Exception):
    """An answer that is not taken, and why: what is wrong, and what is allowed."""


class FeedAnswers:
    """Takes answers about one device's feed, its place, or the device itself."""

    def __init__(
        self,
        site: Site,
        journal: Journal,
        responsibility: Responsibility,
        fleet: Fleet,
        holds: Holds,
        places: Places,
    ) -> None:
        self._site, self._journal, self._responsibility = site, journal, responsibility
        self._fleet, self._holds, self._places = fleet, holds, places

    def device(self, name: str, now: int) -> Device | None:
        """A device that was heard of or is listed; None if it is neither, or a drill's."""
        device = self._fleet.get(name)
        if (
            device is None
            and not self._site.is_drill(name)
            and (entry := self._site.devices.get(name)) is not None
        ):
            device = self._fleet.device(name, entry.unit, now)
        return device

    # ---- held, over, away ------------------------------------------------------------------------------------------

    def answer(
        self,
        device: Device | None,
        concern: Concern | None,
        asked: Asked,
        reason: str | None,
        now: int,
        slack: int,
    ) -> str:
        """The feed is held or over, or the pump is away; `slack` (ms) is what another's clock may be ahead."""
        if device is None:
            raise Refused("this concern is not about one pump's feed." if concern is not None else NO_PUMP)
        if self._site.is_drill(device.name):
            raise Refused("this is a drill's made-up pump, which has no feed.")
        kind, risk = asked.answer, device.picture.glucose_risk
        if kind in (HOLD, AWAY) and not reason and not slack:  # a button has no words
            raise Refused("say why, in a few words.")
        until = self._until(device.name, kind, asked.until, now, slack, glucose_risk=risk)
        planned = device.picture.plan is not None and bool(device.picture.plan.windows)
        self._journal.note(
            EVENT[kind],
            now=now,
            concern=concern.id if concern is not None else None,
            device=device.name,
            person=asked.person,
            via=asked.via,
            reason=reason or "",
            detail={} if until is None else {"until": until},
        )
        if until is not None:
            self._holds.begin(device, kind, asked.person, until, now)
        if kind == FEED_ENDED and not risk and (planned or until is None):
            self._fleet.end_feed(device, now)
        if until is None:
            self._over_for_now(device, asked.person, now)
        return self._said(device, kind, asked.person, until, now, planned=planned)

    def _until(
        self, device: str, kind: str, until: int | None, now: int, slack: int, *, glucose_risk: bool
    ) -> int | None:
        """Until when an answer counts; None: until the pump feeds again. Raises Refused."""
        if until is None and kind == FEED_ENDED and not glucose_risk:
            return None
        limit = limit_of(kind, glucose_risk=glucose_risk)
        latest = now + limit
        if glucose_risk or slack:  # a button that answers by itself is nobody who has looked
            latest = self._holds.latest(device, kind, limit, now)
        if until is None and kind == FEED_ENDED:
            return latest
        at_most = f"{clock(latest, now, self._site.zone)} at the latest"
        if until is None:
            raise Refused(f"say until when, {at_most}.")
        if until <= now:
            raise Refused(f"that time is past. Say one to come, {at_most}.")
        if until > latest + slack:
            why = ", as a stop is dangerous here" if glucose_risk and kind != AWAY else ""
            raise Refused(
                f"{WHAT[kind].lower()} counts for {show_duration(limit)} at most{why}, so until {at_most}. "
                "After that, answer again."
            )
        return min(until, latest)

    def _over_for_now(self, device: Device, person: str, now: int) -> None:
        """A feed that is over without an end: nothing is due, so what its rules have open is only winding up."""
        self._holds.replace(device.name, HOLD, FEED_ENDED, now)
        quieted = {rule.id for rule in device.rules if FEED_ENDED in rule.source.quieted_by}
        for concern in self._responsibility.open_of(device.name):
            if concern.rule in quieted:
                self._responsibility.hold(concern, person, now)

    def _said(
        self, device: Device, kind: str, person: str, until: int | None, now: int, *, planned: bool
    ) -> str:
        risk = device.picture.glucose_risk
        at = "" if until is None else clock(until, now, self._site.zone)
        quiet = "Until then nobody is called because it does not feed."
        watched = " Its alarms, its battery, and whether it can be seen are still watched."
        parts = []
        if kind == HOLD:
            parts = [f"Held until {at}: {self._place(device)}. {quiet}{watched}"]
        elif kind == AWAY:
            parts = [
                f"Recorded: {self._place(device)} is away until {at}. Until then nobody is called because it is not "
                "heard of. Whatever happens there meanwhile cannot be seen, so somebody has to be with it."
            ]
        elif until is None:
            parts = ["Recorded: the feed is over. If the pump feeds again, it is watched again."]
        elif risk:
            parts = [
                f"Recorded: the feed is over for now. As a stop is dangerous here, that counts until {at} only. "
                f"{quiet}{watched}"
            ]
        else:
            parts = [f"Recorded: the feed is over until {at}. {quiet}"]
        if until is not None:
            still = "it is not heard of" if kind == AWAY else "it does not feed"
            if kind == FEED_ENDED and planned and not risk:
                parts.append(f"From {at} on it is watched by its plan again.")
            elif self._site.rota.is_on_duty(person, now):
                parts.append(f"If {still} at {at}, you are told first, then the first on duty.")
            else:
                parts.append(f"You are not on duty now: if {still} at {at}, the first on duty are told.")
        if kind == HOLD and device.picture.delivering:
            parts.append("It delivers now: if it is not stopped within 5 min, the hold is over.")
        left = [
            named(self._site, other)
            for other in self._responsibility.open_of(device.name)
            if other.holder != person
        ]
        if left:
            parts.append(f"Still open here, so accept or decline: {'; '.join(left)}.")
        return " ".join(parts)

    # ---- out of service, swapped, moved ----------------------------------------------------------------------------

    def withdraw(self, device: Device | None, asked: Asked, reason: str, now: int) -> str:
        """A whole device is out of service."""
        device = self._real(device)
        live = self._responsibility.open_of(device.name)
        self._journal.note(
            "device-withdrawn", now=now, device=device.name, person=asked.person, via=asked.via, reason=reason
        )
        for concern in live:
            self._responsibility.answer(concern, "withdraw", asked.person, now, reason)
        self._holds.begin(device, OUT_OF_SERVICE, asked.person, None, now)
        ended = (
            f" What was open about it ({len(live)}) is withdrawn; everybody who was told hears it."
            if live
            else ""
        )
        feeding = (
            " It was last heard feeding: if it still is in 5 min, it is watched again."
            if device.picture.delivering
            else ""
        )
        return (
            f"Out of service: {device.name}.{ended} Nobody is called about it until it is heard feeding again, is "
            f"moved, or takes over a feed by swap.{feeding}"
        )

    def place(self, device: Device | None, asked: Asked, reason: str | None, now: int) -> str:
        """A pump is moved, or its feed goes on with another."""
        device = self._real(device)
        return (
            self._move(device, asked, now)
            if asked.answer == "move"
            else self._swap(device, asked, reason, now)
        )

    def _move(self, device: Device, asked: Asked, now: int) -> str:
        place = one_line(asked.to.get("place", ""))
        pager_place = one_line(asked.to.get("pager_place", "")) or None
        unit = asked.to.get("unit") or device.picture.unit
        if not place:
            raise Refused("say where it stands now, as a nurse knows the place.")
        if len(place) > PLACE_MAX:  # half a place can be read as another one
            raise Refused(f"the place has {len(place)} characters; {PLACE_MAX} at most.")
        if pager_place is not None and len(pager_place) > PAGER_PLACE_MAX:
            raise Refused(
                f"the place for pages has {len(pager_place)} characters; {PAGER_PLACE_MAX} at most."
            )
        if unit not in self._site.units:
            raise Refused(f"no such unit; the units are {', '.join(self._site.units)}.")
        if unit != device.picture.unit:
            if device.picture.seen:
                raise Refused(
                    "its messages come under another unit, and those decide whom Second Bell calls. Have its bridge "
                    "publish it under the new unit; then move it without naming a unit."
                )
            self._fleet.put_in(device, unit, now)
        self._places.move(device, place, pager_place, asked.person, now)
        live = self._responsibility.open_of(device.name)
        left = f" Open here: {'; '.join(named(self._site, concern) for concern in live)}." if live else ""
        paged = "" if pager_place else " Pages name the pump instead, as no short place for pages was given."
        return f"Recorded: {device.name} is at {place} from now on.{paged}{left}"

    def _swap(self, old: Device, asked: Asked, reason: str | None, now: int) -> str:
        if not reason:
            raise Refused("say why it is swapped.")
        name = asked.to.get("device", "")
        if name == old.name:
            raise Refused("that is the same pump twice.")
        new = self._real(self.device(name, now), "of the new pump: ")
        if (problem := self._places.swap_problem(old, new)) is not None:
            raise Refused(problem)
        self._places.swap(old, new, asked.person, reason, now)
        live = self._responsibility.open_of(new.name)
        left = (
            f" Open, and about {new.name} now: {'; '.join(named(self._site, c) for c in live)}."
            if live
            else ""
        )
        unheard = (
            "" if new.picture.seen else f" {new.name} has not been heard of yet: switch it on and connect it."
        )
        return (
            f"Swapped: the feed of {old.name} goes on with {new.name} at {self._place(new)}, with its plan and what "
            f"was given.{unheard} {old.name} is out of service until it is heard feeding again.{left} Check the pump's "
            "own settings against the prescription."
        )

    def _real(self, device: Device | None, which: str = "") -> Device:
        if device is None:
            raise Refused(which + NO_PUMP)
        if self._site.is_drill(device.name):
            raise Refused("this is a drill's made-up pump.")
        return device

    def _place(self, device: Device) -> str:
        return one_line(self._site.place(device.name) or device.name)
