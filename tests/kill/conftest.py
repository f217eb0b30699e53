"""The undisturbed nights, and how often a service was killed where: said at the end of the run."""

from __future__ import annotations

import asyncio
from collections import Counter

import pytest

from tests.kill.play import HOURS, Play, played

TALLY = pytest.StashKey[Counter[str]]()
SHORT = 0.55  # hours: one trouble, told to two nurses at once


def pytest_configure(config: pytest.Config) -> None:
    """Count from nothing."""
    config.stash.setdefault(TALLY, Counter())


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say how many kills there were, and where."""
    if kills := config.stash.get(TALLY, Counter()):
        places = ", ".join(f"{place} {count}" for place, count in sorted(kills.items()))
        terminalreporter.write_line(f"kills survived: {kills.total()} ({places})")


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
