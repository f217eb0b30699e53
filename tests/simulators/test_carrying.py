"""Carriers that take a while, fail now and then, and are out on some nights."""

from __future__ import annotations

import pytest

from simulators.carrying import Attempt, Carriers
from simulators.figures import CarrierFigures, ShareOf, Time
from simulators.instants import HOUR, MINUTE, SECOND

NIGHT = 1_800_000_000_000
MORNING = NIGHT + 12 * HOUR


def figures(*, fails: float = 0.0, outage: float = 0.0) -> CarrierFigures:
    """Carriers that take about 4 s, and outages of half an hour."""
    why = "made up for a test"
    return CarrierFigures(
        delay_s=Time(value=4, low=1, high=60, assumption=why),
        fails=ShareOf(value=fails, low=0, high=1, assumption=why),
        outage=ShareOf(value=outage, low=0, high=1, assumption=why),
        outage_min=Time(value=30, low=1, high=300, assumption=why),
    )


def carriers(seed: int, given: CarrierFigures) -> Carriers:
    """The carriers of one night."""
    return Carriers(given, seed, NIGHT, MORNING)


def attempt(carrier: str, at: int, given: Carriers) -> Attempt:
    """How one attempt ends."""
    given.send("n1", "nurse-1", carrier, at)
    [ended] = given.take(at + MINUTE)
    return ended


def test_it_takes_a_while() -> None:
    """An attempt ends within half and one and a half of the usual time, and not before."""
    given = carriers(1, figures())
    given.send("n1", "nurse-1", "pager", NIGHT)
    ends = given.next_at()
    assert ends is not None
    assert 2 * SECOND <= ends - NIGHT <= 6 * SECOND
    assert given.take(ends - 1) == []
    assert given.take(ends) == [Attempt(ends, "n1", "sent", "taken")]
    assert given.next_at() is None


def test_some_attempts_fail() -> None:
    """About the share that fails is to be tried again."""
    given = carriers(1, figures(fails=0.2))
    failed = sum(attempt("mail", NIGHT, given).outcome == "try-later" for _ in range(2000))
    assert failed / 2000 == pytest.approx(0.2, abs=0.04)  # four standard errors of 0.9 %


def test_the_pager_is_out_on_some_nights() -> None:
    """On about that share of nights, for its time, inside the night; mail is not touched by it."""
    nights = [carriers(seed, figures(outage=0.3)) for seed in range(1000)]
    out = [night for night in nights if night.outage is not None]
    assert len(out) / 1000 == pytest.approx(0.3, abs=0.06)  # four standard errors of 1.4 %
    for night in out:
        assert night.outage is not None
        begin, end = night.outage
        assert begin >= NIGHT
        assert end - begin == 30 * MINUTE
        assert end <= MORNING
    first = out[0]
    assert first.outage is not None
    begin, end = first.outage
    assert attempt("pager", begin, first).outcome == "try-later"
    assert attempt("mail", begin, first).outcome == "sent"
    assert attempt("pager", end, first).outcome == "sent"


def test_the_same_seed_fails_alike_to_the_same_person() -> None:
    """Whether an attempt to one person fails does not depend on what goes to others."""

    def to_nurse(others: int) -> list[Attempt]:
        given = carriers(3, figures(fails=0.5))
        for number in range(10):
            given.send(f"n{number}", "nurse-1", "pager", NIGHT + number * MINUTE)
            for other in range(others):
                given.send(f"o{other}", "charge", "pager", NIGHT + number * MINUTE)
        return [one for one in given.take(MORNING) if one.notice.startswith("n")]

    assert to_nurse(0) == to_nurse(3)
