"""Whatever happens to many pumps: nobody is told too much, nothing goes untold, and a restart changes nothing."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.concerns import State
from monitor.core.instants import MINUTE, SECOND
from monitor.testing import Bench, Told
from tests.core.explosions import full_ward, lose_mains, recover

PUMPS = 9
LIMIT = 4
UNTOLD = (
    62 * SECOND + 30 * SECOND + 3 * MINUTE
)  # the rule's minute, a group's longest gathering, and room for retries

steps = st.lists(
    st.tuples(
        st.sampled_from(["lose", "low", "mend", "accept", "decline", "hand-back"]),
        st.sets(st.integers(0, PUMPS - 1), min_size=1),
        st.integers(0, 4 * MINUTE),
        st.booleans(),  # a restart after it
    ),
    min_size=4,
    max_size=14,
)


def play(story: list[tuple[str, set[int], int, bool]], *, restarts: bool) -> Bench:
    """The story, and 40 min after it."""
    bench = full_ward(PUMPS, most_notices=LIMIT)
    for what, numbers, wait, restart in story:
        names = sorted(f"pump-{n}" for n in numbers)
        if what in ("lose", "low"):
            lose_mains(bench, 15 if what == "lose" else 4, *names)
        elif what == "mend":
            recover(bench, *names)
        else:
            for name in names:
                if bench.concerns(name):
                    bench.answer(what, "nurse-1", bench.code("nurse-1", name))
        bench.until(bench.now + wait)
        if restart and restarts:
            bench.restart()
    bench.pass_by("40 min")
    return bench


def most_within(told: list[Told], within: int) -> int:
    """The most notices in any time so long."""
    times = [one.at for one in told]
    return max((sum(first <= at < first + within for at in times) for first in times), default=0)


@pytest.mark.long
@given(steps)
@settings(max_examples=150, deadline=None)
def test_whatever_happens_in_many_stories(story: list[tuple[str, set[int], int, bool]]) -> None:
    """The same of 150 stories."""
    check(story)


@given(steps)
@settings(max_examples=6, deadline=None)
def test_whatever_happens(story: list[tuple[str, set[int], int, bool]]) -> None:
    """Below high at most the limit to each; every call is told to somebody; the same with restarts in between."""
    check(story)


def check(story: list[tuple[str, set[int], int, bool]]) -> None:
    """Play it, and look at all that was told."""
    bench = play(story, restarts=False)
    for person in bench.site.people:
        below = [one for one in bench.told if one.person == person and "HIGH" not in one.text.split(".")[0]]
        assert most_within(below, bench.site.most_within) <= LIMIT
    for pump in bench.site.devices:
        for concern in bench.concerns(pump):
            if concern.state is State.OPEN:
                assert concern.told, "open for long, and nobody was told"
                assert concern.wait_at is not None
    for happening in bench.happened:
        seen_long_enough = happening.now + bench.site.most_within + UNTOLD <= bench.now
        if happening.event == "called" and happening.detail["why"] != "duty" and seen_long_enough:
            concern = bench.engine.responsibility.concerns[str(happening.concern)]
            told = [one.at for one in bench.told if one.at >= happening.now and concern.id in dict(one.items)]
            changed = [
                other.now
                for other in bench.happened
                if other.concern == concern.id
                and other.now >= happening.now
                and other.event in ("accepted", "settled", "called", "declined", "priority-raised")
                and other is not happening
            ]
            by = min([*told, *changed, happening.now + 20 * MINUTE])
            assert by <= happening.now + bench.site.most_within + UNTOLD
    again = play(story, restarts=True)
    assert _told(bench) == _told(again)


def _told(bench: Bench) -> list[tuple[int, str, str]]:
    return sorted((one.at, one.person, one.text) for one in bench.told)
