"""100,000 devices beside 100: CPU time and memory, the start, and how evenly the loop runs.

The store is made beforehand by the engine itself: each device has been heard of, each rule has its memory (all
devices feed, so silence is counted for all; one in ten has an alarm condition standing).
Then each is heard of once, and after that at least once more, which is what is measured.
"""

from __future__ import annotations

import math
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.adapters.broker import free_port
from tests.bench import machine, scene, sites
from tests.bench.broker import broker
from tests.bench.figures import Figure
from tests.bench.processes import until
from tests.bench.scene import Options

FEW = 100
RATE = 5_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What was seen of one service: CPU µs a message, bytes resident at the end, stalls in ms."""

    cpu_us: float
    resident: int
    stall: float
    stall_before: float
    collected: float


def measure(options: Options, say: Callable[[str], None]) -> list[Figure]:
    """All figures of many devices."""
    many, rate = options.many, min(RATE, options.rate)
    ratio = Figure(name=f"CPU per message, {many:,} / {FEW} devices, {rate:,} msg/s", unit="×", limit=1.5)
    few_cpu = Figure(name=f"CPU per message, {FEW} devices, {rate:,} msg/s", unit="µs")
    many_cpu = Figure(name=f"CPU per message, {many:,} devices, {rate:,} msg/s", unit="µs")
    full = Figure(
        name=f"CPU per message, {many:,} / {FEW} devices, full speed", unit="×", limit=1.5,
        note="at full speed a batch of 2,000 messages of few devices is few rows to store, of many devices 2,000 rows",
    )  # fmt: skip
    few_full = Figure(name=f"CPU per message, {FEW} devices, full speed", unit="µs")
    many_full = Figure(name=f"CPU per message, {many:,} devices, full speed", unit="µs")
    memory = Figure(
        name=f"memory per device at {many:,}, rule memory included", unit="KiB", limit=2,
        note=f"resident memory at the end of the run, less that with {FEW} devices",
    )  # fmt: skip
    stall = Figure(name=f"longest loop stall, {many:,} devices, {rate:,} msg/s", unit="ms", limit=50)
    joining = Figure(
        name=f"longest loop stall, {many:,} devices, connecting, catching up, all heard at full speed",
        unit="ms",
        limit=50,
    )
    garbage = Figure(name=f"longest garbage collection of that run, {many:,} devices", unit="ms")
    for devices in (FEW, many):
        _seed(options, devices, say)
    for turn in range(options.repeat):
        few, much = (_run(options, devices, rate, turn) for devices in (FEW, many))
        few_fast, much_fast = (_run(options, devices, 0, turn) for devices in (FEW, many))
        ratio.values.append(_times(much.cpu_us, few.cpu_us))
        full.values.append(_times(much_fast.cpu_us, few_fast.cpu_us))
        for figure, run in ((few_cpu, few), (many_cpu, much), (few_full, few_fast), (many_full, much_fast)):
            figure.values.append(run.cpu_us)
        memory.values.append((much.resident - few.resident) / (many - FEW) / 1024)
        stall.values.append(much.stall)
        joining.values.append(much.stall_before)
        garbage.values.append(much.collected)
        say(
            f"scale {turn + 1}/{options.repeat}: CPU {few.cpu_us:.0f} and {much.cpu_us:.0f} µs, stalls"
            f" {much.stall:.0f} and {much.stall_before:.0f} ms, memory {memory.values[-1]:.2f} KiB a device"
        )
    return [ratio, few_cpu, many_cpu, full, few_full, many_full, memory, stall, joining, garbage]


def measure_start(options: Options, say: Callable[[str], None]) -> list[Figure]:
    """From the process's start to its first commit, with the devices in the store."""
    many = options.many
    bare = Figure(name=f"start with {many:,} devices in the store, to first commit", unit="s", limit=5)
    listed = Figure(name=f"the same, all {many:,} listed in the site file too", unit="s", limit=5)
    _seed(options, many, say)
    for turn in range(options.repeat):
        for figure, in_file in ((bare, False), (listed, True)):
            figure.values.append(_start(options, turn, listed=in_file))
            say(
                f"start {turn + 1}/{options.repeat}: {figure.values[-1]:.2f} s{' (listed)' if in_file else ''}"
            )
    return [bare, listed]


def _times(much: float, few: float) -> float:
    """How many times as much; a run too short for the machine's clock tells nothing."""
    return much / few if few else math.nan


def _seed(options: Options, devices: int, say: Callable[[str], None]) -> None:
    folder = _seeded(options, devices)
    if not folder.exists():
        say(f"making a store of {devices:,} devices")
        sites.seed(sites.write(folder, sites.Plan(broker=1, devices=devices, listed=False)), devices)


def _seeded(options: Options, devices: int) -> Path:
    return options.folder / f"seed-{devices}"


def _start(options: Options, turn: int, *, listed: bool) -> float:
    folder = options.folder / f"start-{turn}-{listed}"
    plan = sites.Plan(
        broker=free_port(), devices=options.many, listed=listed
    )  # no broker is needed to commit
    site_file = sites.write(folder, plan)
    shutil.copytree(_seeded(options, options.many) / "state", folder / "state")
    began = time.monotonic_ns()
    with scene.service(site_file) as (process, view):

        def look() -> bool:
            scene.alive(process, folder)
            return view.entries() > 0  # the seeded trail is empty

        until(look, "the first commit", limit=scene.LIMIT, every=0.005)
        took = (time.monotonic_ns() - began) / 1e9
    shutil.rmtree(folder)
    return took


def _run(options: Options, devices: int, rate: int, turn: int) -> Run:
    folder = options.folder / f"scale-{devices}-{rate}-{turn}"
    report = folder / "report.json"
    count = max(options.messages, options.many)  # each device at least once, and as many of few devices
    with broker(folder / "broker", options.manners) as running:
        site_file = sites.write(
            folder / "site", sites.Plan(broker=running.port, devices=devices, listed=False)
        )
        shutil.copytree(_seeded(options, devices) / "state", folder / "site" / "state")
        with scene.probe(site_file, report) as (process, view):
            scene.caught_up(process, view, site_file.parent)
            # Each device once beforehand: what a message costs is wanted, not what the first after a start does.
            already = view.taken()
            with scene.publisher(running.port, count=devices, devices=devices, rate=0, first=2) as source:
                source.go()
                scene.published(source)
                scene.committed(process, view, site_file.parent, already + devices)
            told = {"count": count, "devices": devices, "rate": rate, "first": 3}
            with scene.publisher(running.port, **told) as source:
                already, used = view.taken(), machine.cpu_seconds(process.pid)
                source.go()
                when = scene.published(source)
                scene.committed(process, view, site_file.parent, already + count)
                used = machine.cpu_seconds(process.pid) - used
            resident = machine.resident(process.pid)
    found = scene.report_of(report)
    shutil.rmtree(folder)
    ended = max(found["committed_at"])
    return Run(
        cpu_us=used / count * 1e6,
        resident=resident,
        stall=_longest(found, when.began, ended),
        stall_before=_longest(found, 0, when.began),
        collected=max((took / 1e6 for _, at, took in found["collections"] if at <= ended), default=0.0),
    )


def _longest(found: dict[str, Any], after: int, before: int) -> float:
    """The longest stall between two instants, in ms."""
    beats = zip(found["heartbeats"], found["lags"], strict=True)
    return max((lag / 1e6 for at, lag in beats if after <= at and at - lag <= before), default=0.0)
