"""How long the rule loop takes for an answer while the pages are flooded, beside when they are not.

`python -m tests.web.flood [SECONDS] [CLIENTS]`; figures for reading, nothing passes or fails by them.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.night import Ward, ward
from tests.ward_site import site_text
from tests.web.phone import BASE, free_port


async def client(port: int, end: float, path: str) -> int:
    """Ask again and again until the end; how many were answered with a page."""
    answered = 0
    while time.monotonic() < end:
        with contextlib.suppress(OSError, asyncio.IncompleteReadError):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(f"GET {path} HTTP/1.1\r\nhost: x\r\n\r\n".encode())
            answered += (await reader.read(65_536)).startswith(b"HTTP")
            writer.close()
    return answered


async def flood(port: int, seconds: float, clients: int) -> None:
    """Flood; prints how many connections were answered."""
    end = time.monotonic() + seconds
    print(sum(await asyncio.gather(*(client(port, end, "/a/x") for _ in range(clients)))))


async def answers(made: Ward, seconds: float) -> list[float]:
    """How long each of many answers took to come back, in ms: through the rule loop and a commit."""
    took, end = [], time.monotonic() + seconds
    while time.monotonic() < end:
        begun = time.perf_counter()
        await made.monitor.ask("accept", reference="AAAAAA", person="nurse-1")
        took.append(1000 * (time.perf_counter() - begun))
        await asyncio.sleep(0.01)
    return sorted(took)


def figures(took: list[float]) -> dict[str, float]:
    """Median, 99th hundredth and longest, in ms."""
    return {
        "answers": len(took),
        "p50": round(took[len(took) // 2], 1),
        "p99": round(took[len(took) * 99 // 100], 1),
        "longest": round(took[-1], 1),
    }


async def measure(seconds: float, clients: int, pages: str = "") -> dict[str, Any]:
    """A quiet while and a flooded one."""
    with tempfile.TemporaryDirectory() as folder:
        async with ward(Path(folder) / "ward") as made:
            port = free_port()
            text = site_text(made.broker.address, smtp=made.smtp.port, snpp=made.snpp.port)
            table = f'[pages]\nlisten = "127.0.0.1:{port}"\nbase_url = "{BASE}"\n{pages}\n'
            made.write_site(f"{text}\n{table}")
            await made.monitor.start()
            quiet = await answers(made, seconds)
            flooding = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "tests.web.flood", "--port", str(port), str(seconds + 1), str(clients),
                stdout=subprocess.PIPE,
            )  # fmt: skip
            await asyncio.sleep(0.5)
            flooded = await answers(made, seconds)
            said, _ = await flooding.communicate()
            await made.monitor.stop()
            away = next(
                (line["requests"] for line in made.monitor.log() if "turned away" in line["event"]), 0
            )
            return {
                "clients": clients,
                "quiet": figures(quiet),
                "flooded": figures(flooded),
                "pages": int(said),
                "turned away": away,
            }


if __name__ == "__main__":
    if sys.argv[1:2] == ["--port"]:
        asyncio.run(flood(int(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])))
    else:
        how_long = float(sys.argv[1]) if len(sys.argv) > 1 else 5.0
        for extra in ("", "proxies = 1"):
            found = asyncio.run(measure(how_long, int(sys.argv[2]) if len(sys.argv) > 2 else 50, extra))
            print(json.dumps({"pages": extra or "alone", **found}))
