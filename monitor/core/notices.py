"""What a notice says: the text of mails, from the facts of one or more concerns.

Pure functions of the facts. Whoever edits this file keeps a mail readable on a phone at 3 a.m.: what to do
first, one fact a line. The words stand in `wording`, the checks and cautions in `guidance`; pages are
written in `pages`. Texts from outside go through `one_line`: they can add no line, header or hidden character.
"""

from collections.abc import Sequence
from typing import Final, NamedTuple

from monitor.core.drill_words import MADE_UP, drill_opening
from monitor.core.fact_words import by_urgency, condition_of, errand, filled, how_seen, place_of, what_of
from monitor.core.facts import Facts
from monitor.core.gsm7 import fit
from monitor.core.guidance import CAUTION, CAUTION_SHORT
from monitor.core.messages import AlarmCondition
from monitor.core.pages import ON_A_PAGE, page
from monitor.core.phrases import clock, for_how_long, missing, ml, one_line, ordinal, quantity, times
from monitor.core.plans import Zone
from monitor.core.wording import ACTIVITY, SOUND, WHAT

__all__ = [
    "CAUTION",
    "CAUTION_SHORT",
    "ON_A_PAGE",
    "Facts",
    "Text",
    "mail",
    "page",
    "place_of",
    "technical_mail",
    "technical_page",
]


class Text(NamedTuple):
    """A mail: its subject, one line safe for a header, and its plain-text body."""

    subject: str
    body: str


# IEC 60601-1-8: high asks for an immediate response, medium for a prompt one, low for awareness.
_URGENCY: Final = {"high": "now", "medium": "soon", "low": "when you can"}


def mail(facts: Sequence[Facts], zone: Zone) -> Text:
    """The mail about one concern, or several gathered; `zone` is for its times of the day.

    ValueError for no facts at all, or for drills among real concerns.
    """
    ordered = by_urgency(facts)
    first = ordered[0]
    subject = _subject(first) + (f" (+{len(ordered) - 1} more)" if len(ordered) > 1 else "")
    parts = [MADE_UP] if first.drill else []
    if len(ordered) > 1:
        several = f"{len(ordered)} concerns in this mail, the most urgent first."
        calls = any(fact.told_as.kind == "call" for fact in ordered)
        parts.append(
            f"{several} Accepting one answers for all that are open at the same pump." if calls else several
        )
    parts.append("\n\n----------\n\n".join(_block(fact, zone) for fact in ordered))
    parts.append(CAUTION)
    return Text(subject, "\n\n".join(parts) + "\n")


def technical_mail(subject: str, lines: Sequence[str], now: int, zone: Zone) -> Text:
    """A mail to the technical contact about Second Bell itself, told at `now` (ms)."""
    title = one_line(subject, 100) or "needs a look"
    said = "\n".join(one_line(line, 600) for line in lines)
    body = f"Second Bell, {clock(now, now, zone)}: {title}.\n" + (f"\n{said}\n" if said else "")
    return Text(f"Second Bell, technical: {title}", f"{body}\n{CAUTION_SHORT}\n")


def technical_page(subject: str, lines: Sequence[str], now: int, zone: Zone) -> str:
    """The same as a page of at most 160 septets of ASCII."""
    said = "; ".join([subject, *lines])
    return fit(f"Second Bell technical {clock(now, now, zone)}: {said}", ascii_only=True)


def _subject(fact: Facts) -> str:
    """Priority, place, what and device: the same through a thread but for the label before it."""
    label = f"{fact.told_as.label}: " if fact.told_as.label else ""
    device = f" ({one_line(fact.device, 24)})" if fact.device and fact.place and not fact.drill else ""
    drill = "DRILL " if fact.drill else ""
    return (
        f"{drill}{label}{fact.priority.upper()} PRIORITY, {place_of(fact, 40)}: {what_of(fact.rule)}{device}"
    )


def _block(fact: Facts, zone: Zone) -> str:
    """One concern in a mail: what to do, the pump's facts, the checks, how to answer, what is next."""
    kind = fact.told_as.kind
    if fact.drill:
        answering = _answering(fact, zone) if kind == "call" else ""
        return "\n\n".join(part for part in (drill_opening(fact, zone), answering) if part)
    parts = [_opening(fact, zone), pump_places(fact) if fact.unit_wide else pump_lines(fact, zone)]
    if fact.checks and kind in ("call", "yours"):
        parts.append(
            "\n".join([lead(fact), *(f"{n}. {one_line(check)}" for n, check in enumerate(fact.checks, 1))])
        )
    parts.append(_answering(fact, zone))
    return "\n\n".join(part for part in parts if part)


