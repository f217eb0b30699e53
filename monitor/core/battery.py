"""What a battery gauge has told in one stretch off or on the mains, and what follows from it.

The slope is Theil–Sen's: the median of the slopes of all pairs of reports (Sen 1968, J Am Stat Assoc 63:1379). Up to
29 % of the reports may be wild without moving it far, and gauges jump. It never stands alone: gauges also lie, so the
rules that use it have a plain low percentage beside it.

Off the mains each report is kept, as one integer. On the mains, where a pump stands for days at 100 %, reports of the
same percentage are kept as one *run*: percentage, first and last instant, how many; the runs of a stretch stand one
after another in one flat tuple.

Editing rules: pure arithmetic on what was told; no value is changed in place; nothing here knows a rule.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from statistics import median
from typing import Final

MINUTE: Final = 60_000
UNPLUGGED_SPAN: Final = 25 * MINUTE  # how far back the forecast looks (design: Rule semantics)
PLUGGED_SPAN: Final = 20 * MINUTE  # how long a plugged stretch must lose charge before it is said
FEWEST: Final = 5  # reports
LEAST_FALL: Final = 2  # percentage points from the first to the last report: less is the gauge's own grain
MOST: Final = 64  # reports and runs kept; of a device that tells more often the most crowded one is let go
_GRAIN: Final = 20_000  # a report is its instant times this, and hundredths of a percent: 0 to 10,000

Reports = tuple[int, ...]
Runs = tuple[float, ...]  # percentage, first instant, last instant, number; and again for the next run
NO_REPORTS: Reports = ()
NO_RUNS: Runs = ()


def unplugged(reports: Reports, at: int, percent: float) -> Reports:
    """The reports of an unplugged stretch with one more, as far as the forecast looks back."""
    kept = (*reports, at * _GRAIN + round(percent * 100))
    oldest = (at - UNPLUGGED_SPAN) * _GRAIN
    gone = 0
    while kept[gone] < oldest:
        gone += 1
    kept = kept[gone:] if gone else kept
    if len(kept) > MOST:
        # Not every second one: soon most would be of the last minute, in which a coarse gauge stands still.
        crowded = min(range(1, len(kept) - 1), key=lambda place: kept[place + 1] - kept[place - 1])
        kept = (*kept[:crowded], *kept[crowded + 1 :])
    return kept


def points(reports: Reports) -> list[tuple[int, float]]:
    """Reports as (instant in ms, percent)."""
    return [(report // _GRAIN, report % _GRAIN / 100) for report in reports]


def minutes_left(reports: Reports) -> float | None:
    """Minutes until the battery is empty, by the slope of an unplugged stretch; None if that is unknown."""
    if len(reports) < FEWEST:
        return None
    told = points(reports)
    if _fall(told) < LEAST_FALL:
        return None
    slope = theil_sen(told)
    return None if slope >= 0 else told[-1][1] / -slope / MINUTE


def plugged(runs: Runs, at: int, percent: float) -> Runs:
    """The runs of a plugged stretch with one report more, as far back as matters."""
    if runs and runs[-4] == percent:
        runs = (*runs[:-2], at, runs[-1] + 1)
    else:
        runs = (*runs, percent, at, at, 1)
    # The run that was there when the span began stays: it shows that the stretch is long enough.
    while len(runs) > 4 and runs[5] <= at - PLUGGED_SPAN:
        runs = runs[4:]
    if len(runs) > 4 * MOST:
        crowded = min(range(4, len(runs) - 4, 4), key=lambda place: runs[place + 5] - runs[place - 2])
        runs = runs[:crowded] + runs[crowded + 4 :]
    return runs


def losing_charge(runs: Runs) -> bool | None:
    """Whether a battery on the mains falls all the same, over 20 min of one stretch; None if that is unknown.

    Reports of one run count as evenly spread over it.
    """
    if not runs or runs[-2] - runs[1] < PLUGGED_SPAN:
        return None
    if len(runs) == 4:
        return False
    since = runs[-2] - PLUGGED_SPAN
    told = [point for place in range(0, len(runs), 4) for point in _spread(since, *runs[place : place + 4])]
    if len(told) < FEWEST:
        return None
    if _fall(told) < LEAST_FALL:
        return False
    return (
        theil_sen(told[:: len(told) // (2 * MOST) + 1]) < 0
    )  # all pairs of a thousand would take a tenth of a second


def _fall(told: Sequence[tuple[float, float]]) -> float:
    return round(told[0][1] - told[-1][1], 2)  # 64.1 - 62.1 is a little less than 2


def _spread(
    since: float, percent: float, first: float, last: float, count: float
) -> list[tuple[float, float]]:
    step = (last - first) / (count - 1) if count > 1 else 0.0
    begin = max(0, int((since - first) / step) - 1) if step else 0  # one early, as division rounds
    spread = [(first + step * number, percent) for number in range(begin, int(count))]
    return [point for point in spread if point[0] >= since]


def theil_sen(told: Sequence[tuple[float, float]]) -> float:
    """The median slope of all pairs of points of different instants, in percent per ms; 0 if there is no such pair."""
    slopes = [(y2 - y1) / (x2 - x1) for (x1, y1), (x2, y2) in combinations(told, 2) if x1 != x2]
    return median(slopes) if slopes else 0.0
