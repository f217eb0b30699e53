"""End to end at QoS 1 and full speed: the service beside `mosquitto_sub` and bare paho, in turn in the same run.

Each takes the same messages from a fresh broker. Time runs from the publisher's first byte until the last message
is received (the other two) or committed and readable in the store (the service).
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path

from tests.bench import scene, sites
from tests.bench.broker import Broker, broker
from tests.bench.figures import Figure
from tests.bench.messages import FILTER
from tests.bench.processes import MeasurementFailed, child, python
from tests.bench.scene import Options

SUB = "mosquitto_sub"


def measure(options: Options, say: Callable[[str], None]) -> list[Figure]:
    """The three rates, and the service's as a share of the other two."""
    program = shutil.which(SUB)
    taken = f"{options.messages:,} messages of {options.devices:,} devices, in-flight window {options.manners.inflight}"
    sub = Figure(name=f"{SUB} alone", unit="msg/s")
    paho = Figure(name="bare paho, public API, acknowledged in batches", unit="msg/s")
    ours = Figure(name="service, committed before acknowledged, all rules", unit="msg/s")
    ratio = Figure(
        name=f"service / {SUB}, median of the ratios of one round",
        unit="",
        limit=0.8,
        at_least=True,
        note=taken,
    )
    to_paho = Figure(name="service / bare paho", unit="")
    if program is None:
        ratio.note = f"{SUB} is not installed (package mosquitto-clients): this figure cannot be measured"
        say(ratio.note)
    for turn in range(options.repeat):
        folder = options.folder / f"throughput-{turn}"
        if program is not None:
            sub.values.append(_rate(options, folder / "sub", lambda b, _: _sub(program, options, b)))
        paho.values.append(_rate(options, folder / "paho", lambda b, _: _paho(options, b)))
        ours.values.append(_rate(options, folder / "ours", lambda b, f: _ours(options, b, f)))
        to_paho.values.append(ours.values[-1] / paho.values[-1])
        if program is not None:
            ratio.values.append(ours.values[-1] / sub.values[-1])
        shutil.rmtree(folder)
        rates = ", ".join(f"{f.values[-1]:,.0f}" for f in (sub, paho, ours) if f.values)
        say(f"throughput {turn + 1}/{options.repeat}: {rates} msg/s")
    return [sub, paho, ours, ratio, to_paho]


def _rate(options: Options, folder: Path, take: Callable[[Broker, Path], int]) -> float:
    """Messages a second, with whoever takes them from this broker; `take` gives the time that it took, in ns."""
    with broker(folder, options.manners) as running:
        return options.messages / take(running, folder) * 1e9


def _sub(program: str, options: Options, running: Broker) -> int:
    command = (
        program, "-h", "127.0.0.1", "-p", str(running.port), "-V", "mqttv311", "-i", "bench-sub",
        "-q", "1", "-t", FILTER, "-C", str(options.messages),
    )  # fmt: skip
    with child(*command) as process:
        running.subscribed("bench-sub")
        with scene.publisher(running.port, count=options.messages, devices=options.devices) as source:
            source.go()
            began = scene.published(source).began
            return process.wait(scene.LIMIT) - began


def _paho(options: Options, running: Broker) -> int:
    command = python("tests.bench.paho_receiver", running.port, options.messages)
    with child(*command, lines=True) as process:
        if process.line() != "ready":
            raise MeasurementFailed("bare paho has not subscribed")
        with scene.publisher(running.port, count=options.messages, devices=options.devices) as source:
            source.go()
            began = scene.published(source).began
            return int(process.line()) - began


def _ours(options: Options, running: Broker, folder: Path) -> int:
    site_file = sites.write(folder / "site", sites.Plan(broker=running.port, devices=options.devices))
    with scene.service(site_file) as (process, view):
        scene.caught_up(process, view, site_file.parent)
        with scene.publisher(running.port, count=options.messages, devices=options.devices) as source:
            source.go()
            began = scene.published(source).began
            scene.committed(process, view, site_file.parent, options.messages)
            return time.monotonic_ns() - began