def lead(fact: Facts) -> str:
    """What stands before the checks."""
    if fact.setting == "home":
        return "The carer may be asleep: say who is calling, then ask for this, in this order:"
    return "Look at, in this order:"


def _opening(fact: Facts, zone: Zone) -> str:
    """The first lines: the sentence that says what to do, why it is told now, how often it was so before."""
    why = fact.told_as
    words = WHAT.get(fact.rule)
    clause = (
        words.clause.format(d=for_how_long(fact.lasted)) if words else one_line(fact.sentence).rstrip(".")
    )
    if fact.stale and not fact.unit_wide:
        clause += f", {how_seen(fact, zone)}"
    priority = f"{fact.priority.upper()} PRIORITY"
    reason = filled(why.mail, fact, zone)
    if why.kind == "call":
        first = f"{priority}: please {errand(fact)} {_URGENCY[fact.priority]}: {clause}."
        lines = [first, reason]
    elif why.kind == "yours":
        lines = [f"{priority}, {place_of(fact)}: {clause}.", reason]
    else:
        lines = [f"{why.label}: {priority}, {place_of(fact)}, {what_of(fact.rule)}. {reason}"]
    if fact.settled and why.kind == "over":
        lines.append(f"Why, and the pump now: {one_line(fact.settled).rstrip('.')}.")
    if fact.late_by:
        lines.append(f"Told {for_how_long(fact.late_by)} late: Second Bell could not see or send in between.")
    at_place = f", at this place since {clock(fact.place_since, fact.now, zone)}" if fact.place_since else ""
    pump = f"Pump: {one_line(fact.device, 64)}{at_place}. " if fact.device else ""
    lines.append(f"{pump}Unit {one_line(fact.unit, 64)}, {one_line(fact.site, 64)}.")
    often = f"the {ordinal(fact.times)} time; it began at {clock(fact.begun, fact.now, zone)}."
    if fact.told_before > 0:
        often += f" You were told of it {times(fact.told_before)} before."
    lines.append(f"How often: {often}")
    if fact.reason and why.kind in ("call", "yours"):
        lines.append(one_line(fact.reason, 600))
    if fact.onsets:
        lines.append(when_it_was(fact, zone))
    if why.kind in ("call", "yours") and fact.hazard:
        lines.append(f"Why it matters: {one_line(fact.hazard)}")
    return "\n".join(lines)


def when_it_was(fact: Facts, zone: Zone) -> str:
    """When it happened, where, and what has been tried: the side is said although the line may be clear now."""
    seen: dict[str, list[str]] = {}
    for at, alarm in fact.onsets:
        seen.setdefault(condition_of(alarm.condition), []).append(clock(at, fact.now, zone))
    when = "; ".join(f"{what} at {', '.join(_counted(clocks))}" for what, clocks in seen.items())
    tried = "Each time it was cleared at the pump" if len(fact.onsets) > 1 else "It was cleared at the pump"
    standing = {(alarm.condition, alarm.line) for alarm in fact.alarms}
    if any((alarm.condition, alarm.line) in standing for _, alarm in fact.onsets):
        tried = "It was cleared at the pump in between" if len(fact.onsets) > 1 else ""
    return f"When: {when}." + (f" {tried}, which did not mend it." if tried else "")


def _counted(clocks: Sequence[str]) -> list[str]:
    """Times of the day, each once: of several within a minute, how many."""
    often = {at: clocks.count(at) for at in clocks}
    return [at if count == 1 else f"{at} ({times(count)})" for at, count in often.items()]


def pump_places(fact: Facts) -> str:
    """The pumps of a unit that is out of sight, with their last known troubles."""
    if (words := WHAT.get(fact.rule)) is not None and words.errand:
        return ""  # nobody has to go to them
    lines = [f"- {one_line(place)}" for place in fact.places] or ["- no pump of it was seen yet"]
    return "\n".join(["Its pumps, as last seen:", *lines])


def pump_lines(fact: Facts, zone: Zone) -> str:
    """What the pump reported last, unknown said as unknown."""
    if fact.last_seen <= 0:
        lines = ["The pump has not been seen yet."]
    else:
        alarms = "; ".join(_alarm(alarm, fact.now, zone) for alarm in fact.alarms) or "none"
        due = "yes" if fact.feed_due else "no"
        lines = [
            f"The pump, {how_seen(fact, zone)}:",
            f"- alarms: {alarms}",
            f"- doing: {ACTIVITY.get(fact.activity, one_line(fact.activity, 40))}; feed due: {due}",
            f"- power: {_power(fact)}",
            f"- delivered: {ml(fact.delivered_ml)}; set rate: {quantity(fact.rate_ml_h, 'mL/h')}",
            f"- target: {ml(fact.target_ml)}; left to give: {_left(fact)}",
        ]
        if fact.shortfall_ml is not None and fact.shortfall_ml >= 1:
            lines.append(f"- behind the plan: {missing(fact.shortfall_ml, fact.kcal_per_ml)}")
        lines += [f"- {what}: hung for {for_how_long(hung)}" for what, hung in fact.hanging]
        lines += _rate(fact)
    if fact.unreadable > 0:
        lines.append(f"- messages since then that could not be read: {min(fact.unreadable, 9999)}")
    if fact.clock_doubtful:
        lines.append("- its clock is doubtful: its times may be wrong")
    return "\n".join(lines)


