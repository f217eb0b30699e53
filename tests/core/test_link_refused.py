"""What a phone was refused, as the engine takes it: into the trail by opaque keys, so often an hour, and replayed."""

from __future__ import annotations

import pytest

from monitor.core.effects import LinkRefused
from monitor.core.instants import HOUR
from monitor.core.journal import MOST_AN_HOUR, Happening
from monitor.recorded import EVENTS, NAMES
from monitor.testing import Bench


def refused(bench: Bench, what: str) -> list[Happening]:
    """What happened of one sort."""
    bench.work()
    return [happening for happening in bench.happened if happening.event == f"{what}-refused"]


@pytest.mark.parametrize("what", ["link", "code", "form"])
def test_a_refusal_is_noted(what: str) -> None:
    """Why, whose it was and what about, where both are known; and it can be recorded."""
    bench = Bench()
    bench.engine.receive(
        LinkRefused(what=what, why="expired", person="nurse-1", concern="gone", unsaid=3), bench.now
    )
    bench.engine.receive(LinkRefused(what=what, why="not one of ours", person="somebody"), bench.now)
    first, second = refused(bench, what)
    assert (first.person, first.concern, first.detail) == ("nurse-1", None, {"why": "expired", "not_said": 3})
    assert (second.person, second.detail) == (None, {"why": "not one of ours"})
    assert EVENTS[NAMES[LinkRefused]] is LinkRefused
    bench.assert_trail_whole()


def test_refusals_do_not_fill_the_trail() -> None:
    """Sixty an hour of those that name nobody, and a person's own are not hidden by them; then they are counted."""
    bench = Bench()
    for _ in range(10 * MOST_AN_HOUR):
        bench.engine.receive(LinkRefused(what="link", why="not one of ours"), bench.now)
    bench.engine.receive(LinkRefused(what="link", why="expired", person="nurse-1"), bench.now)
    assert len(refused(bench, "link")) == MOST_AN_HOUR + 1
    bench.engine.receive(LinkRefused(what="link", why="not one of ours"), bench.now + HOUR)
    assert refused(bench, "link")[-1].detail["unsaid"] == 9 * MOST_AN_HOUR


def test_a_refusal_tells_nobody_and_opens_nothing() -> None:
    """It changes no concern and sends no notice."""
    bench = Bench()
    bench.engine.receive(LinkRefused(what="form", why="used", person="nurse-1"), bench.now)
    bench.work()
    bench.assert_nobody_told()
    assert not bench.engine.responsibility.concerns
