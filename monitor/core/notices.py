"""What a notice says: the text of mails and pages, from the facts of one or more concerns.

Pure functions of the facts. Whoever edits this file keeps a mail readable on a phone at 3 a.m.: what to do
first, one fact a line. The words stand in `wording`, the checks and cautions in `guidance`. Nothing on a page
says more of a person than that a pump needs somebody. Texts from outside go through `one_line` (mail) or
`fit` (page): they can add no line, header or hidden character.
"""

from collections.abc import Sequence
from typing import Final, NamedTuple

from monitor.core.facts import Facts
from monitor.core.gsm7 import SINGLE, fit, septets
from monitor.core.guidance import CAUTION, CAUTION_SHORT
from monitor.core.messages import AlarmCondition
from monitor.core.phrases import capital, clock, for_how_long, missing, ml, one_line, ordinal, quantity, times
from monitor.core.plans import Zone
from monitor.core.wording import ACTIVITY, CONDITIONS, SOUND, WHAT

__all__ = [
    "CAUTION",
    "CAUTION_SHORT",
    "ON_A_PAGE",
    "Facts",
    "Text",
    "mail",
    "page",
    "technical_mail",
    "technical_page",
]

ON_A_PAGE: Final = 3
"""Concerns that one page has room for, each with its code; gather no more into one page."""


class Text(NamedTuple):
    """A mail: its subject, one line safe for a header, and its plain-text body."""

    subject: str
    body: str


# IEC 60601-1-8: high asks for an immediate response, medium for a prompt one, low for awareness.
_URGENCY: Final = {"high": "now", "medium": "soon", "low": "when you can"}
_RANK: Final = {"high": 0, "medium": 1, "low": 2}
_KIND_RANK: Final = {"call": 0, "yours": 0, "told": 1, "over": 2}


def mail(facts: Sequence[Facts], zone: Zone) -> Text:
    """The mail about one concern, or several gathered; `zone` is for its times of the day.

    ValueError for no facts at all, or for drills among real concerns.
    """
    ordered = _ordered(facts)
    first = ordered[0]
    subject = _subject(first) + (f" (+{len(ordered) - 1} more)" if len(ordered) > 1 else "")
    parts = (
        ["DRILL: made up, to prove that the way to you works. Nobody is in trouble."] if first.drill else []
    )
    if len(ordered) > 1:
        several = f"{len(ordered)} concerns in this mail, the most urgent first."
        calls = any(fact.told_as.kind == "call" for fact in ordered)
        parts.append(
            f"{several} Accepting one answers for all that are open at the same pump." if calls else several
        )
    parts.append("\n\n----------\n\n".join(_block(fact, zone) for fact in ordered))
    parts.append(CAUTION)
    return Text(subject, "\n\n".join(parts) + "\n")


def page(facts: Sequence[Facts], zone: Zone) -> str:
    """The page about one concern, or several gathered: at most 160 septets, ending in the code, whole.

    Gathered ones have each its own code behind it. Of more than `ON_A_PAGE` the most urgent are said, and how
    many there are in all. In ASCII, since not every pager has the rest of the alphabet. ValueError as `mail`.
    """
    ordered = _ordered(facts)
    drill = "DRILL " if ordered[0].drill else ""
    if len(ordered) > 1:
        start = f"{drill}{min(len(ordered), 999)} in all: "
        shown = ordered[:ON_A_PAGE]
        room = (SINGLE - septets(start)) // len(shown) - len("; ")
        return start + "; ".join(_item(fact, zone, room) for fact in shown)
    fact = ordered[0]
    tail = _tail(fact)
    text = fit(drill + _head(fact, zone), SINGLE - septets(tail), ascii_only=True)
    for extra in _extras(fact, zone):
        longer = f"{text} {fit(extra, ascii_only=True)}" if extra else text
        if septets(longer) + septets(tail) <= SINGLE:
            text = longer
    return text + tail


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


def _ordered(facts: Sequence[Facts]) -> list[Facts]:
    """The most urgent first, what is over last; ValueError for no facts, or for drills among real ones."""
    if not facts or len({fact.drill for fact in facts}) > 1:
        raise ValueError(
            "a notice is about one concern or more, and drills are never gathered with real ones"
        )
    return sorted(facts, key=lambda fact: (_KIND_RANK[fact.told_as.kind], _RANK[fact.priority]))


