"""What a battery's gauge tells, once more straight from the design's text: exact slopes of all pairs of reports.

Nothing of the product is imported. Instants are integer milliseconds, slopes percent per ms as exact fractions.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from statistics import median
from typing import Protocol

MINUTE = 60_000


class Told(Protocol):
    """What a snapshot says of power."""

    @property
    def at(self) -> int:
        """The instant at which it acts."""

    @property
    def mains(self) -> bool | None:
        """Whether it is on the mains."""

    @property
    def percent(self) -> float | None:
        """What its gauge shows."""


Report = tuple[int, Fraction]


def stretch(snaps: Sequence[Told], mains: bool) -> list[Report]:
    """The reports of the unbroken stretch on or off the mains that the last of these snapshots is in."""
    found = []
    for snap in reversed(snaps):
        if snap.mains is not mains:
            break
        if snap.percent is not None:
            found.append((snap.at, Fraction(str(snap.percent))))
    return found[::-1]


def slope(reports: Sequence[Report]) -> Fraction:
    """Theil–Sen: the median of the slopes of all pairs (Sen 1968)."""
    pairs = [(a, b) for index, a in enumerate(reports) for b in reports[index + 1 :]]
    return median([(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairs])


def minutes_left(snaps: Sequence[Told]) -> Fraction | None:
    """By the slope over the last 25 min of one unplugged stretch; at least 5 reports and a fall of 2 points."""
    reports = stretch(snaps, False)
    reports = [report for report in reports if report[0] >= reports[-1][0] - 25 * MINUTE]
    if len(reports) < 5 or reports[0][1] - reports[-1][1] < 2:
        return None
    falls = slope(reports)
    return reports[-1][1] / -falls / MINUTE if falls < 0 else None


def losing_charge(snaps: Sequence[Told]) -> bool:
    """A slope below 0 over 20 min of one plugged stretch; at least 5 reports and a fall of 2 points."""
    reports = stretch(snaps, True)
    if not reports or reports[-1][0] - reports[0][0] < 20 * MINUTE:
        return False
    reports = [report for report in reports if report[0] >= reports[-1][0] - 20 * MINUTE]
    return len(reports) >= 5 and reports[0][1] - reports[-1][1] >= 2 and slope(reports) < 0
