"""What all tests share: the option `--long`, and the shipped rules."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from monitor.core.rulebook import Rule, parse

ROOT = Path(__file__).parent.parent


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


@pytest.fixture(scope="session")
def shipped() -> tuple[Rule, ...]:
    """The shipped rules."""
    return tuple(parse(path.read_text(), path.name) for path in sorted((ROOT / "rules").glob("*.toml")))
