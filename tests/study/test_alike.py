"""Nights that need not be played, because another strategy's night is the same."""

from __future__ import annotations

import pytest

from monitor.study.alike import same_night
from monitor.study.strategies import Strategy, shipped_strategies

BY_NAME = {strategy.name: strategy for strategy in shipped_strategies()}
SHIPPED = BY_NAME["Second Bell as shipped"]


def same(held: set[str], other: Strategy, *, played: Strategy = SHIPPED, home: bool = False) -> bool:
    """Whether the other strategy's night is the one that was played."""
    return same_night(played, held, other, home=home)


@pytest.mark.parametrize("name", ["chattering", "unattended", "out-of-sight"])
def test_a_rule_that_never_held_can_be_left_out(name: str) -> None:
    """And one that did hold cannot; that others held says nothing."""
    without = BY_NAME[f"without {name}"]
    assert same({"idle-past-limit"}, without)
    assert not same({name}, without)
    assert not same(set(), SHIPPED, played=without)


def test_a_rule_about_a_unit_is_never_left_out_unplayed() -> None:
    """What a unit's rule does is more than to hold."""
    assert not same(set(), BY_NAME["without sight-lost"])


@pytest.mark.parametrize(
    ("key", "stricter", "weaker"),
    [
        ("unattended.patience", "7 min", "4 min"),
        ("repeated-occlusion.times", "4", "2"),
        ("behind-plan.share", "15 %", "5 %"),
        ("idle-past-limit.patience", "15 min", "7 min"),
    ],
)
def test_of_a_rule_that_never_held_a_stricter_one_would_not(key: str, stricter: str, weaker: str) -> None:
    """A weaker one might."""
    held = {key.partition(".")[0]}
    assert same(set(), BY_NAME[f"{key} = {stricter}"])
    assert not same(set(), BY_NAME[f"{key} = {weaker}"])
    assert not same(held, BY_NAME[f"{key} = {stricter}"])
    assert same(set(), BY_NAME[f"{key} = {stricter}"], played=BY_NAME[f"{key} = {weaker}"])


def test_a_threshold_that_is_said_as_shipped_changes_nothing() -> None:
    """Whether its rule held or not; what is shipped differs between a ward and homes."""
    everything = {rule.id for rule in SHIPPED.rules}
    assert same(everything, BY_NAME["standing-alarm.patience = 10 min"])
    assert not same(everything, BY_NAME["standing-alarm.patience = 10 min"], home=True)
    assert same(everything, BY_NAME["standing-alarm.patience = 20 min"], home=True)


def test_other_rules_are_another_night() -> None:
    """Even if none of them ever held."""
    assert not same(set(), BY_NAME["forwarded at once"])
    assert not same(set(), BY_NAME["forwarded after 60 s"], played=BY_NAME["forwarded at once"])
