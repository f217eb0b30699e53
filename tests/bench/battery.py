"""`python -m tests.bench.battery`: how well the battery forecast foretells simulated discharges, as a table.

Each discharge is one of the simulator's batteries, worn and loaded differently, and reports until it is empty. At 60,
45, 30 and 15 minutes before that, the forecast is held against what was then left. Least squares stands beside it: by
the same use of its slope (last report over slope), and by where its own line meets nought. All are asked only when the
product would answer at all. `Theil-Sen line` is for information: the median line through all reports, instead of the
last report alone.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from statistics import median, quantiles
from typing import Final

import numpy as np

from monitor.core.battery import NO_REPORTS, Reports, minutes_left, points, theil_sen, unplugged
from simulators.battery import Battery
from simulators.hardware import Hardware

MINUTE: Final = 60_000
HOUR: Final = 60 * MINUTE
BEFORE: Final = (60, 45, 30, 15)  # minutes to empty
_FROM: Final = (
    100 * MINUTE
)  # the reports begin so long before: 25 min are in sight at the first look, and more
Points = Sequence[tuple[int, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """What a gauge makes of the charge, and what the pump draws.

    `noise` is the standard deviation of a report in percentage points; `wild` the share of reports that are 10 to 30
    points off; `relearns` is by how many points the gauge shows too much until it corrects itself, at some moment of
    the last 60 minutes; `load_change` is by what share the load rises or falls at some moment of them.
    """

    name: str
    step: int = 1
    noise: float = 0.0
    wild: float = 0.0
    relearns: float = 0.0
    load_change: float = 0.0


GAUGES: Final = (
    Gauge(name="even, 1 % steps"),
    Gauge(name="noise of 1 point", noise=1.0),
    Gauge(name="noise of 2 points", noise=2.0),
    Gauge(name="5 % steps", step=5),
    Gauge(name="jumps: 10 % of reports wild", wild=0.10),
    Gauge(name="jumps: 20 % of reports wild", wild=0.20),
    Gauge(name="jumps down 8 points once", relearns=8.0),
    Gauge(name="load changes by up to 40 %", load_change=0.4),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """The reports that the product keeps at one instant of one discharge, and the minutes that were really left."""

    before: int
    left: float
    reports: Reports


def by_product(reports: Reports) -> float | None:
    """The forecast as the rules see it: last report over the Theil–Sen slope."""
    return minutes_left(reports)


def by_least_squares(reports: Reports) -> float | None:
    """Last report over the slope of least squares."""
    return _answered(reports, lambda told: (_line(told)[0], told[-1][1]))


def by_least_squares_line(reports: Reports) -> float | None:
    """Where the line of least squares meets nought."""
    return _answered(reports, _line)


def by_theil_sen_line(reports: Reports) -> float | None:
    """Where the line of the Theil–Sen slope and the median intercept meets nought."""

    def line(told: Points) -> tuple[float, float]:
        slope, last = theil_sen(told), told[-1][0]
        return slope, median(percent - slope * (at - last) for at, percent in told)

    return _answered(reports, line)


ESTIMATORS: Final[dict[str, Callable[[Reports], float | None]]] = {
    "Theil-Sen": by_product,
    "least squares": by_least_squares,
    "least squares line": by_least_squares_line,
    "Theil-Sen line": by_theil_sen_line,
}


def _line(told: Points) -> tuple[float, float]:
    """Slope in percent per ms, and the line's height at the last report."""
    since = told[-1][0]
    slope, height = np.polyfit([(at - since) / MINUTE for at, _ in told], [percent for _, percent in told], 1)
    return float(slope) / MINUTE, float(height)


def _answered(reports: Reports, line: Callable[[Points], tuple[float, float]]) -> float | None:
    if minutes_left(reports) is None:  # the product's own gate, so that all are asked the same
        return None
    slope, height = line(points(reports))
    return None if slope >= 0 else max(0.0, height) / -slope / MINUTE


