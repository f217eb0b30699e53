"""How long carers take, and what they do meanwhile."""

from __future__ import annotations

import math
from itertools import pairwise
from random import Random

import pytest

from simulators.carer import Carer
from simulators.hardware import Hardware
from simulators.scenario import Carers


def carer(seed: int = 1, **habits: float) -> Carer:
    """Return somebody with the given habits."""
    return Carer(Carers.model_validate(habits), Hardware(), Random(seed))


def test_answers_are_lognormal() -> None:
    """Median 46 s and sigma 1.58 (domain.md §11), within three standard errors of 4,000 draws."""
    one = carer()
    logs = sorted(math.log(one.answer_ms() / 1000) for _ in range(4_000))
    mean = sum(logs) / len(logs)
    sigma = math.sqrt(sum((value - mean) ** 2 for value in logs) / len(logs))
    assert mean == pytest.approx(math.log(46), abs=3 * 1.58 / math.sqrt(4_000))
    assert sigma == pytest.approx(1.58, abs=3 * 1.58 / math.sqrt(8_000))


def test_no_answer_is_longer_than_the_longest() -> None:
    """A limit on the delay holds, even one below the median."""
    for longest in (100.0, 20.0):
        one = carer(longest_s=longest)
        assert max(one.answer_ms() for _ in range(500)) <= longest * 1000


def test_mutes_come_after_the_pause_has_ended() -> None:
    """Nobody mutes what is silent: each further mute is some seconds after the two minutes."""
    mutes = list(carer().mutes(30_000, 5))
    assert mutes[0] == 30_000
    assert all(122_000 < later - earlier < 140_000 for earlier, later in pairwise(mutes))


def test_who_always_mutes_still_clears() -> None:
    """Muting lies before the clearing and does not put it off."""
    one = carer(mutes_first=1.0)
    for _ in range(300):
        course = one.course("downstream-occlusion")
        assert course.clear_after is not None
        assert bool(course.mutes) == (course.clear_after > 60_000)
        assert all(0 < at < course.clear_after for at in course.mutes)


def test_the_same_seed_behaves_the_same() -> None:
    """Two people of one seed decide alike; of another seed, not."""
    conditions = ["downstream-occlusion", "container-empty"] * 20
    first = [one.course(each) for one in [carer(7, leaves_unmended=0.5)] for each in conditions]
    again = [one.course(each) for one in [carer(7, leaves_unmended=0.5)] for each in conditions]
    other = [one.course(each) for one in [carer(8, leaves_unmended=0.5)] for each in conditions]
    assert first == again != other