def _subject(fact: Facts) -> str:
    """Priority, place, what and device: the same through a thread but for the label before it."""
    words = WHAT.get(fact.rule)
    what = words.short if words else one_line(fact.rule, 30).replace("-", " ")
    label = f"{fact.told_as.label}: " if fact.told_as.label else ""
    device = f" ({one_line(fact.device, 24)})" if fact.device and fact.place else ""
    drill = "DRILL " if fact.drill else ""
    return f"{drill}{label}{fact.priority.upper()} PRIORITY, {_place(fact, 40)}: {what}{device}"


def _block(fact: Facts, zone: Zone) -> str:
    """One concern in a mail: what to do, the pump's facts, the checks, how to answer, what is next."""
    kind = fact.told_as.kind
    parts = [_opening(fact, zone), _places(fact) if fact.unit_wide else _pump(fact, zone)]
    if fact.checks and kind in ("call", "yours"):
        lead = "Look at, in this order:"
        if fact.setting == "home":
            lead = "The carer may be asleep: say who is calling, then ask for this, in this order:"
        parts.append(
            "\n".join([lead, *(f"{n}. {one_line(check)}" for n, check in enumerate(fact.checks, 1))])
        )
    parts.append(_answering(fact, zone))
    return "\n\n".join(part for part in parts if part)


def _opening(fact: Facts, zone: Zone) -> str:
    """The first lines: the sentence that says what to do, why it is told now, how often it was so before."""
    why = fact.told_as
    words = WHAT.get(fact.rule)
    clause = (
        words.clause.format(d=for_how_long(fact.lasted)) if words else one_line(fact.sentence).rstrip(".")
    )
    if fact.stale and not fact.unit_wide:
        clause += f", {_seen(fact, zone)}"
    priority = f"{fact.priority.upper()} PRIORITY"
    reason = _filled(why.mail, fact, zone)
    if why.kind == "call":
        first = f"{priority}: please {_errand(fact)} {_URGENCY[fact.priority]}: {clause}."
        lines = [first, reason]
    elif why.kind == "yours":
        lines = [f"{priority}, {_place(fact)}: {clause}.", reason]
    else:
        short = words.short if words else one_line(fact.rule, 40).replace("-", " ")
        lines = [f"{why.label}: {priority}, {_place(fact)}, {short}. {reason}"]
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
        lines.append(_onsets(fact, zone))
    if why.kind in ("call", "yours") and fact.hazard:
        lines.append(f"Why it matters: {one_line(fact.hazard)}")
    return "\n".join(lines)


def _onsets(fact: Facts, zone: Zone) -> str:
    """When it happened, where, and what has been tried: the side is said although the line may be clear now."""
    seen: dict[str, list[str]] = {}
    for at, alarm in fact.onsets:
        seen.setdefault(_condition(alarm), []).append(clock(at, fact.now, zone))
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


def _condition(alarm: AlarmCondition) -> str:
    return CONDITIONS.get(alarm.condition) or one_line(alarm.condition, 40).replace("-", " ")


def _places(fact: Facts) -> str:
    """The pumps of a unit that is out of sight, with their last known troubles."""
    lines = [f"- {one_line(place)}" for place in fact.places] or ["- no pump of it was seen yet"]
    return "\n".join(["Its pumps, as last seen:", *lines])


