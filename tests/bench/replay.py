"""Replay of a recording: how many messages a second one core takes, and where the time goes.

The recording is made up: pumps that report once a minute, 1 in 50 in trouble (muted for minutes at a time). Time is the
process's own, which another load on the machine does not lengthen much.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from monitor.backtest.playing import Backtest
from monitor.backtest.sweep import with_value
from monitor.core.decode import decode
from monitor.core.instants import MINUTE, parse, show
from monitor.core.messages import Plan, Window
from monitor.core.site import DeviceEntry
from monitor.hearing import Hearing
from monitor.recorded import Line, texts
from monitor.recording import Tape
from monitor.replay import EveryDevice, Traces, trace_site
from monitor.shipped import shipped_rules
from tests.bench.figures import Figure
from tests.bench.messages import PREFIX, SITE, payload, topic
from tests.bench.scene import Options

START = parse("2026-03-01T00:00:00Z")
EVERY_NTH_IN_TROUBLE = 50
MUTED_FOR, PAUSE = 8, 32  # minutes
AT_ONCE = 6
PLAN = Plan((Window(20 * 60, 6 * 60),), 1_000.0, 100.0, 120.0, 1.5, False, "closed", None, None)
WELL = b'"activity":"feeding","alarms":[]'
MUTED = (
    b'"activity":"stopped","alarms":[{"condition":"downstream-occlusion","priority":"medium","since":"%b",'
    b'"inactivation":"audio-paused","line":"feed"}]'
)


def measure(options: Options, say: Callable[[str], None]) -> list[Figure]:
    """Messages a second on one core, and the µs of each part of one message."""
    folder = options.folder / "replay"
    minutes = max(2, options.messages // options.devices)
    messages = record(folder, devices=options.devices, minutes=minutes)
    speed = Figure(name="replay, one core", unit="messages/s", limit=100_000, at_least=True)
    speed.note = (
        f"{options.devices} devices without a plan, {minutes} min, 1 in {EVERY_NTH_IN_TROUBLE} in trouble"
    )
    parts = {
        name: Figure(name=f"replay: {name}", unit="µs/msg")
        for name in ("gzip and lines", "decode", "engine", "decode, if each message were read in full")
    }
    several = Figure(name=f"replay, one core, {AT_ONCE} values of a sweep", unit="messages/s and value")
    planned = Figure(name="replay, one core, every device with a plan", unit="messages/s")
    for turn in range(options.repeat):
        read = _took(lambda: _drain(folder))
        heard = _took(lambda: deque(_traces(folder).heard(_hearing()), 0))
        whole = _took(lambda: _play(folder))
        full = _took(lambda: _decode_in_full(folder)) - read
        took = (read, heard - read, whole - heard, full)
        for figure, ns in zip(parts.values(), took, strict=True):
            figure.values.append(ns / messages / 1000)
        speed.values.append(messages / whole * 1e9)
        several.values.append(messages * AT_ONCE / _took(lambda: _play(folder, AT_ONCE)) * 1e9)
        planned.values.append(messages / _took(lambda: _play(folder, plan=PLAN)) * 1e9)
        said = ", ".join(f"{figure.values[-1]:.1f}" for figure in parts.values())
        say(f"replay {turn + 1}/{options.repeat}: {speed.values[-1]:,.0f} messages/s; {said} µs")
    return [speed, *parts.values(), several, planned]


def record(folder: Path, *, devices: int, minutes: int) -> int:
    """Write the recording; how many messages it has."""
    folder.mkdir()
    tape = Tape(folder)
    number = 0
    for minute in range(minutes):
        lines = []
        for device in range(devices):
            at = START + minute * MINUTE + device * MINUTE // devices
            number += 1
            said = payload(device, minute + 1, at, number, _said(device, minute))
            lines.append(Line(at + 15, topic(device), said))
        tape.write(lines, last=False)
    tape.close()
    return number


def _said(device: int, minute: int) -> bytes:
    place = (minute + device) % (MUTED_FOR + PAUSE)
    if device % EVERY_NTH_IN_TROUBLE or place >= MUTED_FOR:
        return WELL
    return MUTED % show(START + (minute - place) * MINUTE).encode()


def _took(work: Callable[[], object]) -> int:
    """The ns of processor time that something takes."""
    began = time.process_time_ns()
    work()
    return time.process_time_ns() - began


def _traces(folder: Path) -> Traces:
    return Traces([folder])


def _hearing() -> Hearing:
    return Hearing(trace_site(shipped_rules()), known=True)


def _drain(folder: Path) -> None:
    for path in sorted(folder.iterdir()):
        deque(texts(path, print), 0)


def _decode_in_full(folder: Path) -> None:
    for path in sorted(folder.iterdir()):
        for _, text, read in texts(path, print):
            line = read(text)
            assert isinstance(line, Line)
            decode(line.topic, line.payload, retain=False, prefix=PREFIX, site=SITE)


def _play(folder: Path, sites: int = 1, *, plan: Plan | None = None) -> None:
    site = trace_site(shipped_rules())
    if plan is not None:
        site = replace(site, devices=Planned(plan))
    backtests = [
        Backtest(with_value(site, "muted-too-long", "patience", f"{n + 4} min")) for n in range(sites)
    ]
    for heard in _traces(folder).heard(_hearing()):
        for backtest in backtests:
            backtest.give(heard)
    for backtest in backtests:
        backtest.end(None)


class Planned(EveryDevice):
    """Knows every device, and all by the same plan."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan

    def __getitem__(self, name: str) -> DeviceEntry:
        return replace(super().__getitem__(name), plan=self._plan)
