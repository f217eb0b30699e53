"""What a notice says that tells of many concerns as one: a group's, or a summary of what was held back.

Pure functions. One list, the most urgent first, what is alike together; the checks once; one code for all that is
listed. A page names a few and counts the rest.
"""

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from monitor.core.fact_words import condition_of, how_seen, pager_place, place_of, what_of
from monitor.core.facts import Facts
from monitor.core.gsm7 import SINGLE, fit, septets
from monitor.core.guidance import CAUTION
from monitor.core.notices import Text, lead, next_told
from monitor.core.pages import else_told
from monitor.core.phrases import capital, clock, one_line, quantity
from monitor.core.plans import Zone
from monitor.core.wording import ACTIVITY, WHAT

NAMED: Final = 50  # concerns in the list of a mail; the rest is counted; common practice, no source
PLACES_ON_A_PAGE: Final = 2  # places that a page names of those that are alike
KINDS: Final = ("call", "yours", "told", "over")  # of reasons, in the order in which they are told

WHY_MANY: Final[Mapping[str, tuple[str, str]]] = {
    "next-rung": ("Nobody has accepted them yet, so you are told now.", "Nobody has them yet."),
    "round-again": (
        "Everybody who could be told was told, and still nobody has accepted them.",
        "STILL nobody has them.",
    ),
    "relapsed": ("They were over and are back.", "Back again."),
    "priority-raised": ("They have become worse: their priority was raised.", "Worse than before."),
    "handed-back": ("They were handed back, so nobody has them now.", "Handed back, nobody has them."),
    "recheck": (
        "They were accepted, but the trouble is still there, so they are open again.",
        "Accepted, still there.",
    ),
    "duty": ("You have come on duty and these are open. Nobody has them now.", "Open as you come on duty."),
}
"""Why many are told together, for mail and page, where all that is new is told for the same reason."""


class Alike(NamedTuple):
    """How many of one kind of reason, unit and rule there are, `high` of high priority, `new` not told before.

    `why` is the reason of those that are told now, where that is one.
    """

    kind: str
    unit: str
    rule: str
    total: int
    high: int
    new: int
    why: str = ""


class Many(NamedTuple):
    """All of a notice; `facts` are those that are named, in the order of `alike`, the most urgent of each first.

    `code` answers all calls of it; `held` says what the limit was if it is a summary; `still_open` counts others.
    """

    facts: Sequence[Facts]
    alike: Sequence[Alike]
    code: str
    link: str | None = None
    held: str = ""
    still_open: int = 0

    def of(self, alike: Alike) -> list[Facts]:
        """The named facts that are alike."""
        return [f for f in self.facts if (f.told_as.kind, f.unit, f.rule) == alike[:3]]

    def count(self, kind: str) -> int:
        """How many there are of one kind of reason."""
        return sum(alike.total for alike in self.alike if alike.kind == kind)

    @property
    def answered(self) -> int:
        """How many the code answers."""
        return self.count("call") or self.count("yours") or self.count("told")


def many_mail(many: Many, zone: Zone) -> Text:
    """The mail about many concerns."""
    first, worst = many.alike[0], many.facts[0]
    more = sum(alike.total for alike in many.alike[1:])
    label = f"{worst.told_as.label}: " if worst.told_as.label else ""
    head = f"{worst.priority.upper()} PRIORITY, {_unit(first.unit)}: {first.total} {_pumps(first.total)}"
    subject = f"{label}{head}, {what_of(worst.rule)}" + (f" (+{more} more)" if more else "")
    parts = []
    if many.held:
        counted = ", ".join(f"{many.count(kind)} {word}" for kind, word in _counts(many))
        parts.append(f"Held back until now, as {many.held}: {counted}. Each is said once, as it is now.")
    parts += [_part(many, alike, zone) for alike in many.alike]
    if left := sum(alike.total for alike in many.alike) - len(many.facts):
        taken = f" Code {one_line(many.code, 20)} is for them too." if many.answered else ""
        where = "The link below lists them all." if many.link else "`secondbell why DEVICE` tells of each."
        parts.append(f"And {left} more that have no room here.{taken} {where}")
    if many.still_open:
        parts.append(f"{many.still_open} of the same kind {_are(many.still_open)} not over yet.")
    parts += [part for part in (_checks(many), _answering(many, zone)) if part]
    parts.append(CAUTION)
    return Text(subject, "\n\n".join(parts) + "\n")


