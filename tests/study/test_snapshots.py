"""What goes into the engine without JSON is what decoding the JSON gives."""

from __future__ import annotations

import pytest

from monitor.core.decode import decode
from monitor.core.messages import Rejection, Snapshot
from monitor.study.snapshots import snapshot_of
from simulators import World
from simulators.wire import Published
from simulators.worlds import load


@pytest.mark.parametrize("name", ["ward", "homes"])
def test_a_whole_night_decoded_and_not_decoded(name: str) -> None:
    """Every snapshot is the same, in value and type; all else is published alike, and can be read."""
    scenario = load(name).scenario(1)
    scenario = scenario.model_copy(update={"pumps": scenario.pumps[:40]})
    quick = list(run(World(scenario, write=snapshot_of)))
    whole = list(run(World(scenario)))
    assert len(quick) == len(whole) > 1000
    snapshots = 0
    for told, published in zip(quick, whole, strict=True):
        assert isinstance(published, Published)
        if isinstance(told, Snapshot):
            decoded = decode(
                published.topic, published.payload, retain=False, prefix=scenario.prefix, site=scenario.site
            )
            assert repr(told) == repr(decoded)
            snapshots += 1
        else:
            assert told == published
            decoded = decode(
                published.topic, published.payload, retain=False, prefix=scenario.prefix, site=scenario.site
            )
            assert not isinstance(decoded, Rejection), decoded
    assert snapshots > 1000


def run(world: World) -> list[object]:
    """All that a world publishes."""
    return list(world.advance(world.end_ms))
