"""The comparison of two nights is no formality: a service with a fault in what it promises does not pass it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.kill.comparison import assert_ended_alike, assert_same_notices
from tests.kill.conftest import SHORT
from tests.kill.play import Kill, Play, played

ACKED = Kill(number=200, place="after-ack")
DONE = Kill(number=200, place="between")  # all of the instant before is over, acknowledgements and all
BOTH_ABOUT_TO_GO = Kill(number=250, place="before-send", passage=2)  # two nurses are told at once


@pytest.mark.parametrize(
    ("mutant", "kill", "compare", "found"),
    [
        pytest.param("store-late", DONE, [assert_ended_alike], "messages lost", id="acknowledged-not-stored"),
        pytest.param(
            "forget-notices",
            BOTH_ABOUT_TO_GO,
            [assert_ended_alike, assert_same_notices],
            "other entries in the trail|a notice missing",
            id="forgotten",
        ),
        pytest.param("name-anew", BOTH_ABOUT_TO_GO, [assert_ended_alike], "never arrived", id="renamed"),
    ],
)
async def test_a_mutant_is_found_out(
    tmp_path: Path,
    undisturbed_short: Play,
    mutant: str,
    kill: Kill,
    compare: list[Callable[[Play, Play], None]],
    found: str,
) -> None:
    """One that acknowledges before it stores, one that forgets what it was sending, one that sends it as another."""
    async with played(tmp_path / "night", kill, hours=SHORT, mutant=mutant) as killed:
        assert len(killed.killed) == 1
        for ended_alike in compare:
            with pytest.raises(AssertionError, match=found):
                ended_alike(undisturbed_short, killed)


async def test_without_a_fault_the_same_kills_do_no_harm(
    tmp_path: Path, undisturbed_short: Play, tally: Counter[str]
) -> None:
    """It is the fault that is found, not the kill."""
    async with played(tmp_path / "night", ACKED, BOTH_ABOUT_TO_GO, hours=SHORT) as killed:
        assert_ended_alike(undisturbed_short, killed)
        assert [len(kill.in_flight) for kill in killed.killed] == [0, 2]
        tally.update(kill.place for kill in killed.killed)
