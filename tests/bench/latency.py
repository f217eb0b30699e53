"""How long after it was published a message is committed, at a steady 10,000 messages a second."""

from __future__ import annotations

import shutil
from collections.abc import Callable

from tests.bench import scene, sites
from tests.bench.broker import broker
from tests.bench.figures import Figure
from tests.bench.scene import Options, percentile

RATE = 10_000


def measure(options: Options, say: Callable[[str], None]) -> list[Figure]:
    """The median, 99th percentile and longest of each round."""
    rate = min(RATE, options.rate)
    where = f"publish → committed, {rate:,} msg/s, {options.devices:,} devices"
    half = Figure(name=f"{where}: p50", unit="ms")
    most = Figure(name=f"{where}: p99", unit="ms", limit=25)
    worst = Figure(name=f"{where}: longest", unit="ms")
    for turn in range(options.repeat):
        folder = options.folder / f"latency-{turn}"
        report = folder / "report.json"
        with broker(folder / "broker", options.manners) as running:
            plan = sites.Plan(broker=running.port, devices=options.devices)
            site_file = sites.write(folder / "site", plan)
            with scene.probe(site_file, report) as (process, view):
                scene.caught_up(process, view, site_file.parent)
                told = {"count": options.messages, "devices": options.devices, "rate": rate}
                with scene.publisher(running.port, **told) as source:
                    source.go()
                    when = scene.published(source)
                    scene.committed(process, view, site_file.parent, options.messages)
        took = scene.report_of(report)["latencies"]
        for figure, value in (
            (half, percentile(took, 0.5)),
            (most, percentile(took, 0.99)),
            (worst, max(took)),
        ):
            figure.values.append(value / 1e6)
        kept_up = options.messages / (when.sent - when.began) * 1e9
        most.note = f"each stamped as it is sent; the publisher kept {kept_up:,.0f} msg/s in the last round"
        say(f"latency {turn + 1}/{options.repeat}: p50 {half.values[-1]:.1f}, p99 {most.values[-1]:.1f} ms")
        shutil.rmtree(folder)
    return [half, most, worst]
