"""Battery slopes: `theil_sen` against scipy, forecast and charge on the mains against a direct definition; mutants."""

from __future__ import annotations

import importlib.util
import warnings
from collections.abc import Callable, Sequence
from fractions import Fraction
from itertools import pairwise
from random import Random
from statistics import median, median_low
from types import ModuleType
from typing import Any, Final

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import linregress, theilslopes

from monitor.core import battery

START: Final = 1_800_000_000_000
MINUTE: Final = 60_000
Series = list[tuple[int, int]]  # instant in ms, hundredths of a percent

STEPS = (MINUTE // 4, MINUTE, 4 * MINUTE, 5 * MINUTE, 25 * MINUTE // 4, 19 * MINUTE, 20 * MINUTE, 25 * MINUTE)
FALLS = (-200, -200, -150, -100, -50, -50, 0, 0, 0, 50, 100)


# ---- the definition, once more (design: Rule semantics) ----------------------------------------------------


def by_scipy(told: Sequence[tuple[float, float]]) -> float:
    """The slope by scipy, whose warnings are about the interval around it that nobody asked for."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return float(theilslopes([y for _, y in told], [x for x, _ in told]).slope)


def left(series: Series) -> float | None:
    """Minutes left: the median slope of what was told in the last 25 min, if 5 reports fell by 2 points."""
    told = [(at, level) for at, level in series if at >= series[-1][0] - 25 * MINUTE]
    if len(told) < 5 or told[0][1] - told[-1][1] < 200:
        return None
    slope = by_scipy([(at, level / 100) for at, level in told])
    return None if slope >= 0 else told[-1][1] / 100 / -slope / MINUTE


def spread(series: Series) -> list[tuple[Fraction, int]]:
    """The reports with those of one unbroken run of the same percentage evenly spread over it."""
    runs: list[Series] = []
    for report in series:
        if runs and runs[-1][-1][1] == report[1]:
            runs[-1].append(report)
        else:
            runs.append([report])
    return [
        (run[0][0] + Fraction(run[-1][0] - run[0][0], max(1, len(run) - 1)) * number, run[0][1])
        for run in runs
        for number in range(len(run))
    ]


def slope_of(told: Sequence[tuple[Fraction, int]]) -> Fraction:
    """The exact median slope of all pairs."""
    return median([(b[1] - a[1]) / (b[0] - a[0]) for n, a in enumerate(told) for b in told[n + 1 :]])


def losing(series: Series) -> bool | None:
    """Whether a plugged stretch of at least 20 min fell in its last 20: slope below 0, 5 reports, 2 points."""
    since = series[-1][0] - 20 * MINUTE
    if series[0][0] > since:
        return None
    others = [at for at, level in series if level != series[-1][1]]
    if min(at for at, _ in series if not others or at > others[-1]) <= since:
        return False  # it has stood still for all of the span
    told = [report for report in spread(series) if report[0] >= since]
    return None if len(told) < 5 else told[0][1] - told[-1][1] >= 200 and slope_of(told) < 0


# ---- what the module tells ---------------------------------------------------------------------------------


def forecasts(module: Any, series: Series) -> list[float | None]:
    """Minutes left after each report."""
    reports = module.NO_REPORTS
    found = []
    for at, level in series:
        reports = module.unplugged(reports, at, level / 100)
        found.append(module.minutes_left(reports))
    return found


def charges(module: Any, series: Series) -> list[bool | None]:
    """Whether the battery falls on the mains after each report."""
    runs = module.NO_RUNS
    found = []
    for at, level in series:
        runs = module.plugged(runs, at, level / 100)
        found.append(module.losing_charge(runs))
    return found


def same(ours: float | None, theirs: float | None) -> bool:
    """Whether two forecasts agree but for rounding."""
    return (ours is None) == (theirs is None) and (ours is None or ours == pytest.approx(theirs, rel=1e-9))


def even(number: float, *, until: int, every: int, begin: int = 10_000) -> Series:
    """A steady fall of so many hundredths a minute, told every so many ms."""
    return [(START + t, begin - round(number * t / MINUTE)) for t in range(0, until + 1, every)]


# ---- theil_sen ---------------------------------------------------------------------------------------------

POINTS = st.lists(st.tuples(st.integers(0, 30), st.integers(0, 200)), min_size=2, max_size=20)


@settings(deadline=None, max_examples=150)
@given(POINTS)
def test_theil_sen_agrees_with_scipy(found: list[tuple[int, int]]) -> None:
    """The median of all pairs at different instants, simultaneous reports and ties of percentage among them."""
    assume(len({x for x, _ in found}) > 1)
    told = [(START + x * MINUTE, y / 2) for x, y in found]
    assert battery.theil_sen(told) == pytest.approx(by_scipy(told), rel=1e-12, abs=1e-18)


@pytest.mark.parametrize("told", [[], [(START, 50.0)], [(START, 50.0), (START, 40.0)]])
def test_without_a_pair_there_is_no_slope(told: list[tuple[float, float]]) -> None:
    """Nothing, one report, two at one instant."""
    assert battery.theil_sen(told) == 0


def test_wild_reports_move_the_slope_little() -> None:
    """Three of twelve reports wild (29 % is the limit): the slope stays that of the nine."""
    told = [(START + n * MINUTE, 60 - n / 2) for n in range(12)]
    for number in (5, 9, 11):
        told[number] = (told[number][0], 5.0)
    assert battery.theil_sen(told) * MINUTE == pytest.approx(-0.5)
    assert least_squares(told) * MINUTE < -3


# ---- minutes_left ------------------------------------------------------------------------------------------


@st.composite
def series_of(draw: st.DrawFn, steps: Sequence[int] = STEPS) -> Series:
    """Reports at exact parts of the spans after one another, a millisecond off at times."""
    found = [(START, draw(st.sampled_from((10_000, 9_950, 6_000, 1_000))))]
    for _ in range(draw(st.integers(1, 24))):
        at = found[-1][0] + draw(st.sampled_from(steps)) + draw(st.sampled_from((0, 0, 0, -1, 1)))
        level = min(10_000, max(0, found[-1][1] + draw(st.sampled_from(FALLS))))
        found.append((at, level))
    return found


@settings(deadline=None, max_examples=150)
@given(series_of(STEPS[:5]))
def test_minutes_left_agrees_with_the_definition(series: Series) -> None:
    """After each report of random stretches full of exact ties."""
    for number, ours in enumerate(forecasts(battery, series), 1):
        assert same(ours, left(series[:number])), series[:number]


@pytest.mark.parametrize(("off", "known"), [(0, True), (1, False)])
def test_a_report_exactly_25_minutes_ago_counts(off: int, known: bool) -> None:
    """The fifth report back lies 25 min ago, or a millisecond more."""
    series = [(START, 6_000), *((START + off + n * 25 * MINUTE // 4, 6_000 - 100 * n) for n in range(1, 5))]
    assert (forecasts(battery, series)[-1] is not None) is known


@pytest.mark.parametrize("count", [4, 5])
def test_five_reports_are_enough_and_four_are_not(count: int) -> None:
    """One point a minute from 60 %: 60 minutes, less what has passed."""
    found = forecasts(battery, even(100, until=(count - 1) * MINUTE, every=MINUTE, begin=6_000))[-1]
    assert found == (None if count < 5 else pytest.approx(56))


@pytest.mark.parametrize("begin", [10_000, 6_410, 6_000, 1_010, 700])
@pytest.mark.parametrize(("fall", "known"), [(199, False), (200, True)])
def test_a_fall_of_exactly_two_points_is_enough(begin: int, fall: int, known: bool) -> None:
    """From any percentage, with decimals or without, and from full."""
    series = [(START + n * MINUTE, begin - fall * n // 4) for n in range(5)]
    assert (forecasts(battery, series)[-1] is not None) is known


@pytest.mark.parametrize("begin", [10_000, 9_999, 5_000])
def test_a_steady_discharge_is_foretold(begin: int) -> None:
    """Half a point a minute: twice the percentage in minutes, from full too."""
    series = even(50, until=20 * MINUTE, every=MINUTE, begin=begin)
    assert forecasts(battery, series)[-1] == pytest.approx((begin - 1_000) / 50)


def test_a_battery_that_charges_or_stands_is_not_foretold() -> None:
    """Off the mains it may still rise, by the gauge; and a fall that a rise outweighs is none."""
    assert forecasts(battery, even(-50, until=20 * MINUTE, every=MINUTE, begin=5_000))[-1] is None
    assert forecasts(battery, even(0, until=20 * MINUTE, every=MINUTE, begin=5_000))[-1] is None
    levels = [5_000, 4_000, 4_100, 4_200, 4_300, 4_400, 4_500]
    assert forecasts(battery, [(START + n * MINUTE, level) for n, level in enumerate(levels)])[-1] is None


def whole(series: Series) -> Series:
    """As a gauge tells it that knows whole points only."""
    return [(at, round(level, -2)) for at, level in series]


@pytest.mark.parametrize("every", [1_000, 5_000, 15_000])
@pytest.mark.parametrize("a_minute", [50, 100])
@pytest.mark.parametrize("coarse", [False, True])
def test_a_device_that_tells_often_is_foretold_all_the_same(every: int, a_minute: int, coarse: bool) -> None:
    """Told every second, by a gauge of fine or coarse grain: bounded memory over the whole span, the same minutes."""
    series = even(a_minute, until=40 * MINUTE, every=every)
    reports = battery.NO_REPORTS
    for at, level in whole(series) if coarse else series:
        reports = battery.unplugged(reports, at, level / 100)
        assert len(reports) <= battery.MOST
    assert battery.minutes_left(reports) == pytest.approx(10_000 / a_minute - 40, rel=0.05)
    told = battery.points(reports)
    assert told[-1][0] - told[0][0] >= 23 * MINUTE


# ---- losing_charge -----------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=150)
@given(series_of())
def test_losing_charge_agrees_with_the_definition(series: Series) -> None:
    """After each report of random stretches; a slope of exactly 0 only where the arithmetic is exact."""
    for number, ours in enumerate(charges(battery, series), 1):
        told = spread(series[:number])
        if len(told) > 1 and slope_of(told) == 0 and any(at.denominator > 1 for at, _ in told):
            continue
        assert ours is losing(series[:number]), series[:number]


@pytest.mark.parametrize(("short", "known"), [(0, True), (1, None)])
def test_a_plugged_stretch_of_exactly_20_minutes_is_long_enough(short: int, known: bool | None) -> None:
    """Half a point a minute; a millisecond less is not."""
    series = even(50, until=20 * MINUTE, every=MINUTE, begin=8_000)
    series[-1] = (series[-1][0] - short, series[-1][1])
    assert charges(battery, series)[-2:] == [None, known]


@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        ([8_000, 7_950, 7_900, 7_850, 7_800], True),
        ([8_000, 7_950, 7_900, 7_850, 7_801], False),  # less than two points is the gauge's own grain
        ([8_000, 8_000, 8_000, 8_000, 8_000], False),
        ([8_000, 7_500, 7_600, 7_700, 7_790], False),  # a jump down, charging since
        ([7_800, 7_850, 7_900, 7_950, 8_000], False),
        ([6_410, 6_360, 6_310, 6_260, 6_210], True),  # exactly two points in decimals
    ],
)
def test_losing_charge_by_examples(levels: list[int], expected: bool) -> None:
    """Five reports over 20 min."""
    series = [(START + n * 5 * MINUTE, level) for n, level in enumerate(levels)]
    assert charges(battery, series)[-1] is expected


def test_only_the_last_20_minutes_count() -> None:
    """A fall 21 minutes ago has been made good; days at 100 % do not hide a fall since."""
    made_good = [(START, 9_000), *((START + n * MINUTE, 8_000 + 10 * n) for n in range(1, 22))]
    assert charges(battery, made_good)[-1] is False
    full = [(START + n * MINUTE, 10_000) for n in range(3_000)]
    falling = [(full[-1][0] + n * MINUTE, 10_000 - 50 * n) for n in range(1, 21)]
    assert charges(battery, [*full, *falling])[-1] is True
    assert len(battery.plugged(battery.NO_RUNS, START, 100.0)) == 4


@pytest.mark.parametrize("every", [1_000, 5_000, 15_000, 30_000])
@pytest.mark.parametrize("coarse", [False, True])
def test_a_device_that_tells_often_on_the_mains_is_judged_too(every: int, coarse: bool) -> None:
    """Half a point a minute, by a new percentage with each report or by whole points: bounded memory, and known."""
    series = even(50, until=40 * MINUTE, every=every)
    runs = battery.NO_RUNS
    for at, level in whole(series) if coarse else series:
        runs = battery.plugged(runs, at, level / 100)
        assert len(runs) <= 4 * battery.MOST
    assert battery.losing_charge(runs) is True


# ---- mutants -----------------------------------------------------------------------------------------------


def random_series(steps: Sequence[int], count: int) -> list[Series]:
    """Stretches as above without Hypothesis: always the same ones."""
    rng = Random(f"slopes {steps}")
    found = []
    for _ in range(count):
        series = [(START, rng.choice((10_000, 6_000, 1_000)))]
        for _ in range(rng.randint(5, 18)):
            at = series[-1][0] + rng.choice(steps) + rng.choice((0, 0, 0, -1, 1))
            series.append((at, min(10_000, max(0, series[-1][1] + rng.choice(FALLS)))))
        found.append(series)
    return found


UNPLUGGED, PLUGGED = random_series(STEPS[:5], 120), random_series(STEPS, 120)
LEFT = [[left(series[: n + 1]) for n in range(len(series))] for series in UNPLUGGED]
LOSING = [[losing(series[: n + 1]) for n in range(len(series))] for series in PLUGGED]


def differing(module: Any) -> int:
    """On how many stretches a module and the definition differ."""
    wrong = sum(
        not all(map(same, forecasts(module, series), theirs))
        for series, theirs in zip(UNPLUGGED, LEFT, strict=True)
    )
    return wrong + sum(
        charges(module, series) != theirs for series, theirs in zip(PLUGGED, LOSING, strict=True)
    )


def copy_of_battery() -> ModuleType:
    """The module once more, to be changed."""
    spec = importlib.util.spec_from_file_location("battery_changed", battery.__file__)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def least_squares(told: Sequence[tuple[float, float]]) -> float:
    """The slope that one wild report moves."""
    xs = [x - told[0][0] for x, _ in told]
    return float(linregress(xs, [y for _, y in told]).slope) if len(set(xs)) > 1 else 0.0


def slopes(told: Sequence[tuple[float, float]]) -> list[float]:
    """The slopes of all pairs."""
    return [(b[1] - a[1]) / (b[0] - a[0]) for n, a in enumerate(told) for b in told[n + 1 :]] or [0.0]


def successive(told: Sequence[tuple[float, float]]) -> float:
    """The median of the slopes of neighbours only."""
    return median([(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairwise(told)] or [0.0])


def end_to_end(told: Sequence[tuple[float, float]]) -> float:
    """The slope from the first report to the last."""
    return (told[-1][1] - told[0][1]) / (told[-1][0] - told[0][0]) if len(told) > 1 else 0.0


MUTANTS: dict[str, tuple[str, object]] = {
    "24 min, 59.999 s": ("UNPLUGGED_SPAN", 25 * MINUTE - 1),
    "25 min and a millisecond": ("UNPLUGGED_SPAN", 25 * MINUTE + 1),
    "four reports": ("FEWEST", 4),
    "six reports": ("FEWEST", 6),
    "a fall of one and a half": ("LEAST_FALL", 1.5),
    "a fall of two and a half": ("LEAST_FALL", 2.5),
    "19 min, 59.999 s": ("PLUGGED_SPAN", 20 * MINUTE - 1),
    "20 min and a millisecond": ("PLUGGED_SPAN", 20 * MINUTE + 1),
    "least squares": ("theil_sen", least_squares),
    "mean of all pairs": ("theil_sen", lambda told: sum(slopes(told)) / len(slopes(told))),
    "the lower of two middle slopes": ("theil_sen", lambda told: median_low(slopes(told))),
    "neighbours only": ("theil_sen", successive),
    "first and last only": ("theil_sen", end_to_end),
    "any fall is a slope": ("theil_sen", lambda told: min(slopes(told))),
}


def test_the_module_differs_on_none() -> None:
    """The 240 stretches on which each mutant is tried, and enough of them tell something."""
    assert differing(battery) == 0
    assert sum(any(found) for found in LEFT) >= 40
    assert sum(any(found) for found in LOSING) >= 30


@pytest.mark.parametrize("mutant", MUTANTS)
def test_a_wrong_slope_is_found(mutant: str) -> None:
    """A copy with one constant or the slope changed differs on some stretch."""
    name, value = MUTANTS[mutant]
    module = copy_of_battery()
    assert hasattr(module, name)
    setattr(module, name, value)
    assert differing(module) > 0


def forgets_nothing(module: ModuleType) -> None:
    """A copy that looks back over the whole stretch."""
    before: Callable[..., tuple[int, ...]] = module.unplugged
    module.unplugged = lambda reports, *report: (*reports, *before((), *report))  # type: ignore[attr-defined]


def forgets_the_plug(module: ModuleType) -> None:
    """A copy in which a new percentage begins a new stretch on the mains."""
    before: Callable[..., tuple[float, ...]] = module.plugged
    module.plugged = lambda runs, at, percent: before(runs, at, percent)[-4:]  # type: ignore[attr-defined]


@pytest.mark.parametrize("change", [forgets_nothing, forgets_the_plug])
def test_a_wrong_memory_is_found(change: Callable[[ModuleType], None]) -> None:
    """A copy that remembers too much or too little differs on some stretch."""
    module = copy_of_battery()
    change(module)
    assert differing(module) > 0
