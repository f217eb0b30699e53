"""Where the service's loop spends its time at full speed, as shares by part, from cProfile.

cProfile makes calls of Python functions dearer than they are, so small functions look worse than they are; the
store's thread is not seen, but for the time that it holds the interpreter.
"""

from __future__ import annotations

import pstats
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.bench import scene, sites
from tests.bench.broker import broker
from tests.bench.scene import Options

Key = tuple[str, int, str]
TOP = 25
IDLE = "waiting"
IDLE_CALLS = ("'poll' of 'select.epoll'", "select.epoll")


def measure(options: Options, say: Callable[[str], None]) -> str:
    """Run the service under cProfile at full speed; the shares as a text."""
    folder = options.folder / "profile"
    stats_file = folder / "service.prof"
    with broker(folder / "broker", options.manners) as running:
        site_file = sites.write(folder / "site", sites.Plan(broker=running.port, devices=options.devices))
        with scene.probe(site_file, folder / "report.json", stats_file) as (process, view):
            scene.caught_up(process, view, site_file.parent)
            with scene.publisher(running.port, count=options.messages, devices=options.devices) as source:
                source.go()
                scene.published(source)
                scene.committed(process, view, site_file.parent, options.messages)
    say("profiled")
    return shares(stats_file, options.messages)


def shares(stats_file: Path, messages: int) -> str:
    """The time by part and by function, without what was waited."""
    raw: dict[Key, tuple[int, int, float, float, dict[Key, tuple[int, int, float, float]]]]
    raw = pstats.Stats(str(stats_file)).stats  # type: ignore[attr-defined]
    by_part: Counter[str] = Counter()
    by_function: Counter[str] = Counter()
    for key, (_, _, own, _, callers) in raw.items():
        if key[0] != "~":
            by_part[_part(key)] += own  # type: ignore[assignment]
            by_function[f"{_part(key)}: {key[2]}"] += own  # type: ignore[assignment]
            continue
        idle = any(call in key[2] for call in IDLE_CALLS)
        for caller, (_, _, of_caller, _) in callers.items():
            part = IDLE if idle else _part(caller)
            by_part[part] += of_caller  # type: ignore[assignment]
            by_function[f"{part}: {caller[2]} > {key[2]}"] += of_caller  # type: ignore[assignment]
    by_part.pop(IDLE, None)
    busy = sum(by_part.values())
    lines = [f"busy {busy:.2f} s under cProfile, {busy / messages * 1e6:.0f} µs a message"]
    lines += [f"{value / busy:6.1%}  {part}" for part, value in by_part.most_common(TOP)]
    lines += ["", "by function:"]
    found: list[tuple[str, Any]] = [
        (n, v) for n, v in by_function.most_common(2 * TOP) if not n.startswith(IDLE)
    ]
    lines += [f"{value / busy:6.1%}  {name}" for name, value in found[:TOP]]
    return "\n".join(lines)


def _part(key: Key) -> str:
    """The part of the program that a function belongs to."""
    path = Path(key[0])
    for above in ("monitor", "paho", "pydantic", "asyncio", "json", "structlog"):
        if above in path.parts:
            inside = path.parts[path.parts.index(above) :]
            return "/".join(inside) if above == "monitor" else above
    return "the probe" if "bench" in path.parts else "standard library and start"
