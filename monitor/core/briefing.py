"""Gathers the facts of a notice from what the engine knows at the moment of sending."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.core.calls import CALLS
from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.device import Device
from monitor.core.facts import Facts
from monitor.core.guidance import checks
from monitor.core.ladders import people_of
from monitor.core.messages import AlarmCondition
from monitor.core.phrases import clock, one_line
from monitor.core.picture import NOT_FED_FOR, Picture
from monitor.core.site import Site
from monitor.core.tracks import counted
from monitor.core.wording import ACTIVITY, CONDITIONS, WHAT

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
        last_seen=last_seen(site, picture),
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
        late_by=concern.late_by if why in CALLS and not (told and told[2]) else None,
        settled=concern.settled,
        places=tuple(places),
        told_before=told[2] if told else 0,
        onsets=_onsets(concern, device),
    )


def named(site: Site, concern: Concern) -> str:
    """A concern as an answer names it: the place as a nurse knows it, and what is wrong there."""
    entry = site.devices.get(concern.subject)
    unit = concern.subject.startswith("unit:")
    place = f"unit {concern.unit}" if unit else (entry and entry.place) or concern.subject
    what = WHAT[concern.rule].short if concern.rule in WHAT else concern.rule.replace("-", " ")
    return f"{one_line(place)} ({what})"


def _onsets(concern: Concern, device: Device | None) -> tuple[tuple[int, AlarmCondition], ...]:
    """The onsets that a concern's rule has counted, up to the newest."""
    rule = (
        next((rule for rule in device.rules if rule.id == concern.rule), None) if device is not None else None
    )
    if device is None or rule is None or not device.picture.recent:
        return ()
    return tuple(counted(rule, device.picture, device.picture.recent[-1][0]))


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


def last_seen(site: Site, picture: Picture) -> int:
    """When the values were true: at their receipt, but for those that a backlog brought late."""
    late = picture.receipt - picture.acted > site.times.clock_tolerance
    return picture.acted if late else picture.receipt


def why_settled(about: str, rule: str, picture: Picture | None) -> str:
    """Why a concern is over and what the pump does now, in words."""
    if picture is None:
        return "the pumps can be seen again" if rule == "sight-lost" else "it is over"
    if about == "sight":
        return f"it is heard of again; {doing(picture)}"
    if about == "power":
        if picture.mains:
            why = "it is on mains again"
        elif picture.mains is None:
            why = "it no longer says how it is powered, so look at its plug"
        else:
            why = "its battery is no longer low"
        return f"{why}; {doing(picture)}"
    now = doing(picture)
    if picture.activity == "feeding":
        return now.replace("the pump is feeding", "it feeds again", 1)
    if picture.delivering:
        return f"it delivers again; {now}"
    if picture.last_feeding is not None and picture.acted - picture.last_feeding > NOT_FED_FOR:
        return (
            "nothing has fed for 4 h, so Second Bell takes the feed as ended; nobody has said so, so look whether "
            f"this person should be fed; {now}"
        )
    return f"no feed is due; {now}"


def doing(picture: Picture) -> str:
    """What a pump does now, and whether it is in alarm."""
    if alarms := picture.troubled_alarms:
        now = ", in alarm: " + ", ".join(CONDITIONS.get(a.condition, a.condition) for a in alarms)
    else:
        now = ", a low priority alarm only" if picture.alarms else ", no alarm"
    if picture.activity == "unknown":
        return f"what the pump does is unknown{now}"
    return f"the pump is {ACTIVITY.get(picture.activity, picture.activity)}{now}"


def last_known(site: Site, name: str, picture: Picture | None, now: int) -> str:
    """One line about a device that cannot be seen: its place and what was wrong when last seen."""
    entry = site.devices.get(name)
    place = one_line(entry.place, 40) if entry and entry.place else f"{name}, place not recorded"
    if picture is None or not picture.seen:
        return f"{place}: not yet seen"
    seen = clock(last_seen(site, picture), now, site.zone)
    risk = ", a stop is dangerous" if picture.glucose_risk and picture.feed_due else ""
    return f"{place}: last seen {seen}, {doing(picture).removeprefix('the pump is ')}{risk}"
