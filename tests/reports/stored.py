"""A bench's night in a real store, and an independent reckoning of what its pumps did, from their raw messages."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

from monitor.adapters.store import SqliteStore
from monitor.adapters.store_reader import StoreReader
from monitor.core.changes import ASIDE, Changes
from monitor.core.instants import parse
from monitor.core.messages import Plan, Window
from monitor.core.site import DeviceEntry, Site
from monitor.reports.making import Source
from monitor.shipped import shipped_rules
from monitor.testing import Bench, Kept, ward
from simulators import World, load

MINUTE, HOUR = 60_000, 3_600_000
PLAN = Plan(
    windows=(Window(22 * 60, 6 * 60, None),), target_ml=800, rate_ml_h=100, max_rate_ml_h=125, kcal_per_ml=1.5,
    glucose_risk=False, feed_kind=None, container_hung=None, set_hung=None,
)  # fmt: skip


def store(kept: Kept, folder: Path, site: Site) -> None:
    """Write all that a bench has kept into a store, notices that are over where a service puts them."""
    rows: dict[tuple[str, str], str | None] = {
        (ASIDE[kind] if kind == "notice" and json.loads(text)[1]["ended"] is not None else kind, key): text
        for kind, found in kept.rows.items()
        for key, text in found.items()
    }
    database = SqliteStore.open(folder, site=site.name)
    database.commit(
        Changes(rows=rows, entries=kept.entries, frontier=kept.frontier, names=kept.names)  # type: ignore[arg-type]
    )
    database.close()


@contextmanager
def source(bench: Bench, folder: Path, site: Site | None = None) -> Iterator[Source]:
    """What reports are made from, of all that a bench has kept; `site`: as the site file says by then."""
    store(bench.kept, folder, bench.site)
    with StoreReader(folder, site=bench.site.name) as reader:
        yield Source(site=site or bench.site, reader=reader, called={"elm": "Elm ward"})


class Said(NamedTuple):
    """One raw message, as far as it matters here."""

    at: int
    activity: str
    muted: bool
    alarm: str
    on_battery: bool
    delivered_ml: float


def said(event: dict[str, Any]) -> Said:
    """A raw message, read by nothing of the monitor's."""
    data = event["data"]
    ranks = ["low", "medium", "high"]
    alarms = data["alarms"]
    quiet = {"audio-paused", "audio-off", "alarm-paused", "alarm-off"}
    return Said(
        at=parse(event["time"]),
        activity=data["activity"],
        muted=any(a["priority"] != "low" and a["inactivation"] in quiet for a in alarms),
        alarm=max((a["priority"] for a in alarms), key=ranks.index, default=""),
        on_battery=data.get("power", {}).get("mains") is False,
        delivered_ml=data["delivery"]["delivered_ml"],
    )


DOING = {
    "feeding": "delivering", "off": "off", "finished": "off",
    "idle": "stopped", "held": "stopped", "stopped": "stopped",
}  # fmt: skip


def doing_at(messages: list[Said], at: int, silent: int = 3 * MINUTE) -> tuple[str, bool, str, bool]:
    """What a pump did at an instant by its last message, if the next came soon enough or it said that it is off."""
    before = [one for one in messages if one.at <= at]
    after = next((one for one in messages if one.at > at), None)
    if not before:
        return "unseen", False, "", False
    last = before[-1]
    if (after is None or after.at - last.at > silent) and last.activity != "off":
        return "unseen", False, "", False
    known = [one.activity for one in before if one.activity not in ("flushing", "priming")]
    doing = DOING[known[-1]] if known else "stopped"
    if last.activity in ("flushing", "priming") and doing != "delivering":
        doing = "stopped"
    return doing, last.muted, last.alarm, last.on_battery


def given_ml(messages: list[Said], start: int, end: int) -> float:
    """What the counter says was given, message by message, evenly between two."""
    total = 0.0
    for one, two in pairwise(messages):
        inside = min(two.at, end) - max(one.at, start)
        if inside > 0:
            risen = two.delivered_ml - one.delivered_ml
            total += (risen if risen >= 0 else two.delivered_ml) * inside / (two.at - one.at)
    return total


def demo_night() -> tuple[Bench, dict[str, list[Said]]]:
    """The demo's night through the whole engine, in virtual time, with nobody who answers; and its raw messages."""
    world = World(load("demo-night"))
    devices = {
        pump.id: DeviceEntry(id=pump.id, unit="elm", place=pump.place, plan=PLAN)
        for pump in world.scenario.pumps
    }
    bench = Bench(ward(shipped_rules(), devices=devices), start=world.start_ms, reporting=0)
    heard: dict[str, list[Said]] = {}
    while (due := world.next_at()) is not None and due <= world.end_ms:
        bench.until(due)
        for one in world.advance(due):
            bench.message(one.topic, one.payload, retain=one.retain)
            if one.topic.endswith("/state"):
                event = json.loads(one.payload)
                heard.setdefault(event["subject"], []).append(said(event))
    return bench, {name: sorted(messages) for name, messages in heard.items()}
