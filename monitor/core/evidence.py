"""What made a rule hold, as it goes into the trail: message, values, since when, which threshold from which line.

Editing rules: facts only, nothing in words, and no more of the picture than the rule's own conditions look at (beside
what the pump did and its alarms). No path beyond a file's folder, and no person: the trail cannot be erased.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from operator import attrgetter
from typing import Any, Final

from monitor.core.device import Edge
from monitor.core.picture import Picture
from monitor.core.rule_file import Condition
from monitor.core.rulebook import CompiledRule, true_of
from monitor.core.tracks import Key, LastingTrack, RecurringTrack, SilentTrack, Track, counted

MOST_EVIDENCE: Final = 10  # alarm conditions of one snapshot in a trail entry
MADE_OF: Final = {"over_rate": ("rate_ml_h",), "losing_charge": ("battery_percent",)}
"""What a yes or no was found by, where that is told of the pump and not looked at by itself."""

_NAMES: Final = ("for_", "bridging", "times", "within", "quiet")


def evidence(edge: Edge, track: Track | None, picture: Any) -> dict[str, Any]:
    """What made a rule hold or rise at an edge; nothing for its end.

    `held` has what holds, each with its reasons; `thresholds` [number, unit] and `from` [file, line] of those reasons.
    """
    if edge.kind == "ends":
        return {}
    rule = edge.rule
    held = _held(edge, track, picture)
    names = sorted({name for reason in held for name in _thresholds_of(reason)})
    return {
        **(_told(edge, picture, held) if isinstance(picture, Picture) else {}),
        **_values(rule, picture),
        "at": edge.at,
        "pattern": rule.pattern,
        "held": held,
        "thresholds": {name: [rule.thresholds[name].number, rule.thresholds[name].unit] for name in names},
        "from": {name: list(rule.places[name]) for name in names},
    }


def _told(edge: Edge, picture: Picture, held: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """The message, what the pump did, and the alarm conditions."""
    lines = {tuple(reason["alarm"]) for reason in held if "alarm" in reason}
    onsets = [
        [at, alarm.condition]
        for at, alarm in counted(edge.rule, picture, edge.at)
        if not edge.rule.each or (alarm.condition, alarm.line) in lines
    ]
    known = {
        "message": picture.id or None,
        "source": picture.source or None,
        "seen": picture.acted or None,
        "activity": picture.activity,
        "alarms": [list(alarm) for alarm in picture.alarms[:MOST_EVIDENCE]] or None,
        "onsets": onsets or None,
    }
    return {key: value for key, value in known.items() if value is not None}


def _values(rule: CompiledRule, picture: Any) -> dict[str, Any]:
    """What the rule's conditions look at, as far as it is known."""
    found: dict[str, Any] = {}
    for branch in rule.source.when:
        for field in _fields(branch.condition):
            value = attrgetter(field)(picture)
            found[field] = value
            found |= {name: attrgetter(name)(picture) for name in MADE_OF.get(field, ())}
    if "over_rate" in found and picture.plan is not None:
        found["highest_rate_ml_h"] = picture.plan.max_rate_ml_h
    return {
        name: value
        for name, value in found.items()
        if value is not None and (not isinstance(value, float) or math.isfinite(value))
    }


def _fields(condition: Condition | None) -> Iterator[str]:
    if condition is not None:
        if condition.field is not None:
            yield condition.field
        for part in (*condition.all, *condition.any):
            yield from _fields(part)


def _held(edge: Edge, track: Track | None, picture: Any) -> list[dict[str, Any]]:
    """What holds with the edge's rank: of several limits for one thing, the one that was reached first."""
    rule, found = edge.rule, dict[object, tuple[int, dict[str, Any]]]()
    for key, since, rank in _holding(rule, track):
        index, condition, line = key
        branch, limit = rule.source.when[index], rule.branches[index].hold_for
        if rank != edge.rank:
            continue
        reason: dict[str, Any] = {
            name.rstrip("_"): told for name in _NAMES if (told := getattr(branch, name))
        }
        if since is not None:
            reason["since"] = since
        if branch.alarm is not None:
            reason |= {"sound": branch.alarm.sound} if branch.alarm.sound else {}
            reason |= {"alarm": [condition, line]} if condition else {}
            about: object = (condition, line)
        else:
            reason["met"] = _met(branch.condition, rule, picture) or []
            about = index
        if about not in found or limit < found[about][0]:
            found[about] = limit, reason
    return [reason for _, reason in found.values()]


def _holding(rule: CompiledRule, track: Track | None) -> Iterator[tuple[Key, int | None, int]]:
    """Which memories of a rule hold, since when and with which rank."""
    if isinstance(track, LastingTrack):
        for key, (run, rank) in track.runs.items():
            if run.holds:
                yield key, run.run_start, rank
    elif isinstance(track, RecurringTrack):
        for key, memory in track.memories.items():
            if memory.holds:
                yield key, memory.onsets[0] if memory.onsets else None, rule.branches[key[0]].rank
    elif isinstance(track, SilentTrack):
        for index, silence in zip(track.branches, track.memories, strict=True):
            if silence.holds:
                yield (index, "", ""), silence.last, rule.branches[index].rank


def _met(condition: Condition | None, rule: CompiledRule, picture: Any) -> list[list[Any]] | None:
    """The comparisons that make a condition true, in its order; None if it is false."""
    if condition is None:
        return None
    if condition.all or condition.any:
        parts = [_met(part, rule, picture) for part in condition.all or condition.any]
        if condition.all and None in parts:
            return None
        return [leaf for part in parts if part for leaf in part] or None
    if not true_of(condition, rule.thresholds, picture):
        return None
    if condition.alarm is not None:
        alarms = [alarm.condition for alarm in picture.alarms if alarm.condition in condition.alarm.condition]
        return [["alarm", "is", alarms[0] if alarms else "active"]]
    if condition.is_ is not None:
        return [[condition.field, "is", condition.is_]]
    below = condition.below is not None
    return [[condition.field, "below" if below else "above", condition.below if below else condition.above]]


def _thresholds_of(reason: dict[str, Any]) -> Iterator[str]:
    for key in ("for", "bridging", "times", "within", "quiet"):
        if key in reason:
            yield reason[key]
    for _, comparison, name in reason.get("met", ()):
        if comparison != "is":
            yield name
