"""The service with instruments: the same wiring as `secondbell run`, and a report when it is stopped.

`python -m tests.bench.probe SITE_FILE REPORT [PROFILE]` writes, as JSON, for each message how long after its stamp
it was committed and acknowledged, and for each 5 ms how much later than asked for the loop came round. Instants are
in ns of the monotonic clock. With PROFILE, the loop's thread runs under cProfile, which slows it down.
"""

from __future__ import annotations

import asyncio
import contextlib
import cProfile
import gc
import json
import sys
import time
from array import array
from collections.abc import Callable
from pathlib import Path
from typing import Any

from monitor import running
from monitor.adapters import logs
from monitor.adapters.clock import SystemClock
from monitor.core.effects import Effect
from monitor.core.journal import Happening
from monitor.service import Batch, Service
from tests.bench.messages import stamp

HEARTBEAT = 0.005  # seconds

committed_at = array("q")
latencies = array("q")
heartbeats = array("q")
lags = array("q")
collections: list[tuple[int, int, int]] = []  # generation, when, how long


class Probe(Service):
    """A service that notes when each batch was committed, and how evenly its loop runs."""

    async def run(self) -> None:
        """Run, with a heartbeat beside it."""
        beating = asyncio.create_task(self._heart(), name="heartbeat")
        try:
            await super().run()
        finally:
            beating.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await beating

    async def _heart(self) -> None:
        while True:
            asked = time.monotonic_ns()
            await asyncio.sleep(HEARTBEAT)
            now = time.monotonic_ns()
            heartbeats.append(now)
            lags.append(now - asked - int(HEARTBEAT * 1e9))

    def _stored(self, batch: Batch, happened: list[Happening], effects: list[Effect]) -> None:
        super()._stored(batch, happened, effects)
        now = time.monotonic_ns()
        for message in batch.messages:
            committed_at.append(now)
            latencies.append(now - stamp(message.payload))


def _watch_collections() -> Callable[[str, dict[str, Any]], None]:
    began = 0

    def watch(phase: str, info: dict[str, Any]) -> None:
        nonlocal began
        now = time.monotonic_ns()
        if phase == "start":
            began = now
        else:
            collections.append((info["generation"], now, now - began))

    return watch


def main() -> int:
    """Run until SIGTERM, then report."""
    site_file, report = Path(sys.argv[1]), Path(sys.argv[2])
    logs.configure("warning")
    gc.callbacks.append(_watch_collections())
    vars(running)["Service"] = Probe  # wired by the product itself, so that nothing else differs
    profile = cProfile.Profile() if len(sys.argv) > 3 else None
    if profile is not None:
        profile.enable()
    status = running.run(site_file, SystemClock())
    if profile is not None:
        profile.disable()
        profile.dump_stats(sys.argv[3])
    said = {
        "committed_at": committed_at.tolist(),
        "latencies": latencies.tolist(),
        "heartbeats": heartbeats.tolist(),
        "lags": lags.tolist(),
        "collections": collections,
    }
    report.write_text(json.dumps(said))
    return status


if __name__ == "__main__":
    sys.exit(main())