def _pump(fact: Facts, zone: Zone) -> str:
    """What the pump reported last, unknown said as unknown."""
    if fact.last_seen <= 0:
        lines = ["The pump has not been seen yet."]
    else:
        alarms = "; ".join(_alarm(alarm, fact.now, zone) for alarm in fact.alarms) or "none"
        due = "yes" if fact.feed_due else "no"
        lines = [
            f"The pump, {_seen(fact, zone)}:",
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
    what = _condition(alarm)
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
    if kind == "yours":
        recheck = f"Next: {again} Second Bell looks again; if it is still so, you and the next are told."
        give_back = f"You cannot see to it: secondbell hand-back {code} --as YOUR-ID"
        return f"{recheck}\n{give_back}"
    if kind == "told":
        recheck = f"Next: {again} Second Bell looks again; if it is still so, it is open again."
        return f"{recheck}\nTo take it over: secondbell take-over {code} --as YOUR-ID"
    lines = [
        f"To take it: answer with code {code} (secondbell accept {code} --as YOUR-ID).",
        f"You cannot see to it: secondbell decline {code} --as YOUR-ID, so that nobody waits for you.",
        "Accepting tells all who were told that you have it. It does not silence the pump.",
    ]
    if fact.next_at is not None:
        who = (
            f"{one_line(fact.next_who, 60)} is told" if fact.next_who else "all who were told are told again"
        )
        lines.append(f"Next: if nobody accepts by {clock(fact.next_at, fact.now, zone)}, {who}.")
    else:
        lines.append("Next: nobody else is told.")
    return "\n".join(lines)


def _head(fact: Facts, zone: Zone, *, seen_first: bool = False) -> str:
    """What a page says first: priority, place, what, for how long, and how old the news is if it is old."""
    words = WHAT.get(fact.rule)
    what = words.page.format(d=for_how_long(fact.lasted)) if words else "needs somebody"
    if fact.told_as.kind in ("told", "over") and words:
        what = words.short
    if fact.stale and not fact.unit_wide and fact.told_as.kind != "over":
        seen = _seen(fact, zone)
        what = f"{seen}, {what}" if seen_first else f"{what}, {seen}"
    label = f"{fact.told_as.label} " if fact.told_as.label else ""
    return f"{label}{fact.priority.upper()} {_pager_place(fact)}: {what}."


def _extras(fact: Facts, zone: Zone) -> list[str]:
    """What a page says next as far as there is room, the most useful first."""
    kind = fact.told_as.kind
    found = [_filled(fact.told_as.page, fact, zone, 24)]
    if kind == "over" and not fact.unit_wide:
        found.append(f"{capital(_seen(fact, zone))} {fit(fact.activity, 12, ascii_only=True)}.")
    if kind == "call":
        if fact.times > 1:
            found.append(f"{ordinal(fact.times)} time.")
        if fact.late_by:
            found.append(f"Told {for_how_long(fact.late_by)} late.")
        found.append("Phone; person first." if fact.setting == "home" else "Person first.")
        if fact.next_at is not None:
            who = f" {fit(fact.next_who, 24, ascii_only=True)}" if fact.next_who else " all again"
            found.append(f"Else {clock(fact.next_at, fact.now, zone)}{who}.")
    if kind in ("told", "yours") and fact.recheck_at is not None:
        found.append(f"Recheck {clock(fact.recheck_at, fact.now, zone)}.")
    return found


def _tail(fact: Facts) -> str:
    """The end of a page: the code, where there is something to answer."""
    if fact.told_as.kind == "over":
        return ""
    return f" {'Take over' if fact.told_as.kind == 'told' else 'Code'} {fit(fact.code, 20, ascii_only=True)}"


def _item(fact: Facts, zone: Zone, room: int) -> str:
    """One concern among several on a page: as much of its head as there is room for, and its code whole."""
    code = "" if fact.told_as.kind == "over" else f" {fit(fact.code, 20, ascii_only=True)}"
    return fit(_head(fact, zone, seen_first=True).rstrip("."), room - septets(code), ascii_only=True) + code


def _errand(fact: Facts) -> str:
    """Where somebody must go, or whom she must phone."""
    place = _place(fact)
    if fact.unit_wide:
        return f"{'phone the homes' if fact.setting == 'home' else 'go round the pumps'} of {place}"
    return f"{'phone the carer at' if fact.setting == 'home' else 'go to'} {place}"


def _place(fact: Facts, longest: int = 60) -> str:
    """The place as a nurse knows it, else the pump, and that no place is recorded."""
    place = one_line(fact.place or "", longest)
    if place:
        return place
    if fact.unit_wide:
        return f"unit {one_line(fact.unit, longest - len('unit '))}"
    return f"{one_line(fact.device, longest - len(' (place not recorded)'))} (place not recorded)"


def _pager_place(fact: Facts) -> str:
    """The place for the air; without one the pump, and whether its place is recorded at all."""
    place = fit(fact.pager_place or "", 30, ascii_only=True)
    if any(character.isalnum() for character in place):
        return place
    if fact.unit_wide:
        return fit(f"unit {fact.unit}", 30, ascii_only=True)
    return fit(fact.device, 22, ascii_only=True) + ("" if fact.place else ", no place")


def _filled(text: str, fact: Facts, zone: Zone, longest: int = 60) -> str:
    """A sentence of `WHY` with the duty label of who has or had it, and from when to when it was so."""
    holder = one_line(fact.holder or "", longest)
    was = f"It was with {holder} before. " if holder else ""
    had = f" {capital(holder)} had it." if holder else ""
    return text.format(Holder=capital(holder or "somebody"), was=was, had=had, span=_span(fact, zone))


def _span(fact: Facts, zone: Zone) -> str:
    """From when to when it was so."""
    ended = fact.now if fact.ended is None else fact.ended
    return f"{clock(fact.begun, fact.now, zone)}-{clock(ended, fact.now, zone)}"


def _seen(fact: Facts, zone: Zone) -> str:
    """How old the values are: "now", or "last seen 02:14"."""
    if fact.last_seen <= 0:
        return "never seen"
    return f"last seen {clock(fact.last_seen, fact.now, zone)}" if fact.stale else "now"
