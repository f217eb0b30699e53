"""What the notices of a drill say: that it is made up, and that an acceptance is all that is asked for.

Editing rules: nobody may be sent anywhere by a drill, and nobody may take one for a real trouble, however tired.
"""

from typing import Final

from monitor.core.fact_words import filled, place_of
from monitor.core.facts import Facts
from monitor.core.phrases import for_how_long, one_line
from monitor.core.plans import Zone

MADE_UP: Final = "DRILL: made up, to prove that the way to you works. Nobody is in trouble."
ASKED: Final = "Please accept it, to prove that it reached you. There is nothing to do at any pump."


def drill_opening(fact: Facts, zone: Zone) -> str:
    """The first lines of a drill's mail: what is asked, why it is told now, whose drill it is."""
    why = fact.told_as
    reason = filled(why.mail, fact, zone)
    if why.kind == "call":
        lines = [
            ASKED,
            reason,
        ]
    elif why.kind == "yours":
        lines = ["You have accepted this drill already.", reason]
    else:
        lines = [f"{why.label}: {place_of(fact)}. {reason}"]
    if (
        why.kind == "over" and fact.settled and "drill" in fact.settled
    ):  # else it says how the made-up pump is
        lines.append(f"Why: {one_line(fact.settled).rstrip('.')}.")
    elif why.kind == "over" and fact.holder:
        lines.append(filled("{Holder} accepted it.", fact, zone))
    if fact.late_by:
        lines.append(f"Told {for_how_long(fact.late_by)} late: Second Bell could not see or send in between.")
    lines.append(f"Unit {one_line(fact.unit, 64)}, {one_line(fact.site, 64)}.")
    return "\n".join(lines)


def drill_head(fact: Facts) -> str:
    """What a drill's page says in place of what is wrong."""
    if fact.told_as.kind == "call":
        return "nobody in trouble, accept to prove it came"
    return "nobody in trouble"
