"""Gathers the facts of a notice from what the engine knows at the moment of sending."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.core.calls import CALLS
from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.device import Device
from monitor.core.fact_words import condition_of, what_of
from monitor.core.facts import Facts, RateFacts
from monitor.core.guidance import checks
from monitor.core.ladders import people_of
from monitor.core.messages import AlarmCondition
from monitor.core.phrases import clock, missing, one_line
from monitor.core.picture import NOT_FED_FOR, Picture
from monitor.core.progress import feeding_day, scheduled_ml
from monitor.core.reasons import sentence
from monitor.core.site import Site
from monitor.core.tracks import counted
from monitor.core.wording import ACTIVITY, FEED_KIND

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
    entry = site.entry(concern.subject)
    told = concern.told.get(person)
    planned = None if (progress := picture.progress) is None else progress.target_ml
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
        device="" if concern.subject.startswith("unit:") else concern.subject,
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
        target_ml=picture.target_ml if picture.target_ml is not None else planned,
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
            about=rule.about,
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
        reason=sentence(concern.evidence, now, site.zone, still=concern.holding),
        ended=_ended(concern, picture),
        shortfall_ml=picture.shortfall_ml,
        left_ml=_left(picture),
        kcal_per_ml=None if picture.plan is None else picture.plan.kcal_per_ml,
        minutes_left=picture.minutes_left,
        hanging=_hanging(picture, now) if concern.rule == "hung-too-long" else (),
        rate=_rate(picture) if concern.rule == "behind-plan" else None,
        link=site.link(concern.id, person, now),
        place_since=site.place_since(concern.subject),
        drill=site.is_drill(concern.subject),
    )


def _ended(concern: Concern, picture: Picture) -> int | None:
    """When it was over: of a feed that runs, when it began to again, which is before its rule lets go."""
    at = concern.settled_at
    again = picture.delivering_since if picture.delivering else None
    if at is None or again is None or not concern.begun < again <= at:
        return at
    return again


def _hanging(picture: Picture, now: int) -> tuple[tuple[str, int], ...]:
    plan = picture.plan
    if plan is None:
        return ()
    kind = f" ({FEED_KIND[plan.feed_kind]})" if plan.feed_kind else ""
    hung = ((f"container{kind}", plan.container_hung), ("giving set", plan.set_hung))
    return tuple((what, max(0, now - since)) for what, since in hung if since is not None)


def _left(picture: Picture) -> float | None:
    """What is left of the plan's target, in mL, where it is known what was given."""
    now = picture.progress
    if now is None or now.target_ml is None or now.shortfall_ml is None:
        return None
    return max(0.0, now.target_ml - picture.given_ml)


def _rate(picture: Picture) -> RateFacts | None:
    now = picture.progress
    if now is None or now.needed_ml_h is None or now.cannot_ml is None:
        return None
    return RateFacts(needed_ml_h=now.needed_ml_h, allowed_ml_h=now.allowed_ml_h, cannot_ml=now.cannot_ml)


def named(site: Site, concern: Concern) -> str:
    """A concern as an answer names it: the place as a nurse knows it, and what is wrong there."""
    if site.is_drill(concern.subject):
        return f"the drill of {concern.unit}"
    entry = site.entry(concern.subject)
    unit = concern.subject.startswith("unit:")
    place = f"unit {concern.unit}" if unit else (entry and entry.place) or concern.subject
    return f"{one_line(place)} ({what_of(concern.rule)})"


def _onsets(concern: Concern, device: Device | None) -> tuple[tuple[int, AlarmCondition], ...]:
    """The onsets that a concern's rule has counted, up to the newest."""
    rule = (
        next((rule for rule in device.rules if rule.id == concern.rule), None) if device is not None else None
    )
    if device is None or rule is None or not device.picture.recent:
        return ()
    found = counted(rule, device.picture, device.picture.recent[-1][0])
    lines = {tuple(reason["alarm"]) for reason in concern.evidence.get("held", ()) if "alarm" in reason}
    return tuple((at, alarm) for at, alarm in found if not lines or (alarm.condition, alarm.line) in lines)


def next_at(concern: Concern, now: int) -> int | None:
    """When somebody else is told if nobody accepts: of a call just being sent, its wait from now on."""
    if concern.state is not State.OPEN or not concern.wait:
        return None
    return concern.wait_at if concern.waits_from_send else now + concern.wait


def next_who(site: Site, concern: Concern, now: int) -> str | None:
    """Who is told next if nobody accepts, by duty label; None: everybody again."""
    ladder, then = site.ladder(concern.unit, concern.priority), next_at(concern, now) or now
    for rung in ladder.rungs[concern.rung + 1 :]:
        people = [
            person
            for person in people_of(rung, concern.unit, now, site.rota)
            if person not in concern.refused and site.reachable(person, concern.rank, then)
        ]
        if people:
            return " and ".join(filter(None, (site.called(person) for person in people)))
    return None