def many_page(many: Many, zone: Zone) -> str:
    """The page about many concerns: at most 160 septets of ASCII, the code whole at its end."""
    tail = ""
    if many.answered:
        code = fit(many.code, 20, ascii_only=True)
        calls = many.count("call")
        tail = f" Code {code} takes all {_number(calls)}" if calls else f" Code {code} is for all"
        if not calls and many.count("told"):
            tail = f" Take over {code}"
    room = SINGLE - septets(tail)
    if len(many.alike) == 1:
        [alike] = many.alike
        text = fit(f"{_head(many, alike)}.", room, ascii_only=True)
        for extra in _extras(many, alike, zone):
            longer = f"{text} {fit(extra, ascii_only=True)}" if extra else text
            if septets(longer) <= room:
                text = longer
        return text + tail
    words = [f"{_number(many.count(kind))} {word}" for kind, word in _counts(many)]
    text = f"{'Held back: ' if many.held else ''}{', '.join(words)}."
    for place, alike in enumerate(many.alike):
        left = len(many.alike) - place
        facts = many.of(alike)
        said = [_head(many, alike)]
        if alike.total == 1 and facts:
            said = [_one(facts[0])]
        elif facts:
            said.insert(0, f"{said[0]}, {_named(facts, alike.total, 1)}")
        end = f" +{left - 1} more." if left > 1 else ""
        fitting = [
            longer
            for part in said
            if septets((longer := f"{text} {fit(part, ascii_only=True)}{';' if end else '.'}") + end) <= room
        ]
        if not fitting:
            return f"{text.rstrip(';')} +{left} more.{tail}"
        text = fitting[0]
    return text + tail


# ---- what both say ---------------------------------------------------------------------------------------------------


def _counts(many: Many) -> list[tuple[str, str]]:
    words = {"call": "open", "yours": "yours", "told": "taken by others", "over": "over"}
    return [(kind, words[kind]) for kind in KINDS if many.count(kind)]


def _number(count: int) -> str:
    return str(min(count, 9999))


def _are(count: int) -> str:
    return "is" if count == 1 else "are"


def _pumps(count: int) -> str:
    return "pump" if count == 1 else "pumps"


def _unit(unit: str) -> str:
    return f"unit {one_line(unit, 40)}"


def _holder(facts: Sequence[Facts]) -> str:
    """Who has them, where that is one."""
    holders = {fact.holder for fact in facts}
    [holder] = holders if len(holders) == 1 else (None,)
    return capital(one_line(holder, 40)) if holder else ""


# ---- the page --------------------------------------------------------------------------------------------------------


def _head(many: Many, alike: Alike) -> str:
    facts = many.of(alike)
    fact = facts[0] if facts else many.facts[0]
    label = f"{fact.told_as.label} " if fact.told_as.label else ""
    words = WHAT.get(alike.rule)
    what = words.page.format(d="").rstrip(" ,") if words else "in need of somebody"
    priority = "HIGH" if alike.high else fact.priority.upper()
    some = f", {_number(alike.high)} of them high" if 0 < alike.high < alike.total else ""
    unit = fit(alike.unit, 24, ascii_only=True)
    return f"{label}{priority} {unit}: {_number(alike.total)} {_pumps(alike.total)} {what}{some}"


def _one(fact: Facts) -> str:
    """A single one among others: its place, as there is no number to say."""
    label = f"{fact.told_as.label} " if fact.told_as.label else ""
    words = WHAT.get(fact.rule)
    what = words.page.format(d="").rstrip(" ,") if words else "needs somebody"
    return f"{label}{fact.priority.upper()} {pager_place(fact)}: {what}"


def _named(facts: Sequence[Facts], total: int, most: int) -> str:
    """The first places, and how many more there are."""
    places = [pager_place(fact) for fact in facts[:most]]
    left = total - len(places)
    return ", ".join(places) + (f" +{_number(left)}" if left else "")


def _extras(many: Many, alike: Alike, zone: Zone) -> list[str]:
    """What a page says next as far as there is room, the most useful first."""
    facts = many.of(alike)
    found = [f"{_named(facts, alike.total, PLACES_ON_A_PAGE)}."]
    if alike.kind == "told" and (holder := _holder(facts)):
        found.insert(0, f"{fit(holder, 24, ascii_only=True)} has them.")
    if alike.kind == "over" and many.still_open:
        found.insert(0, f"{_number(many.still_open)} not over yet.")
    if alike.kind == "call":
        if 0 < alike.new < alike.total:
            found.append(f"{_number(alike.new)} new.")
        found.append(WHY_MANY.get(alike.why, ("", ""))[1])
        found.append("Phone; persons first." if facts[0].setting == "home" else "Persons first.")
        if (fact := _soonest(facts)) is not None:
            found.append(else_told(fact, zone))
    if alike.kind in ("told", "yours") and facts[0].recheck_at is not None:
        found.append(f"Recheck {clock(facts[0].recheck_at, facts[0].now, zone)}.")
    return found


def _soonest(facts: Sequence[Facts]) -> Facts | None:
    waiting = [fact for fact in facts if fact.next_at is not None]
    return min(waiting, key=lambda fact: fact.next_at or 0) if waiting else None


# ---- the mail --------------------------------------------------------------------------------------------------------


