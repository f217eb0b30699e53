"""Gathers the facts of a notice from what the engine knows at the moment of sending."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.device import Device
from monitor.core.facts import Facts
from monitor.core.guidance import checks
from monitor.core.ladders import people_of
from monitor.core.phrases import one_line
from monitor.core.picture import Picture
from monitor.core.site import Site
from monitor.core.wording import ACTIVITY, CONDITIONS

MOST_PLACES = 40  # in one notice about a unit; the rest is counted


def facts_of(
    site: Site,
    concern: Concern,
    device: Device | None,
    person: str,
    why: str,
    now: int,
    places: Sequence[str] = (),
) -> Facts:
    """What may be said of a concern to one person now; `device` is None for a unit's concern."""
    rule = site.rule(concern.rule)
    picture = device.picture if device is not None else Picture(concern.unit)
    entry = site.devices.get(concern.subject)
    told = concern.told.get(person)
    return Facts(
        concern=concern.id,
        rule=concern.rule,
        sentence=rule.sentence if rule else concern.rule,
        hazard=rule.hazard if rule else "",
        priority=concern.priority,
        site=site.name,
        unit=concern.unit,
        place=entry.place if entry else None,
        pager_place=entry.pager_place if entry else None,
        device=concern.subject if device is not None else "",
        setting=site.setting,
        why=why,
        now=now,
        raised_at=concern.raised_at,
        since=concern.since,
        times=concern.times,
        alarms=picture.alarms,
        activity=picture.activity,
        last_seen=picture.receipt if not picture.clock_doubtful else picture.acted,
        reporting_interval=site.times.reporting,
        unreadable=picture.unreadable,
        clock_doubtful=picture.clock_doubtful,
        mains=picture.mains,
        battery_percent=picture.battery_percent,
        battery_low=picture.battery_low,
        rate_ml_h=picture.rate_ml_h,
        delivered_ml=picture.delivered_ml,
        target_ml=picture.target_ml,
        feed_due=picture.feed_due,
        delivering=picture.delivering,
        glucose_risk=picture.glucose_risk,
        checks=checks(
            rule.checks,
            concern.times,
            setting=site.setting,
            alarms=picture.alarms,
            delivering=picture.delivering,
            glucose_risk=picture.glucose_risk,
            scope=rule.scope,
        )
        if rule
        else (),
        code=site.code(concern.id, person),
        holder=site.called(concern.holder or concern.last_holder),
        next_at=next_at(concern, now),
        next_who=next_who(site, concern, now),
        recheck_at=concern.recheck_at,
        late_by=concern.late_by,
        settled=concern.settled,
        places=tuple(places),
        told_before=told[2] if told else 0,
    )


def next_at(concern: Concern, now: int) -> int | None:
    """When somebody else is told if nobody accepts: of a call just being sent, its wait from now on."""
    if concern.state is not State.OPEN or not concern.wait:
        return None
    return concern.wait_at if concern.waits_from_send else now + concern.wait


def next_who(site: Site, concern: Concern, now: int) -> str | None:
    """Who is told next if nobody accepts, by duty label; None: everybody again."""
    ladder = site.ladder(concern.unit, concern.priority)
    for rung in ladder.rungs[concern.rung + 1 :]:
        people = [
            person
            for person in people_of(rung, concern.unit, now, site.rota)
            if person not in concern.refused
        ]
        if people:
            return " and ".join(filter(None, (site.called(person) for person in people)))
    return None


def why_settled(about: str, rule: str, picture: Picture | None) -> str:
    """Why a concern is over and what the pump does now, in words."""
    if about == "sight":
        return "it is heard of again" if rule != "sight-lost" else "the pumps can be seen again"
    assert picture is not None
    if about == "power":
        return "it is on mains again" if picture.mains else "its battery is no longer low"
    if picture.delivering:
        return "it feeds again, without an alarm"
    return f"no alarm, no feed due; the pump is {ACTIVITY.get(picture.activity, picture.activity)}"


def last_known(site: Site, device: Device) -> str:
    """One line about a device that cannot be seen: its place and what was wrong when last seen."""
    picture = device.picture
    entry = site.devices.get(device.name)
    place = one_line(entry.place, 40) if entry and entry.place else f"{device.name}, place not recorded"
    if not picture.seen:
        return f"{place}: not yet seen"
    alarms = picture.troubled_alarms
    if alarms:
        named = [CONDITIONS.get(alarm.condition, alarm.condition) for alarm in alarms]
        return f"{place}: when last seen {', '.join(map(str, named))}"
    risk = ", a stop is dangerous" if picture.glucose_risk and picture.feed_due else ""
    return f"{place}: when last seen {ACTIVITY.get(picture.activity, picture.activity)}, no alarm{risk}"
