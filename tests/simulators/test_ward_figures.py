"""Forty days of the ward, held against the published figures.

Everything is measured from outside, from what the bridges report and from the balances. The figures are those of
infusion pumps where no series for feeding pumps was found.
"""

from __future__ import annotations

import math

import pytest

from simulators import worlds
from tests.simulators.world_runs import Run, run

SEEDS = range(101, 141)


@pytest.fixture(scope="module")
def ward() -> Run:
    """Play the ward as shipped."""
    return run(worlds.load("ward"), SEEDS)


@pytest.fixture(scope="module")
def tubes_stay() -> Run:
    """Play the same days with tubes that neither clog nor slip."""
    world = worlds.load("ward").set("causes.clogs_in_tube_life", 0).set("causes.tubes_out_per_year", 0)
    return run(world, SEEDS)


def test_alarms_per_hour_in_use(ward: Run) -> None:
    """0.18 (Vitoux 2018). Counts scatter by their square root, half as much again as alarms come in clusters."""
    rate = ward.alarms / ward.hours_in_use
    assert rate == pytest.approx(0.18, abs=1.5 * 4 * math.sqrt(ward.alarms) / ward.hours_in_use)


def test_share_cleared_within_68_seconds(ward: Run) -> None:
    """60 % (Vitoux 2018). A share of n scatters binomially; 4 sigma."""
    n = len(ward.durations_s)
    assert ward.share_within(68) == pytest.approx(0.60, abs=4 * math.sqrt(0.6 * 0.4 / n))


def test_mean_duration(ward: Run) -> None:
    """158 s (Vitoux 2018). The fitted lognormal has a standard deviation of 530 s; 4 sigma of the mean of n."""
    n = len(ward.durations_s)
    assert sum(ward.durations_s) / n == pytest.approx(158, abs=4 * 530 / math.sqrt(n))


def test_share_over_four_minutes(ward: Run) -> None:
    """Between 8 % (Yu 2021) and 14.6 % (the fit to Vitoux 2018), each with 3 sigma of a share of n."""
    n = len(ward.durations_s)
    share = 1 - ward.share_within(240)
    assert 0.08 - 3 * math.sqrt(0.08 * 0.92 / n) <= share <= 0.146 + 3 * math.sqrt(0.146 * 0.854 / n)


def test_share_of_downstream_occlusions(ward: Run) -> None:
    """22.9 % of alarms (Vitoux 2018). Binomial, doubled: a line left unmended alarms several times; 4 sigma."""
    share = ward.onsets["downstream-occlusion"] / ward.alarms
    assert share == pytest.approx(0.229, abs=4 * math.sqrt(2 * 0.229 * 0.771 / ward.alarms))


def test_hours_of_interruption(ward: Run) -> None:
    """5.23 h a patient-day for those fed all day (Am J Crit Care 2004).

    Single days scatter by about 4 h (a procedure more or less, a tube out); 4 sigma of the mean of so many.
    """
    days = sum(how == "continuous" for how, _ in ward.balances)
    assert ward.interrupted_h("continuous") == pytest.approx(5.23, abs=4 * 4 / math.sqrt(days))


def test_a_quarter_of_it_comes_from_tubes(ward: Run, tubes_stay: Run) -> None:
    """ "About a quarter" (Stewart 2014): 20 to 30 %, of the same days with and without."""
    whole = ward.interrupted_h("continuous")
    assert 0.20 <= (whole - tubes_stay.interrupted_h("continuous")) / whole <= 0.30


def test_tubes_that_clog() -> None:
    """12.5 to 45 % over the life of a tube: 30 % in 28 days is one clog in 78 days that are fed.

    Alone, a clog is the only occlusion. Played six times as often it is still rare (one day in 13), and a day counts
    for six. Counts scatter by their square root, 4 sigma; up to a fifth is not felt, as the feed is held then.
    """
    often = 6
    world = worlds.load("ward").set("pumps.count", 60).set("causes.alarms_per_hour", 0)
    world = world.set("causes.tube_life_days", world.figures["causes.tube_life_days"].value / often)
    found = run(world, range(1, 31))
    days = found.days * often
    expected = -math.log(1 - 0.30) / 28 * days
    clogs = found.first_onsets["downstream-occlusion"]
    assert 0.8 * expected - 4 * math.sqrt(expected) <= clogs <= expected + 4 * math.sqrt(expected)
    share = 1 - math.exp(-clogs / days * 28)
    assert 0.125 <= share <= 0.45


def test_nobody_is_needed_for_most_alarms(ward: Run) -> None:
    """There are some thousands of alarms, or the tolerances above would forgive anything."""
    assert ward.alarms > 2_000