def last_seen(site: Site, picture: Picture) -> int:
    """When the values were true: at their receipt, but for those that a backlog brought late."""
    late = picture.receipt - picture.acted > site.times.clock_tolerance
    return picture.acted if late else picture.receipt


def why_settled(about: str, rule: str, picture: Picture | None, raised_at: int | None = None) -> str:
    """Why a concern is over and what the pump does now, in words; `raised_at`: when its rule began to hold."""
    if picture is None:
        if rule == "drill-missed":
            return "a later drill was accepted"
        return "the pumps can be seen again" if rule == "sight-lost" else "it is over"
    if about == "sight":
        return f"it is heard of again; {doing(picture)}"
    if about == "plan":
        return f"{_plan_settled(rule, picture, raised_at)}; {doing(picture)}"
    if about == "power":
        charging = rule == "not-charging"
        if picture.mains is None:
            why = "it no longer says how it is powered, so look at its plug"
        elif charging:
            why = (
                "its battery no longer falls"
                if picture.mains
                else "it is off the mains now; nobody knows yet whether it charges"
            )
        else:
            why = "it is on mains again" if picture.mains else "its battery is no longer low"
        return f"{why}; {doing(picture)}"
    now = doing(picture)
    if picture.activity == "feeding":
        return now.replace("the pump is feeding", "it feeds again", 1)
    if picture.delivering:
        return f"it delivers again; {now}"
    unplanned = picture.in_window is None
    if unplanned and picture.last_feeding is not None and picture.acted - picture.last_feeding > NOT_FED_FOR:
        return (
            "nothing has fed for 4 h, so Second Bell takes the feed as ended; nobody has said so, so look whether "
            f"this person should be fed; {now}"
        )
    return f"no feed is due; {now}"


def _plan_settled(rule: str, picture: Picture, raised_at: int | None) -> str:
    """Why a concern about the plan is over."""
    plan = picture.plan
    if plan is None:
        return "there is no plan for it any more"
    if rule == "hung-too-long":
        if plan.container_hung is None and plan.set_hung is None:
            return "no hang times are recorded any more"
        return "the hang times as recorded are within their limits again"
    if rule == "over-plan":
        return "it gives no more than the plan allows" if picture.delivering else "it delivers no more"
    if rule != "behind-plan":
        return "it is as planned again"
    if picture.feed_ended:
        return "somebody has answered that the feed is over for now"
    if not picture.given_known:
        return "what was given is not known any more, as the pump's counter went back"
    if raised_at is not None and picture.day_start is not None and picture.day_start > raised_at:
        return "a new feeding day of its plan has begun; what the last one was short of was not given"
    if picture.in_window and picture.shortfall_ml is not None:
        if picture.shortfall_ml < 1:
            return "what was given is as planned again"
        behind = missing(picture.shortfall_ml, plan.kcal_per_ml)
        return f"what was given is {behind} behind the plan, within the limits"
    wanted = plan.target_ml if plan.target_ml is not None else picture.target_ml
    day = feeding_day(plan, picture.zone, picture.acted)
    if day is not None and day.left(picture.acted):  # as with meals by day
        due = scheduled_ml(day, wanted, picture.acted)
        short = 0.0 if due is None else max(0.0, due - picture.given_ml)
        so_far = "" if due is None else f", {missing(short, plan.kcal_per_ml)} behind it so far"
        return f"its plan pauses until the next time of the day{so_far}"
    if wanted is None:
        return "the times of its plan are over"
    short = wanted - picture.given_ml
    if short <= 0:
        return "the times of its plan are over, and the target was given"
    return f"the times of its plan are over, {missing(short, plan.kcal_per_ml)} short of the target"


def doing(picture: Picture) -> str:
    """What a pump does now, and whether it is in alarm."""
    if alarms := picture.troubled_alarms:
        now = ", in alarm: " + ", ".join(condition_of(a.condition) for a in alarms)
    else:
        now = ", a low priority alarm only" if picture.alarms else ", no alarm"
    if picture.activity == "unknown":
        return f"what the pump does is unknown{now}"
    return f"the pump is {ACTIVITY.get(picture.activity, picture.activity)}{now}"


def last_known(site: Site, name: str, picture: Picture | None, now: int) -> str:
    """One line about a device that cannot be seen: its place and what was wrong when last seen."""
    entry = site.entry(name)
    place = one_line(entry.place, 40) if entry and entry.place else f"{name}, place not recorded"
    if picture is None or not picture.seen:
        return f"{place}: not yet seen"
    seen = clock(last_seen(site, picture), now, site.zone)
    risk = ", a stop is dangerous" if picture.glucose_risk and picture.feed_due else ""
    return f"{place}: last seen {seen}, {doing(picture).removeprefix('the pump is ')}{risk}"
