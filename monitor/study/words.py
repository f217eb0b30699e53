"""Figures as a person reads them."""

from __future__ import annotations

import math
from typing import Final

from monitor.study.intervals import Interval
from monitor.study.measures import Highest, Measure
from monitor.study.summing import Estimate
from monitor.study.targets import Checked

NONE: Final = "–"
MINUS: Final = "−"


def number(value: float | None, *, signed: bool = False) -> str:
    """With three digits that count, never more than two after the point."""
    if value is None:
        return NONE
    size = abs(value)
    digits = 0 if size >= 99.95 else 1 if size >= 9.995 else 2
    shown = f"{size:,.{digits}f}"
    if not float(shown.replace(",", "")):
        return "0"
    if value < 0:
        return MINUS + shown
    return "+" + shown if signed else shown


def percent(value: float | None) -> str:
    """To the lower tenth: what is not all is never said to be 100."""
    if value is None:
        return NONE
    if value >= 100:
        return f"{value:.0f}" if value == 100 else number(value)
    return f"{math.floor(10 * value + 1e-9) / 10:.1f}"


def value(found: Estimate, measure: Measure) -> str:
    """A figure without its unit."""
    if isinstance(measure, Highest) and found.value is not None:
        return f"{found.value:,.0f}"  # a count
    return percent(found.value) if measure.unit == "%" else number(found.value)


def span(found: Interval | None, *, shares: bool = False, signed: bool = False) -> str:
    """An interval, "" for none."""
    if found is None:
        return ""
    if shares:
        low, high = map(percent, found)
    else:
        low, high = (number(end, signed=signed) for end in found)
    return f"{low} to {high}" if signed else f"{low}–{high}"


def bounds(found: Estimate, measure: Measure) -> str:
    """The interval of a figure; of a share near nothing or all the exact bound, marked by a star."""
    if found.value is None:
        return ""
    shares = measure.unit == "%"
    if found.exact is not None:
        return span(found.exact, shares=shares) + "*"
    return span(found.interval, shares=shares)


def verdict(one: Checked) -> str:
    """A target in a line: what is wanted, what was found, whether that is enough."""
    wanted = f"{'at least' if one.target.at_least else 'at most'} {one.target.bound:g} %"
    if one.found.value is None:
        return f"{one.verdict}: {wanted} {one.target.says}"
    return f"{one.verdict}: {measured(one)} {one.target.says} (wanted: {wanted})"


def measured(one: Checked) -> str:
    """What was found for a target, with its interval."""
    found = one.found
    said = f"{percent(found.value)} %"
    if found.exact is not None:
        return f"{said} ({span(found.exact, shares=True)}, Clopper–Pearson)"
    return f"{said} ({span(found.interval, shares=True)})" if found.interval is not None else said
