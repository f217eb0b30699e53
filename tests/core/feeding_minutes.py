"""Feeding days as whole minutes, each looked up in all windows with the tz database: nothing of the core's own code."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from monitor.core.messages import Plan, Window

MINUTE = 60_000


def window(told: str) -> Window:
    """A window as one writes it: 07:00-11:00, or 07:00-11:00@60 with its own rate in mL/h."""
    times, _, rate = told.partition("@")
    start, end = (int(clock[:2]) * 60 + int(clock[3:]) for clock in times.split("-"))
    return Window(start, end, float(rate) if rate else None)


def planned(
    *windows: str, target: float | None = None, rate: float | None = None, most: float | None = None
) -> Plan:
    """A feeding plan."""
    return Plan(tuple(window(told) for told in windows), target, rate, most, None, False, None, None, None)


@lru_cache(maxsize=4096)
def wall(zone: str, day: date, minute: int) -> int:
    """The instant of a minute of a local day, by the standard library; the first of two (RFC 5545 §3.3.5)."""
    clock = datetime.combine(day + timedelta(days=minute // 1440), time(minute % 1440 // 60, minute % 60))
    return round(clock.replace(tzinfo=ZoneInfo(zone)).timestamp() * 1000)


def instant(told: str, zone: str = "UTC") -> int:
    """The instant of a local date and time."""
    clock = datetime.fromisoformat(told)
    return wall(zone, clock.date(), clock.hour * 60 + clock.minute)


@dataclass(frozen=True, slots=True, kw_only=True)
class Minutes:
    """A feeding day as whole minutes: the rate that is planned in each, None without one; not due: not there."""

    begins: int
    ends: int
    due: dict[int, float | None]

    def until(self, at: int) -> list[float | None]:
        """The rates of the minutes that have passed."""
        return [rate for minute, rate in self.due.items() if minute < at]


def longest_pauses(windows: tuple[Window, ...]) -> list[int]:
    """The starts of windows with the most empty minutes of the clock before them, by a picture of the day."""
    covered = [
        any((minute - w.start_min) % 1440 < ((w.end_min - w.start_min) % 1440 or 1440) for w in windows)
        for minute in range(1440)
    ]

    def empty_before(start: int) -> int:
        return next((n for n in range(1440) if covered[(start - 1 - n) % 1440]), 1440)

    pauses = {w.start_min: empty_before(w.start_min) for w in windows}
    return sorted(start for start, pause in pauses.items() if pause == max(pauses.values()))


def minute_by_minute(plan: Plan, zone: str, at: int, first: int) -> Minutes:
    """The feeding day that holds an instant and begins at minute `first`: each minute looked up in all windows."""
    today = datetime.fromtimestamp(at / 1000, ZoneInfo(zone)).date()
    days = [today + timedelta(days=ahead) for ahead in range(-3, 4)]
    begins = max(begin for day in days if (begin := wall(zone, day, first)) <= at)
    ends = min(begin for day in days if (begin := wall(zone, day, first)) > at)
    occurrences = []
    for day in days:
        for place, w in enumerate(plan.windows):
            over_midnight = 1440 if w.end_min <= w.start_min else 0
            rate = plan.rate_ml_h if w.rate_ml_h is None else w.rate_ml_h
            start, end = wall(zone, day, w.start_min), wall(zone, day, w.end_min + over_midnight)
            occurrences.append((start, day, place, end, rate))
    # Whichever began first has the minute. A day that has begun has all of its minutes.
    occurrences.sort(key=lambda found: found[:3])
    due = {}
    for minute in range(begins, ends, MINUTE):
        for start, _, _, end, rate in occurrences:
            if start <= minute < end:
                due[minute] = rate
                break
    return Minutes(begins=begins, ends=ends, due=due)


def scheduled_by_minutes(minutes: Minutes, target: float | None, at: int) -> float | None:
    """The sum of the rates, else the share of the minutes that have passed."""
    rates = list(minutes.due.values())
    if None not in rates:
        total = sum(rate or 0.0 for rate in minutes.until(at)) / 60
        return total if target is None else min(total, target)
    return None if target is None else target * len(minutes.until(at)) / len(rates)