def _part(many: Many, alike: Alike, zone: Zone) -> str:
    """Those that are alike: the sentence that says what to do, and the list."""
    facts = many.of(alike)
    count = f"{alike.total} {_pumps(alike.total)}"
    if not facts:
        return f"{_unit(alike.unit)}: {count}, {what_of(alike.rule)}."
    fact = facts[0]
    priority = f"{fact.priority.upper()} PRIORITY"
    if 0 < alike.high < alike.total:
        priority += f" ({alike.high} of them)"
    if alike.kind == "call":
        errand = "phone the homes of" if fact.setting == "home" else "go round the pumps of"
        urgency = {"high": "now", "medium": "soon", "low": "when you can"}[fact.priority]
        lines = [f"{priority}: please {errand} {_unit(alike.unit)} {urgency}: {count}, {what_of(fact.rule)}."]
        if 0 < alike.new < alike.total:
            lines.append(
                f"{alike.new} of them are new; of the others you were told before, and nobody has them yet."
            )
        lines.append(WHY_MANY.get(alike.why, ("", ""))[0])
        if fact.hazard:
            lines.append(f"Why it matters: {one_line(fact.hazard)}")
    elif alike.kind == "yours":
        lines = [
            f"{priority}, {_unit(alike.unit)}: {count}, {what_of(fact.rule)}.",
            "You have these pumps already; this came on top."
            if alike.why != "yours-now"
            else "You have them from now on.",
        ]
    else:
        label = fact.told_as.label
        lines = [f"{label}: {priority}, {_unit(alike.unit)}, {count}, {what_of(fact.rule)}."]
        if alike.kind == "over":
            lines.append("Nobody is called for them any more.")
        else:
            holder = _holder(facts)
            lines.append(
                f"{holder} has them. Nothing is asked of you now."
                if holder
                else "Nothing is asked of you now."
            )
    lines.append("The most urgent first:" if len(facts) > 1 else "")
    lines += [_line(one, zone, holder=alike.kind == "told" and not _holder(facts)) for one in facts]
    return "\n".join(line for line in lines if line)


def _line(fact: Facts, zone: Zone, *, holder: bool) -> str:
    """One concern: where, since when, what is known of it in a few words, and its own code."""
    device = f" ({one_line(fact.device, 64)})" if fact.place and fact.device else ""
    kind = fact.told_as.kind
    if kind == "over":
        said = one_line(fact.settled or "it is over").rstrip(".")
        return f"- {place_of(fact)}{device}: {said}."
    said = f"since {clock(fact.begun, fact.now, zone)}; {_evidence(fact, zone)}"
    if holder and fact.holder:
        said += f"; {one_line(fact.holder, 40)} has it"
    new = " New." if kind == "call" and not fact.told_before else ""
    return f"- {place_of(fact)}{device}: {fact.priority}, {said}.{new} Code {one_line(fact.code, 20)}"


def _evidence(fact: Facts, zone: Zone) -> str:
    """What the pump reported last, in a few words."""
    if fact.last_seen <= 0:
        return "never seen"
    said = [condition_of(alarm.condition) for alarm in fact.alarms[:2]]
    if not said:
        said = [ACTIVITY.get(fact.activity, one_line(fact.activity, 20))]
    if fact.mains is False:
        said.append(f"not on mains, battery {quantity(fact.battery_percent, '%')}")
    if fact.stale:
        said.append(how_seen(fact, zone))
    return ", ".join(said)


def _checks(many: Many) -> str:
    """What to look at, once: as for the most urgent."""
    fact = next((fact for fact in many.facts if fact.told_as.kind in ("call", "yours") and fact.checks), None)
    if fact is None:
        return ""
    also = "" if len(many.alike) == 1 else "Of the first kind. "
    return "\n".join(
        [also + lead(fact), *(f"{n}. {one_line(check)}" for n, check in enumerate(fact.checks, 1))]
    )


def _answering(many: Many, zone: Zone) -> str:
    """How to accept all or one, what accepting does not do, and what happens next."""
    code = one_line(many.code, 20)
    phone = f"\nTo answer on your phone: {many.link}" if many.link else ""
    if calls := many.count("call"):
        lines = [
            f"To take all {calls}: answer with code {code} (secondbell accept {code} --as YOUR-ID). It takes what is "
            f"open in this notice and in those before it with this code, and nothing else.{phone}",
            "To take one: answer with the code on its line. What you cannot get to in time, leave for others.",
            f"You cannot see to them: secondbell decline {code} --as YOUR-ID, so that nobody waits for you.",
            "Accepting tells all who were told that you have them. It does not silence the pumps. "
            "Nobody reads a reply to this mail.",
        ]
        if (fact := _soonest([f for f in many.facts if f.told_as.kind == "call"])) is not None:
            lines.append(next_told(fact, zone))
        return "\n".join(lines)
    if many.count("yours"):
        return f"You cannot see to them: secondbell hand-back {code} --as YOUR-ID{phone}"
    if many.count("told"):
        return f"To take them over: secondbell take-over {code} --as YOUR-ID{phone}"
    return ""
