"""What is normal wakes nobody: nights in which nothing goes wrong, with Second Bell as shipped."""

from __future__ import annotations

import pytest

from simulators.instants import MINUTE, SECOND
from tests.study.calm_nights import Call, Calm, played

SEEDS = {"ward": range(1, 4), "homes": range(1, 6)}
STILL = {  # how long a pump stands still before anybody is called to it, as shipped
    ("ward", "idle-past-limit"): 10 * MINUTE,
    ("homes", "idle-past-limit"): 20 * MINUTE,
    ("ward", "stopped-at-glucose-risk"): 15 * MINUTE,
    ("homes", "stopped-at-glucose-risk"): 15 * MINUTE,
}
UNHEARD = {
    "ward": 3 * MINUTE,
    "homes": 10 * MINUTE,
}  # the shorter patience, with what a home at risk is given
ON_ITS_WAY = 60 * SECOND  # a call that was sent before the pump went on is read up to a minute after
ANSWERED_FOR = 28 * MINUTE  # her answer holds for 30 min at glucose risk, and she takes some minutes to come

Nights = tuple[str, list[Calm]]


@pytest.fixture(scope="module", params=SEEDS)
def nights(request: pytest.FixtureRequest) -> Nights:
    """Play some nights of a ward of 24, and of 60 homes."""
    name = str(request.param)
    return name, [played(name, seed) for seed in SEEDS[name]]


def about(nights: Nights, *rules: str) -> list[Call]:
    """The calls by these rules."""
    return [call for night in nights[1] for call in night.calls if call.rule in rules]


def test_nobody_is_called_but_to_what_stands_still_is_unheard_or_behind(nights: Nights) -> None:
    """No other rule sees anything in a normal night."""
    seen = {call.rule for night in nights[1] for call in night.calls}
    assert seen <= {"idle-past-limit", "stopped-at-glucose-risk", "out-of-sight", "behind-plan"}


def test_a_pump_to_which_somebody_is_called_is_held_on_purpose(nights: Nights) -> None:
    """Held, or its feed over for now, for longer than the patience; or it went on while the call was on its way."""
    for call in about(nights, "idle-past-limit", "stopped-at-glucose-risk"):
        if call.still_ms is None:
            assert call.moving_ms is not None
            assert call.moving_ms <= ON_ITS_WAY, call
        else:
            assert call.on_purpose, call
            assert call.still_ms >= STILL[nights[0], call.rule], call


def test_a_pump_that_is_said_to_be_out_of_sight_is(nights: Nights) -> None:
    """For longer than the patience."""
    for call in about(nights, "out-of-sight"):
        assert call.unheard_ms >= UNHEARD[nights[0]], call


def test_a_feed_that_is_said_to_be_behind_is(nights: Nights) -> None:
    """By a tenth or 100 mL, a little less by the time it is read; or what is left does not fit its window any more."""
    for call in about(nights, "behind-plan"):
        assert call.behind > 0.9 or not call.fits, call


def test_one_who_has_been_there_is_not_called_again_about_the_same_hold(nights: Nights) -> None:
    """By one rule at most once about a pump that stands still, and once more for each half hour of it at most."""
    for rule in ("idle-past-limit", "stopped-at-glucose-risk"):
        patience = STILL[nights[0], rule]
        for night in nights[1]:
            calls = [call.device for call in night.calls if call.rule == rule]
            for device in set(calls):
                long = [ms for pump, ms in night.stretches if pump == device and ms >= patience]
                assert calls.count(device) <= sum(1 + ms // ANSWERED_FOR for ms in long), (rule, device)


def test_how_often_a_normal_night_calls_somebody(nights: Nights) -> None:
    """Per nurse-night and about pumps that stand still or are unheard: on a ward fewer than 8, at home fewer than 1.

    A nurse's 12 pumps are held for care about 20 times in a night, 6 of them for over 10 min, half of these without
    the button (3); procedures at glucose risk have to be said anew every half hour (1 to 2); twice that bounds it.
    At home nothing is held but by carers who go on with it within the patience of 20 min.
    """
    name, played_nights = nights
    calls = [call for night in played_nights for call in night.calls if call.rule != "behind-plan"]
    assert len(calls) < {"ward": 8, "homes": 1}[name] * sum(night.nurses for night in played_nights)
