"""How long until each page leaves, with the shipped times: `python -m tests.watch.times`, two minutes or so."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import tempfile
from collections.abc import Awaitable, Callable
from pathlib import Path

from tests.watch.scene import Scene, config, scene

LONG = 180.0  # seconds


async def _killed(made: Scene) -> None:
    await made.ward.monitor.kill()


async def _frozen(made: Scene) -> None:
    os.kill(made.ward.monitor.process.pid, signal.SIGSTOP)


async def _stopped(made: Scene) -> None:
    await made.ward.monitor.stop()


async def _broker(made: Scene) -> None:
    await made.ward.broker.kill()


async def _hung(made: Scene) -> None:
    await asyncio.to_thread(Path(made.ward.monitor.environment["HANG_FILE"]).touch)


CASES: dict[str, Callable[[Scene], Awaitable[None]]] = {
    "monitor killed (SIGKILL)": _killed,
    "monitor frozen (SIGSTOP)": _frozen,
    "loop hangs": _hung,
    "commits hang, loop and network live": _hung,
    "monitor stopped": _stopped,
    "broker killed": _broker,
}


async def _measure(name: str, folder: Path, starting: asyncio.Lock) -> None:
    """Print the seconds from the failure to the page, with a patience of 60 s and a beat each 15 s."""
    do = CASES[name]
    async with scene(folder) as made:
        ward = made.ward
        del ward.monitor.environment["WATCHDOG_USEC"]
        if do is _hung:
            ward.monitor.program = "tests.watch.hanging"
            ward.monitor.environment |= {
                "HANG": "loop" if name.startswith("loop") else "commit",
                "HANG_FILE": str(folder / "hang"),
            }
        async with starting:
            await ward.monitor.start()
        text = config(ward.broker.address, smtp=ward.smtp.port, snpp=ward.snpp.port)
        await made.start_watch(text.replace('"1 s"', '"60 s"'))
        await asyncio.sleep(17)  # a beat has been heard, and the next is on its way
        await do(made)
        seconds = await made.paged("larkfield", within=LONG)
        print(f"{name:40} {seconds:6.1f} s  {made.pages[0]}", flush=True)


async def main() -> None:
    """All at once: they sleep."""
    starting = asyncio.Lock()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        names = list(CASES)
        await asyncio.gather(
            *(_measure(name, Path(folder) / str(place), starting) for place, name in enumerate(names))
        )


if __name__ == "__main__":
    asyncio.run(main())
    sys.exit(0)
