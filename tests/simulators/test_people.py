"""The people who are told: how long they take, whether they ever answer, and how they go from pump to pump."""

from __future__ import annotations

from statistics import median

import pytest

from simulators.figures import Figure, PeopleFigures, ShareOf, Time
from simulators.instants import HOUR, MINUTE
from simulators.people import Answer, Arrival, People

NIGHT = 1_800_000_000_000


def figures(
    *, never: float = 0.0, slower: float = 0.1, sigma: float = 0.8, comes_never: float = 0.0
) -> PeopleFigures:
    """People who answer in 2 min, when nothing else was told lately, and take 4 min to come."""
    why = "made up for a test"
    return PeopleFigures(
        answer_median_min=Time(value=2, low=1, high=10, assumption=why),
        answer_sigma=Figure(value=sigma, low=0, high=2, assumption=why),
        slower_per_notice=Figure(value=slower, low=0, high=1, assumption=why),
        never=ShareOf(value=never, low=0, high=1, assumption=why),
        comes_median_min=Time(value=4, low=1, high=20, assumption=why),
        comes_sigma=Figure(value=sigma, low=0, high=2, assumption=why),
        comes_never=ShareOf(value=comes_never, low=0, high=1, assumption=why),
    )


def answers(seeds: int, told_before: int, given: PeopleFigures) -> list[int]:
    """How long the first answer takes in so many nights, after so many notices about nothing to do."""
    found = []
    for seed in range(seeds):
        people = People(given, seed)
        for number in range(told_before):
            people.reads("nurse-1", NIGHT - number, asks={})
        people.reads("nurse-1", NIGHT, asks={"c1": "pump-1"})
        at = people.next_at()
        if at is not None:
            found.append(at - NIGHT)
    return found


@pytest.mark.parametrize(("told_before", "expected_min"), [(0, 2.0), (5, 3.0), (20, 6.0)])
def test_the_more_notices_the_slower_the_answer(told_before: int, expected_min: float) -> None:
    """The median grows by a tenth with each notice of the last two hours."""
    found = median(answers(2000, told_before, figures()))
    # The median of 2000 lognormal draws of sigma 0.8 has a standard error of 0.8 * 1.253 / sqrt(2000) = 2.2 %.
    assert found / MINUTE == pytest.approx(expected_min, rel=0.07)


def test_what_came_two_hours_ago_does_not_slow_anybody() -> None:
    """Only the notices of the last two hours count."""
    given = figures(sigma=0.0)
    people = People(given, 1)
    people.reads("nurse-1", NIGHT - 2 * HOUR, asks={})
    people.reads("nurse-1", NIGHT, asks={"c1": "pump-1"})
    assert people.next_at() == NIGHT + 2 * MINUTE


def test_some_never_answer() -> None:
    """About the share that is never answered is never answered."""
    found = answers(2000, 0, figures(never=0.25))
    assert len(found) / 2000 == pytest.approx(0.75, abs=0.04)  # four standard errors of 1 %


def test_asked_again_she_may_answer_after_all() -> None:
    """A notice that is never answered keeps nobody from answering a later one."""
    nights = [People(figures(never=0.5), seed) for seed in range(200)]
    silent = []
    for people in nights:
        people.reads("nurse-1", NIGHT, asks={"c1": "pump-1"})
        if people.next_at() is None:
            silent.append(people)
            people.reads("nurse-1", NIGHT + 10 * MINUTE, asks={"c1": "pump-1"})
    assert 0 < sum(people.next_at() is not None for people in silent) < len(silent)


def test_the_same_seed_answers_alike_whatever_else_was_told() -> None:
    """What she does about one pump does not depend on what she was told of another, but for the load."""

    def answered(*others: str) -> int | None:
        people = People(figures(slower=0.0), 7)
        for number, other in enumerate(others):
            people.reads("nurse-1", NIGHT - HOUR, asks={f"o{number}": other})
            people.reads("nurse-1", NIGHT - HOUR, asks={}, over=[f"o{number}"])
        people.reads("nurse-1", NIGHT, asks={"c1": "pump-1"})
        return people.next_at()

    assert answered() == answered("pump-2") == answered("pump-2", "pump-3")


def test_she_goes_from_one_pump_to_the_next() -> None:
    """Whoever accepted two pumps is at the second as long after the first as the way takes."""
    people = People(figures(sigma=0.0), 1)
    people.accepted(Answer(NIGHT, "nurse-1", "pump-1", ("c1",)), NIGHT)
    people.accepted(Answer(NIGHT, "nurse-1", "pump-2", ("c2",)), NIGHT)
    people.accepted(Answer(NIGHT, "nurse-2", "pump-3", ("c3",)), NIGHT)
    assert people.take(NIGHT + 9 * MINUTE) == [
        Arrival(NIGHT + 4 * MINUTE, "nurse-1", "pump-1"),
        Arrival(NIGHT + 4 * MINUTE, "nurse-2", "pump-3"),
        Arrival(NIGHT + 8 * MINUTE, "nurse-1", "pump-2"),
    ]
    assert people.next_at() is None


def test_what_somebody_else_has_is_not_answered() -> None:
    """Told that it is taken or over, she forgets her answer; what is still asked stays asked."""
    people = People(figures(sigma=0.0, slower=0.0), 1)
    people.reads("nurse-1", NIGHT, asks={"c1": "pump-1", "c2": "pump-2"})
    people.reads("nurse-1", NIGHT + MINUTE, asks={}, over=["c1"])
    assert people.take(NIGHT + HOUR) == [Answer(NIGHT + 2 * MINUTE, "nurse-1", "pump-2", ("c2",))]


def test_told_that_it_is_over_she_turns_round() -> None:
    """On her way she hears that the first pump needs nobody: she sets out for the second at once."""
    people = People(figures(sigma=0.0), 1)
    people.accepted(Answer(NIGHT, "nurse-1", "pump-1", ("c1",)), NIGHT)
    people.accepted(Answer(NIGHT, "nurse-1", "pump-2", ("c2",)), NIGHT)
    people.reads("nurse-1", NIGHT + MINUTE, asks={}, over=["c1"])
    assert people.take(NIGHT + HOUR) == [Arrival(NIGHT + 5 * MINUTE, "nurse-1", "pump-2")]


def test_some_accept_and_never_come() -> None:
    """So many as the figure says, within four standard errors: no hands are at the pump, and nobody waits for them."""
    accepted = came = 0
    for seed in range(400):
        people = People(figures(comes_never=0.3), seed)
        people.reads("nurse-1", NIGHT, asks={"c1": "pump-1"})
        while (at := people.next_at()) is not None:
            for deed in people.take(at):
                if isinstance(deed, Answer):
                    people.accepted(deed, at)
                    accepted += 1
                else:
                    came += 1
    assert accepted == 400
    assert came == pytest.approx(280, abs=4 * (400 * 0.3 * 0.7) ** 0.5)
