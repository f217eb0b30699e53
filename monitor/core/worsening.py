"""What counts as worse, for rules that hold for hours without anything new: only that opens their concerns again.

Somebody who has accepted a feed that is 120 mL behind knows it; 20 minutes later it is no news that it still is.
Editing rules: a table; a rule without a row is troubled for as long as it holds. The units are those of the fields.
"""

from __future__ import annotations

from collections.abc import Mapping
from operator import attrgetter
from typing import Any, Final, NamedTuple

from monitor.core.instants import HOUR


class Step(NamedTuple):
    """A field, and by how much it has to have changed since somebody was last told (negative: fallen)."""

    field: str
    by: float


WORSE: Final[Mapping[str, tuple[Step, ...]]] = {
    "behind-plan": (Step("shortfall_ml", 100.0), Step("shortfall_percent", 10.0)),  # mL, % of the target
    # The shortest hang limit is 4 h: one that was told and hangs for another hour was not changed.
    "hung-too-long": (Step("container_hung_for", HOUR), Step("set_hung_for", HOUR)),  # ms
    "not-charging": (Step("battery_percent", -10.0),),  # % of the charge
}
"""Of several any one counts (design: Concerns, ladders, notices)."""


BETTER: Final[Mapping[str, tuple[Step, ...]]] = {
    "behind-plan": (
        Step("shortfall_ml", -20.0),
        Step("shortfall_percent", -2.0),
    ),  # common practice, no source
}
"""What has to have changed since somebody was told before such a concern settles while the feed is still due.

A feed that goes on at its rate stays as far behind as it is: on the limit, a pump's rounding alone would have it settle
and come back all night (seen in simulated nights: 30 notices about one pump).
"""


TAKEN_ONCE: Final = frozenset({"drill-missed"})
"""What of a unit stays with whoever has accepted it, however long it holds: only another such drill is news."""


def measure(rule: str, picture: Any) -> list[float | None] | None:
    """What is remembered when somebody is told, one number for each field of a rule; None for other rules."""
    if (steps := WORSE.get(rule)) is None:
        return None
    return [attrgetter(step.field)(picture) for step in steps]


def worse(rule: str, before: list[float | None], picture: Any) -> bool:
    """Whether it has got worse since `before`; what was or is not known has not."""
    return any(_changed(step, was, picture) for step, was in zip(WORSE[rule], before, strict=True))


def better(rule: str, before: list[float | None], picture: Any) -> bool:
    """Whether it has got clearly better since `before`, or cannot be told any more; a rule without a row always has."""
    if (steps := BETTER.get(rule)) is None or not picture.feed_due or picture.progress is None:
        return True
    return any(_changed(step, was, picture) for step, was in zip(steps, before, strict=True))


def _changed(step: Step, was: float | None, picture: Any) -> bool:
    now: float | None = attrgetter(step.field)(picture)
    if was is None or now is None:
        return False
    return (now - was) * (1 if step.by > 0 else -1) >= abs(step.by)
