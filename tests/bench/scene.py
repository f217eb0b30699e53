"""One measurement's stage: a broker, a service that has caught up, a publisher at the ready."""

from __future__ import annotations

import contextlib
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.bench.broker import BrokerManners
from tests.bench.processes import Child, MeasurementFailed, child, python, until
from tests.bench.store_view import NOT_ACTING, StoreView

CATCH_UP_LIMIT = 120.0  # seconds
LIMIT = 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What the command line says."""

    repeat: int
    messages: int
    devices: int
    many: int
    concerns: int
    rate: int
    patience: int  # ms that devices are muted before the rule holds
    gather: int  # ms
    manners: BrokerManners
    folder: Path


@dataclass(frozen=True, slots=True)
class Published:
    """When a publisher began, had sent all, and had all acknowledged by the broker, in monotonic ns."""

    began: int
    sent: int
    acknowledged: int


@contextlib.contextmanager
def publisher(port: int, *, count: int, devices: int, rate: int = 0, first: int = 1) -> Iterator[Child]:
    """A publisher with everything made, waiting for `go`."""
    command = python("tests.bench.publisher", port, count, devices, rate, first)
    with child(*command, lines=True) as process:
        if process.line() != "ready":
            raise MeasurementFailed("the publisher is not ready")
        yield process


def published(process: Child) -> Published:
    """Wait until a publisher is done."""
    return Published(**json.loads(process.line()))


@contextlib.contextmanager
def service(site_file: Path) -> Iterator[tuple[Child, StoreView]]:
    """The product as it is: `secondbell run`."""
    command = python("monitor", "run", "--site", site_file, "--log", "warning")
    with _watched(site_file, command) as found:
        yield found


@contextlib.contextmanager
def probe(site_file: Path, report: Path, profile: Path | None = None) -> Iterator[tuple[Child, StoreView]]:
    """The same with instruments; its report is there when the block has ended."""
    more = () if profile is None else (profile,)
    with _watched(site_file, python("tests.bench.probe", site_file, report, *more)) as found:
        yield found


@contextlib.contextmanager
def _watched(site_file: Path, command: tuple[str, ...]) -> Iterator[tuple[Child, StoreView]]:
    log = site_file.parent / "service.log"
    with child(*command, log=log) as process, StoreView(site_file.parent / "state") as view:
        yield process, view


def alive(process: Child, folder: Path) -> None:
    """MeasurementFailed with its last words if a service has ended."""
    if not process.running:
        said = (folder / "service.log").read_text(errors="replace")[-2000:]
        raise MeasurementFailed(f"the service has ended: {said}")


def caught_up(process: Child, view: StoreView, folder: Path) -> None:
    """Wait until a service has read what the broker had for it."""

    def look() -> bool:
        alive(process, folder)
        return view.noted("caught-up")

    until(look, "catching up", limit=CATCH_UP_LIMIT, every=0.05)


def committed(process: Child, view: StoreView, folder: Path, total: int) -> None:
    """Wait until a service has taken and committed so many snapshots."""

    def look() -> bool:
        alive(process, folder)
        return view.taken() >= total

    until(look, f"{total} snapshots committed", limit=LIMIT, every=0.01)
    counters = view.counters()
    idle = {key: counters[key] for key in (*NOT_ACTING, "overtaken") if counters.get(key)}
    if idle:
        raise MeasurementFailed(f"not every snapshot did its work: {idle}")


def percentile(values: list[int], share: float) -> float:
    """The nearest-rank percentile."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(len(ordered) * share) - 1)]


def report_of(path: Path) -> dict[str, Any]:
    """What a probe has written."""
    found: dict[str, Any] = json.loads(path.read_text())
    return found
