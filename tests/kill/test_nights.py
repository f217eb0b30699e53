"""SIGKILL anywhere: a service killed and started again ends the night as one never stopped."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from tests.kill.comparison import arrivals, assert_ended_alike, concerns, sent
from tests.kill.mortal import POINTS
from tests.kill.play import ANSWERING, PLACES, SENDING, Kill, Play, played

NIGHTS, KILLS = 11, 20  # of the long run
SENDS = tuple(point for point in POINTS if point.endswith("-send"))
LATEST = {SENDING: 1_300, ANSWERING: 400} | dict.fromkeys(SENDS, 1_300)
"""The latest instant from which on a kill may be awaited, of some 2,260: much is sent and answered after it."""
AT_ALL_TIMES = 2_000
WORK, START = 0.006, 0.5  # s: longer than nearly all work on one instant, and about as long as a start


def drawn(draw: Random, places: list[str]) -> Iterator[Kill]:
    """One kill at each of these places, at seeded instants and moments."""
    for place in places:
        yield Kill(
            number=draw.randrange(5, LATEST.get(place, AT_ALL_TIMES)),
            place=place,
            after=draw.uniform(0, START if place == "starting" else WORK),
            passage=draw.randint(1, 3),
        )


def assert_killed_at(play: Play, places: list[str], tally: Counter[str]) -> None:
    """Every kill fell; one while it starts follows one while it runs."""
    expected = Counter(places)
    expected["between"] += expected["starting"]
    assert not play.pending
    assert Counter(kill.place for kill in play.killed) == +expected
    tally.update(kill.place for kill in play.killed)


def test_the_undisturbed_night_has_much_to_lose(undisturbed: Play) -> None:
    """Six concerns, ladders climbed, four answers, over forty notices, each arrived once."""
    assert len(concerns(undisturbed)) == 6
    assert undisturbed.answered == 4
    assert {entry["detail"]["rung"] for entry in undisturbed.ward.happened("called")} >= {0, 1}
    assert sum(sent(undisturbed).values()) > 40
    assert arrivals(undisturbed) == sent(undisturbed)


@pytest.mark.timeout(300)
async def test_a_killed_service_ends_the_night_as_one_never_stopped(
    tmp_path: Path, undisturbed: Play, tally: Counter[str]
) -> None:
    """Killed once at each named point, while messages come, while it works, sends and answers: twelve kills."""
    places = [*POINTS, "publishing", "completing", SENDING, ANSWERING]
    kills = list(drawn(Random(20260314), places))
    async with played(tmp_path / "night", *kills) as killed:
        assert_ended_alike(undisturbed, killed)
        assert any(kill.in_flight for kill in killed.killed)
        assert len(killed.killed) == 12
        assert_killed_at(killed, places, tally)


@pytest.mark.long
@pytest.mark.timeout(300)
@pytest.mark.parametrize("seed", range(NIGHTS))
async def test_kills_at_seeded_instants_and_at_every_point(
    tmp_path: Path, undisturbed: Play, tally: Counter[str], seed: int
) -> None:
    """Twenty kills a night and more, one at least at each named point; together over two hundred."""
    draw = Random(seed)
    places = [*POINTS, *draw.choices(PLACES, k=6), *draw.choices(POINTS[:5], k=3)]
    places += [*draw.choices([SENDING, *SENDS], k=2), ANSWERING]
    async with played(tmp_path / "night", *drawn(draw, places)) as killed:
        assert_ended_alike(undisturbed, killed)
        assert len(killed.killed) >= KILLS
        assert_killed_at(killed, places, tally)


def test_the_long_nights_have_two_hundred_kills() -> None:
    """As many nights with as many kills each."""
    assert NIGHTS * KILLS >= 200
