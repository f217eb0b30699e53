"""Targets: met, met with doubt, not met, and nothing to say."""

from __future__ import annotations

from typing import Any

from monitor.study.summing import AT_ONCE, NOBODY, SHIPPED, sum_up
from monitor.study.targets import Checked, check
from monitor.study.words import verdict
from tests.study.made_up import night


def checked(nights: int = 40, **shipped: Any) -> dict[str, Checked]:
    """Each target by its measure, of nights that are all alike."""
    seeds = range(1, nights + 1)
    found = sum_up(
        "ward",
        {
            NOBODY: [
                night(seed, NOBODY, trouble_ml=1200.0, lost_ml=3600.0, glucose_min=100.0) for seed in seeds
            ],
            AT_ONCE: [night(seed, AT_ONCE, notices=100) for seed in seeds],
            SHIPPED: [night(seed, **shipped) for seed in seeds],
        },
    )
    return {one.target.measure: one for one in check(found)}


def test_all_six_are_held_against_their_bound() -> None:
    """160 of 160 reached: Clopper and Pearson's bound is 97.7 %, so it is met and not sure."""
    found = checked()
    assert {key: one.verdict for key, one in found.items()} == {
        "recall": "met, but the interval reaches beyond", "notices": "met", "precision": "met", "glucose_min": "met",
        "lost_ml": "met", "trouble_ml": "met",
    }  # fmt: skip
    assert {key: one.found.value for key, one in found.items()} == {
        "recall": 100, "notices": 8, "precision": 100, "glucose_min": 10, "lost_ml": 25,
        "trouble_ml": 25,
    }  # fmt: skip
    assert checked(200)["recall"].verdict == "met"


def test_what_is_beyond_its_bound_is_not_met() -> None:
    """Each by a little."""
    found = checked(reached=3, notices=21, real=5, glucose_min=26.0, trouble_ml=601.0, lost_ml=1801.0)
    assert {one.verdict for one in found.values()} == {"not met"}
    assert checked(trouble_ml=600.0)["trouble_ml"].met, "at most is at most"


def test_without_the_other_strategy_nothing_is_said() -> None:
    """A file of one's own need not hold the yardsticks; nor is there a quarter of nothing."""
    alone = {one.target.measure: one for one in check(sum_up("ward", {SHIPPED: [night(1), night(2)]}))}
    assert {key for key, one in alone.items() if one.met is None} == {
        "notices",
        "glucose_min",
        "lost_ml",
        "trouble_ml",
    }
    assert all(one.met is None for one in check(sum_up("ward", {NOBODY: [night(1, NOBODY)]})))
    assert verdict(alone["notices"]) == (
        "cannot be said: at most 20 % of the notices of forwarding every alarm at once"
    )


def test_a_verdict_is_one_line_with_its_interval() -> None:
    """What was found, what was wanted, and the exact bound by its name."""
    found = checked()
    assert verdict(found["recall"]) == (
        "met, but the interval reaches beyond: 100 % (97.7–100, Clopper–Pearson) of troubles that outlast 15 minutes "
        "reach somebody (wanted: at least 99 %)"
    )
    assert verdict(found["trouble_ml"]).startswith("met: 25.0 % (25.0–25.0) of the feed due in trouble")
