"""Which nights need not be played, because another strategy's night is the same to the last message.

Two strategies that differ in one or more rules play the same night if none of these rules ever begins to hold in it:
up to the first instant at which one would, all that the rules see is the same. Of a rule that never holds in a night,
a stricter one never would, nor one that is left out. "Stricter" follows from how a rule uses a threshold, as conditions
have no "not"; nothing is taken from what its author says of it. Tests compare with nights played in full.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

from monitor.core.rule_file import Branch, Condition, Quantity, Rule
from monitor.study.strategies import Strategy

_HIGHER: Final = 1  # a higher value holds less often
_LOWER: Final = -1


def same_night(played: Strategy, held: Collection[str], other: Strategy, *, home: bool) -> bool:
    """Whether `other` plays the night that was `played`, in which only the rules `held` ever began to hold."""
    if (played.times, played.most_notices, played.most_within) != (
        other.times,
        other.most_notices,
        other.most_within,
    ):
        return False
    ours = {rule.id: rule for rule in played.rules}
    theirs = {rule.id: rule for rule in other.rules}
    if not theirs.keys() <= ours.keys():
        return False
    for name, rule in ours.items():
        quiet = name not in held and rule.scope == "device"
        if name not in theirs:
            if not quiet:
                return False
            continue
        if rule != theirs[name]:
            return False
        said, also_said = played.thresholds.get(name, {}), other.thresholds.get(name, {})
        if said == also_said:
            continue
        values, others = values_of(rule, said, home=home), values_of(rule, also_said, home=home)
        if values != others and not (quiet and _stricter(rule, values, others)):
            return False
    return True


def values_of(rule: Rule, said: Mapping[str, str | int], *, home: bool) -> dict[str, Quantity]:
    """What each threshold is, as `resolve` has it."""
    return {
        name: Quantity.parse(
            said.get(name, one.home if home and one.home is not None else one.value),
        )
        for name, one in rule.thresholds.items()
    }


def _stricter(rule: Rule, values: Mapping[str, Quantity], others: Mapping[str, Quantity]) -> bool:
    """Whether each value that differs can only make the rule hold less."""
    uses: dict[str, set[int]] = {}
    for branch in rule.when:
        _uses(branch, uses)
    return all(
        uses.get(name) == {_HIGHER if other.number > values[name].number else _LOWER}
        for name, other in others.items()
        if other != values[name]
    )


def _uses(branch: Branch, uses: dict[str, set[int]]) -> None:
    """Note which way each threshold of a branch has to go to hold less; `quiet` counts only once it held."""
    for name in (branch.for_, branch.times):
        if name is not None:
            uses.setdefault(name, set()).add(_HIGHER)
    for name in (branch.bridging, branch.within):
        if name is not None:
            uses.setdefault(name, set()).add(_LOWER)
    if branch.condition is not None:
        _limits(branch.condition, uses)


def _limits(condition: Condition, uses: dict[str, set[int]]) -> None:
    for part in (*condition.all, *condition.any):
        _limits(part, uses)
    if condition.above is not None:
        uses.setdefault(condition.above, set()).add(_HIGHER)
    if condition.below is not None:
        uses.setdefault(condition.below, set()).add(_LOWER)