def looks(gauge: Gauge, chance: random.Random) -> list[Look]:
    """One discharge, as the product would keep its reports at each of the four moments."""
    hardware = Hardware(gauge_step_percent=gauge.step)
    battery = Battery(
        hardware,
        at=0,
        mains=False,
        charge=1.0,
        health=chance.uniform(0.2, 1.0),  # worn further, some would be empty before the reports begin
        gauge_phase=chance.uniform(0, 6.3),
    )
    load = hardware.electronics_ma + hardware.motor_ma + hardware.motor_ma_per_ml_h * chance.uniform(20, 150)
    battery.draw(0, load)
    empty = _empty(battery)
    changes_at: int | None = empty - round(chance.uniform(5, 60) * MINUTE)
    changed = load * (1 + chance.uniform(-gauge.load_change, gauge.load_change))
    interval = chance.choice((20_000, 60_000))
    relearns_at = empty - round(chance.uniform(5, 60) * MINUTE)
    found: list[tuple[int, Reports]] = []
    reports = NO_REPORTS
    at = max(0, empty - _FROM) + chance.randrange(interval)
    while at < empty:
        if gauge.load_change and changes_at is not None and at >= changes_at:
            battery.draw(at, changed)
            empty, changes_at = _empty(battery), None
        shown = battery.gauge_percent(at) + (gauge.relearns if at < relearns_at else 0.0)
        if gauge.noise:
            shown += round(chance.gauss(0, gauge.noise))
        if chance.random() < gauge.wild:
            shown += chance.choice((-1, 1)) * chance.randint(10, 30)
        reports = unplugged(reports, at, min(100.0, max(0.0, shown)))
        found.append((at, reports))
        at += interval + chance.randrange(-interval // 10, interval // 10)
    looked = []
    for before in BEFORE:
        kept = next(((at, told) for at, told in found if at >= empty - before * MINUTE), None)
        if kept is not None:
            looked.append(Look(before=before, left=(empty - kept[0]) / MINUTE, reports=kept[1]))
    return looked


def _empty(battery: Battery) -> int:
    at = battery.falls_to(0)
    assert at is not None
    return at


@dataclass(slots=True, kw_only=True)
class Errors:
    """Forecast less truth, minutes, of one gauge at one time before empty; what was not told is counted."""

    gauge: str
    estimator: str
    before: int
    signed: list[float] = field(default_factory=list)
    unknown: int = 0

    @property
    def median(self) -> float:
        """The median of the sizes of the errors, minutes."""
        return median(abs(error) for error in self.signed)

    @property
    def p90(self) -> float:
        """Nine of ten errors are smaller, minutes."""
        return quantiles((abs(error) for error in self.signed), n=10, method="inclusive")[-1]

    @property
    def lean(self) -> float:
        """The median of the errors with their sign: above nought, it promises too much."""
        return median(self.signed)

    @property
    def untold(self) -> float:
        """The share of looks without an answer."""
        return self.unknown / (self.unknown + len(self.signed))


Found = dict[tuple[str, str, int], Errors]


def measure(discharges: int, seed: int, gauges: Sequence[Gauge] = GAUGES) -> Found:
    """The errors by (gauge, estimator, minutes before empty)."""
    found: Found = {}
    for gauge in gauges:
        chance = random.Random(f"{seed} {gauge.name}")
        for _ in range(discharges):
            for look in looks(gauge, chance):
                for name, estimator in ESTIMATORS.items():
                    key = (gauge.name, name, look.before)
                    errors = found.setdefault(
                        key, Errors(gauge=gauge.name, estimator=name, before=look.before)
                    )
                    told = estimator(look.reports)
                    if told is None:
                        errors.unknown += 1
                    else:
                        errors.signed.append(told - look.left)
    return found


def table(found: Found) -> str:
    """The errors as a Markdown table: median / p90 in minutes, the lean in brackets, and how often nothing is told."""
    lines = [
        "| gauge | by | " + " | ".join(f"{before} min" for before in BEFORE) + " | not told |",
        "| --- | --- |" + " ---: |" * (len(BEFORE) + 1),
    ]
    for gauge, estimator in dict.fromkeys((gauge, estimator) for gauge, estimator, _ in found):
        row = [found[gauge, estimator, before] for before in BEFORE]
        cells = [
            f"{errors.median:.1f} / {errors.p90:.1f} ({errors.lean:+.1f})" if len(errors.signed) > 1 else "-"
            for errors in row
        ]
        untold = " ".join(f"{errors.untold:.0%}" for errors in row)
        lines.append(f"| {gauge} | {estimator} | {' | '.join(cells)} | {untold} |")
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, print the table, and write it where asked."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.battery",
        description="Holds the battery forecast against simulated discharges.",
    )
    parser.add_argument("--discharges", type=int, default=300, help="of each gauge (default 300)")
    parser.add_argument("--seed", type=int, default=1, help="the same seed gives the same table (default 1)")
    parser.add_argument("--to", type=Path, metavar="FILE", help="write the table there too, Markdown")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write every error there, JSON")
    args = parser.parse_args(arguments)
    found = measure(args.discharges, args.seed)
    heading = (
        "Error of the forecast in minutes, median / p90 (median with its sign),"
        f" {args.discharges} simulated discharges of each gauge, seed {args.seed}."
    )
    text = f"{heading}\n\n{table(found)}\n"
    print(text, end="")
    if args.to is not None:
        args.to.write_text(text, encoding="utf-8")
    if args.json is not None:
        args.json.write_text(
            json.dumps([asdict(errors) for errors in found.values()]) + "\n", encoding="utf-8"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