def _alarm(alarm: AlarmCondition, now: int, zone: Zone) -> str:
    """One active alarm condition."""
    what = condition_of(alarm.condition)
    line = f", {one_line(alarm.line, 20)} line" if alarm.line else ""
    sound = SOUND.get(alarm.inactivation, one_line(alarm.inactivation, 40))
    since = "" if alarm.since is None else f", since {clock(alarm.since, now, zone)}"
    return f"{what}{line}, {one_line(alarm.priority, 20)} priority, {sound}{since}"


def _power(fact: Facts) -> str:
    """Mains and battery."""
    mains = {True: "on mains", False: "not on mains", None: "mains unknown"}[fact.mains]
    percent = quantity(fact.battery_percent, "%")
    low = {True: ", low", False: ", not low", None: ""}[fact.battery_low]
    left = ""
    if fact.minutes_left is not None and fact.mains is False:
        when = "then" if fact.stale else "as it falls now"
        left = f", about {quantity(fact.minutes_left, 'min')} left {when}"
    return f"{mains}, battery {percent}{low}{left}"


def _rate(fact: Facts) -> list[str]:
    """What the rest would need: for somebody licensed, on the ward, of values that are not old; never an order."""
    rate = fact.rate
    if rate is None or fact.setting != "ward" or fact.stale or fact.told_as.kind not in ("call", "yours"):
        return []
    rest, allowed = ml(fact.left_ml), quantity(rate.allowed_ml_h, "mL/h")
    if rate.cannot_ml > 0:
        said = (
            f"even at the highest allowed rate, {allowed}, {missing(rate.cannot_ml, fact.kcal_per_ml)} of the "
            f"remaining {rest} would not be given in what is left of the plan's times"
        )
    else:
        needed = quantity(rate.needed_ml_h, "mL/h")
        said = (
            f"the remaining {rest} would take {needed} in what is left of the plan's times; "
            f"highest allowed: {allowed}"
        )
    return [f"- information for somebody licensed to decide, not an instruction: {said}"]


def _left(fact: Facts) -> str:
    """What of the target has not been delivered."""
    if fact.left_ml is not None:
        return ml(fact.left_ml)
    if fact.target_ml is None or fact.delivered_ml is None:
        return "unknown"
    return ml(max(0.0, fact.target_ml - fact.delivered_ml))


def _answering(fact: Facts, zone: Zone) -> str:
    """How to accept, what accepting does not do, and what happens next."""
    kind, code = fact.told_as.kind, one_line(fact.code, 20)
    if kind == "over":
        return ""
    again = f"at {clock(fact.recheck_at, fact.now, zone)}" if fact.recheck_at is not None else "later"
    phone = f"\nTo answer on your phone: {fact.link}" if fact.link else ""
    if kind == "yours":
        recheck = f"Next: {again} Second Bell looks again; if it is still so, you and the next are told."
        give_back = f"You cannot see to it: secondbell hand-back {code} --as YOUR-ID"
        return f"{recheck}\n{give_back}{phone}"
    if kind == "told":
        recheck = f"Next: {again} Second Bell looks again; if it is still so, it is open again."
        return f"{recheck}\nTo take it over: secondbell take-over {code} --as YOUR-ID{phone}"
    lines = [
        f"To take it: answer with code {code} (secondbell accept {code} --as YOUR-ID).{phone}",
        f"You cannot see to it: secondbell decline {code} --as YOUR-ID, so that nobody waits for you.",
        "Accepting tells all who were told that you have it. It does not silence the pump. "
        "Nobody reads a reply to this mail.",
    ]
    lines.append(next_told(fact, zone))
    return "\n".join(lines)


def next_told(fact: Facts, zone: Zone) -> str:
    """Who is told next, and when, if nobody accepts."""
    if fact.next_at is None:
        return "Next: nobody else is told."
    who = "all who were told are told again"
    if fact.next_who:
        who = f"{one_line(fact.next_who, 60)} {'are' if ' and ' in fact.next_who else 'is'} told"
    return f"Next: if nobody accepts by {clock(fact.next_at, fact.now, zone)}, {who}."
