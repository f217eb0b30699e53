"""What the tests of adapters share: a broker."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from tests.brokers import Mosquitto, mosquitto


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    """A mosquitto open to all."""
    async with mosquitto(tmp_path) as running:
        yield running
