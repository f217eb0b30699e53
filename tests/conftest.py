"""What all tests share: the option `--long`, and the shipped rules."""

from __future__ import annotations

import signal
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from monitor.core.rulebook import Rule, parse
from tests.kill.tally import TALLY

ROOT = Path(__file__).parent.parent

settings.register_profile("untimed", deadline=None)  # how long a test takes is no part of whether it passes
settings.load_profile("untimed")


# Started in the background, a shell lets us ignore SIGINT, and so would every process that we start and interrupt.
signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add `--long`."""
    parser.addoption("--long", action="store_true", help="run the longer checks too")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave the longer checks to `tests/run --long`."""
    if config.getoption("--long"):
        return
    longer = [item for item in items if item.get_closest_marker("long")]
    config.hook.pytest_deselected(items=longer)
    items[:] = [item for item in items if item not in longer]


def pytest_sessionfinish(session: pytest.Session) -> None:
    """One of several processes hands over what it has counted."""
    if (output := getattr(session.config, "workeroutput", None)) is not None:
        tally: Counter[str] = session.config.stash.get(TALLY, Counter())
        output["kills"] = dict(tally)


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """Add what one of several processes has counted."""
    tally = node.config.stash.setdefault(TALLY, Counter())
    tally.update(getattr(node, "workeroutput", {}).get("kills", {}))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say how many kills there were, and where."""
    if kills := config.stash.get(TALLY, Counter()):
        places = ", ".join(f"{place} {count}" for place, count in sorted(kills.items()))
        terminalreporter.write_line(f"kills survived: {kills.total()} ({places})")


@pytest.fixture(scope="session")
def shipped() -> tuple[Rule, ...]:
    """The shipped rules."""
    return tuple(parse(path.read_text(), path.name) for path in sorted((ROOT / "rules").glob("*.toml")))
