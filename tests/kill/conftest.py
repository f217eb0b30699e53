"""The undisturbed nights, and how often a service was killed where."""

from __future__ import annotations

import asyncio
from collections import Counter

import pytest

from tests.kill.play import HOURS, Play, played
from tests.kill.tally import TALLY

SHORT = 0.55  # hours: one trouble, told to two nurses at once


@pytest.fixture
def tally(request: pytest.FixtureRequest) -> Counter[str]:
    """How often a service was killed at each place, in nights that ended alike."""
    return request.config.stash.setdefault(TALLY, Counter())


def _undisturbed(factory: pytest.TempPathFactory, hours: float) -> Play:
    async def play() -> Play:
        async with played(factory.mktemp("undisturbed") / "night", hours=hours) as found:
            return found

    return asyncio.run(play())


@pytest.fixture(scope="session")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Play:
    """The night played to a service that is never stopped."""
    return _undisturbed(tmp_path_factory, HOURS)


@pytest.fixture(scope="session")
def undisturbed_short(tmp_path_factory: pytest.TempPathFactory) -> Play:
    """Its first half hour."""
    return _undisturbed(tmp_path_factory, SHORT)
