"""Short stories that the tests of drills begin with."""

from __future__ import annotations

from typing import Any

from monitor.core.decode import decode
from monitor.testing import Bench, ward

PUMP = "drill-elm"
MISSED = "drill-missed"
ORDER = ("asked", "published", "back", "raised", "told", "sent", "accepted", "ended", "cleared")


def legs(bench: Bench, drill: str) -> list[str]:
    """The names of a drill's legs so far."""
    report = bench.engine.drills.report(drill)
    assert report is not None
    assert isinstance(report["legs"], list)
    return [leg[0] for leg in report["legs"]]


def outcome(bench: Bench, drill: str) -> object:
    """How a drill has ended."""
    report = bench.engine.drills.report(drill)
    assert report is not None
    return report["outcome"]


def trail(bench: Bench, event: str) -> list[dict[str, Any]]:
    """The details of the journal's entries of one event."""
    return [dict(happening.detail) for happening in bench.happened if happening.event == event]


def begun(bench: Bench | None = None, **asked: Any) -> tuple[Bench, str]:
    """A drill of elm, both nurses called: held after 1 s, known 2 s later, told after 5 s of gathering."""
    bench = bench or Bench(ward())
    said = bench.drill(**asked)
    assert said.ok, said.text
    bench.pass_by("9 s")
    return bench, said.text


def missed(bench: Bench | None = None) -> Bench:
    """A drill that nobody has accepted, and both nurses called about that."""
    bench, _ = begun(bench)
    bench.pass_by("11 min")
    return bench


def come(bench: Bench, topic: str, payload: bytes) -> None:
    """A message, as the service takes it."""
    found = decode(topic, payload, retain=False, prefix=bench.site.prefix, site=bench.site.name)
    bench.engine.receive_message(found, payload, bench.now)
    bench.work()
