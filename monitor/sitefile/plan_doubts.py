"""What a feeding plan says that does not fit together, and is yet allowed: windows that overlap, too little time."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.core.messages import Plan, Window
from monitor.core.plans import UTC
from monitor.core.progress import feeding_day, scheduled_ml
from monitor.sitefile.tables import PlanTable, WindowTable

_DAY = 24 * 60  # minutes
_HOUR = 3_600_000

Doubt = tuple[str, str, str]  # key, value, text


def plan_doubts(table: PlanTable) -> Iterator[Doubt]:
    """What of a plan is worth a second look."""
    windows = table.windows
    for index, window in enumerate(windows):
        for other in range(index):
            if _overlap(windows[other], window):
                wanted = f"it overlaps with windows[{other}], {_shown(windows[other])}: no time counts twice"
                yield f"windows[{index}]", _shown(window), wanted
                break
    if table.target_ml is None:
        return
    # On a day without a clock change; overlaps count once, as they do when it runs.
    plan = Plan(
        tuple(Window(window.start, window.end, window.rate_ml_h) for window in windows),
        None, table.rate_ml_h, None, None, False, None, None, None,
    )  # fmt: skip
    day = feeding_day(plan, UTC, _DAY * 60_000)
    assert day is not None
    hours, target = day.whole() / _HOUR, table.target_ml
    if (given := scheduled_ml(day, None, day.end)) is not None and given < target:
        wanted = f"more than the planned rate gives: {given:g} mL in {hours:g} h"
        yield "target_ml", f"{target:g}", wanted
    elif (highest := table.highest_rate_ml_h) is not None and highest * hours < target:
        wanted = f"more than the highest allowed rate gives: {highest * hours:g} mL in {hours:g} h"
        yield "target_ml", f"{target:g}", wanted


def stretches(table: PlanTable) -> tuple[int, int] | None:
    """The longest time without a break in which feed is due, and the shortest break; None if the whole day is.

    In minutes, on a day without a clock change.
    """
    minutes = bytearray(_DAY)
    for window in table.windows:
        for minute in range(window.start, window.start + _length(window)):
            minutes[minute % _DAY] = 1
    if all(minutes):
        return None
    start = minutes.index(0)  # turned so that no stretch goes over its end
    turned = bytes(minutes[start:] + minutes[:start])
    begin = turned.index(1)
    turned = turned[begin:] + turned[:begin]
    return max(map(len, turned.split(b"\0"))), min(len(part) for part in turned.split(b"\1") if part)


def _length(window: WindowTable) -> int:
    return (window.end - window.start) % _DAY or _DAY


def _overlap(one: WindowTable, other: WindowTable) -> bool:
    apart = (other.start - one.start) % _DAY
    return apart < _length(one) or (-apart) % _DAY < _length(other)


def _shown(window: WindowTable) -> str:
    def clock(minute: int) -> str:
        return f"{minute // 60:02}:{minute % 60:02}"

    return f"{clock(window.start)}-{clock(window.end)}"
