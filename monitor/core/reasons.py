"""Why a rule holds, in one sentence: from the evidence that was kept when it began to.

Editing rules: the words stand in `wording`. A number is told as it was then, with the limit that it passed; what a
text of an older version did not keep is left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from monitor.core.fact_words import condition_of
from monitor.core.instants import MINUTE
from monitor.core.phrases import clock, for_how_long, one_line
from monitor.core.plans import Zone
from monitor.core.wording import ACTIVITY, DRILL_LACKS, FEED_KIND, MEASURED, SEEN, SEEN_WITH, SOUNDING

Evidence = Mapping[str, Any]
_UNITS: Final = {
    "battery_percent": "%", "minutes_left": "min", "rate_ml_h": "mL/h",
    "highest_rate_ml_h": "mL/h", "delivered_ml": "mL", "target_ml": "mL",
    "shortfall_ml": "mL", "shortfall_percent": "%", "unfit_percent": "%", "over_target_percent": "%",
    "container_hung_for": "ms", "set_hung_for": "ms",
}  # fmt: skip


def sentence(evidence: Evidence, now: int, zone: Zone, *, still: bool) -> str:
    """Why, as a sentence; "" without evidence. `still`: it holds at `now` (ms), so durations run on to it."""
    held = evidence.get("held") or ()
    if not held:
        return ""
    then = evidence.get("at", now)
    measured = any(_measured(leaf) for reason in held for leaf in reason.get("met", ()))
    at = now if still and not measured else then
    parts = list(dict.fromkeys(part for reason in held if (part := _reason(reason, evidence, at))))
    when = f" (at {clock(then, now, zone)})" if at != now else ""
    return f"Why{when}: {'; '.join(parts)}." if parts else ""


def _measured(leaf: Any) -> bool:
    field, comparison, wanted = leaf
    return comparison != "is" or (field, wanted) in SEEN_WITH


def limit(number: float, unit: str) -> str:
    """A threshold as a person says it."""
    return for_how_long(int(number)) if unit == "ms" and number >= MINUTE else _number(number, unit)


def _number(number: float, unit: str) -> str:
    if unit == "ms":
        return f"{number / 1000:g} s"
    return f"{number:g}" if unit == "times" else f"{number:g} {unit}"


def _reason(reason: Mapping[str, Any], evidence: Evidence, at: int) -> str:
    """One thing that holds, and for how long against which limit."""
    lasted = for_how_long(max(0, at - reason.get("since", at)))
    if "times" in reason:
        line = reason.get("alarm")
        what = _alarm(line) if line else "such alarms"
        counted = len(evidence.get("onsets", ()))
        times, within = _threshold(evidence, reason["times"]), _threshold(evidence, reason["within"])
        return f"{what} came {counted} times within {within} (limit {times})"
    if "met" not in reason:
        how = SOUNDING[reason.get("sound", "")]
        alarms = [reason["alarm"]] if "alarm" in reason else [a[:2] for a in evidence.get("alarms", ())]
        what = f"{', '.join(map(_alarm, alarms)) or 'alarm'}, {how}"
    else:
        what = ", ".join(part for leaf in reason["met"] if (part := leaf_words(leaf, evidence)))
        if evidence.get("pattern") == "silent":
            heard = f"nothing heard for {lasted} (limit {_threshold(evidence, reason['for'])})"
            return f"{heard}; when last seen: {what}"
    if "for" not in reason:
        return what
    return f"{what}, for {lasted} (limit {_threshold(evidence, reason['for'])})"


def leaf_words(leaf: Any, evidence: Evidence) -> str:
    """One comparison that was true, with the value and the limit."""
    field, comparison, wanted = leaf
    if field == "alarm":
        return f"alarm: {condition_of(wanted)}"
    if comparison != "is":
        number, unit = evidence["thresholds"][wanted]
        words = MEASURED.get(field, f"{field.replace('_', ' ')} {{v}}")
        return (
            f"{words.format(v=value_words(field, evidence.get(field), number))} (limit {limit(number, unit)})"
        )
    if field == "feed_kind":
        return FEED_KIND.get(wanted, one_line(wanted, 20))
    if field == "activity":
        return f"the pump is {ACTIVITY.get(wanted, one_line(wanted, 20))}"
    lacks = DRILL_LACKS.get(evidence.get("drill_lacks", "")) if field == "drill_missed" else None
    if lacks is not None:
        return f"its last drill was missed: {lacks.format(wait='its wait')}"
    words = SEEN_WITH.get((field, wanted), "")
    names = [name for name in _UNITS if f"{{{name}}}" in words]
    if names and all(name in evidence for name in names):  # else not all of it was known
        return words.format_map({name: value_words(name, evidence[name]) for name in names})
    return SEEN.get((field, wanted), f"{field.replace('_', ' ')}: {'yes' if wanted else 'no'}")


def value_words(field: str, value: Any, edge: float | None = None) -> str:
    """A value as a person says it; never rounded to the limit (`edge`) that it passed."""
    unit = _UNITS.get(field, "")
    if isinstance(value, bool) or not isinstance(value, int | float):
        return "unknown" if value is None else str(value)
    if unit == "ms":
        return for_how_long(int(value))
    if unit == "min" and edge is not None:
        edge /= MINUTE
    if edge is None:
        return f"{value:.4g} {unit}"
    for digits in range(4):
        shown = f"{value:.{digits}f}"
        if float(shown) != edge or value == edge:
            break
    return f"{shown} {unit}"


def _threshold(evidence: Evidence, name: str) -> str:
    number, unit = evidence["thresholds"][name]
    return limit(number, unit)


def _alarm(line: Any) -> str:
    condition, where = line[0], line[1]
    what = condition_of(condition)
    return f"{what} on the {one_line(where, 20)} line" if where not in ("", "feed") else what
