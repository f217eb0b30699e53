"""Short stories that the tests of responsibility begin with."""

from __future__ import annotations

from typing import Any

from monitor.core.site import Site
from monitor.shipped import shipped_rules
from monitor.testing import Bench, alarm, ward

RINGING = alarm("downstream-occlusion")
FAULT = alarm("drive-fault", "high")
FEED = (
    "idle-past-limit",
    "stopped-at-glucose-risk",
    "behind-plan",
    "out-of-sight",
    "unattended",
    "low-power-unplugged",
)  # rules about a feed and about its pump


def only(*rules: str, **changed: Any) -> Site:
    """The ward with these rules alone."""
    return ward([rule for rule in shipped_rules() if rule.id in rules], **changed)


def ringing(bench: Bench, pump: str = "pump-1", **said: Any) -> None:
    """A pump was feeding and stops with an alarm that sounds."""
    bench.snapshot(pump, activity="feeding", alarms=[])
    bench.pass_by("1 s")
    bench.snapshot(pump, activity="stopped", alarms=[RINGING], **said)


def unattended(site: Site | None = None, **options: Any) -> Bench:
    """00:00:01 an alarm sounds; raised at 00:05:01, taken up 2 s later, both nurses told after 5 s of gathering."""
    bench = Bench(site or only("unattended"), **options)
    ringing(bench)
    bench.at("00:05:10")
    return bench


def mended(bench: Bench, pump: str = "pump-1") -> None:
    """Somebody mended it: it feeds without an alarm, and is safe again a minute later."""
    bench.snapshot(pump, activity="feeding", alarms=[])
