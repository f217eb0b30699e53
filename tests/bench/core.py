"""The core alone, without broker and loop: where the time of a message goes.

Not among the figures that must be reached; it tells what to make faster.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from monitor.adapters.lockfile import site_key
from monitor.adapters.store import SqliteStore
from monitor.core.decode import decode
from monitor.core.engine import Engine
from monitor.core.parts import Loaded
from monitor.core.trail import Frontier
from monitor.settings import load
from tests.bench import sites
from tests.bench.figures import Figure
from tests.bench.messages import PREFIX, SITE, payload, topic
from tests.bench.scene import Options

BATCH = 50  # what comes in some 5 ms at 10,000 messages a second


def measure(options: Options, say: Callable[[str], None]) -> list[Figure]:
    """µs of processor time a message, of each step."""
    steps = ("decode", "engine", "take_changes and JSON", "commit to disk")
    figures = [Figure(name=f"core only, batches of {BATCH}: {step}", unit="µs/msg") for step in steps]
    for turn in range(options.repeat):
        took = _round(options, turn)
        for figure, step in zip(figures, took, strict=True):
            figure.values.append(step / options.messages / 1000)
        say(f"core {turn + 1}/{options.repeat}: " + ", ".join(f"{f.values[-1]:.1f}" for f in figures) + " µs")
    return figures


def _round(options: Options, turn: int) -> tuple[int, int, int, int]:
    """The ns of processor time that each step took in all."""
    folder = options.folder / f"core-{turn}"
    settings = load(sites.write(folder, sites.Plan(broker=1, devices=options.devices)), key=b"")
    settings.state_dir.mkdir(mode=0o700, parents=True)
    site = settings.with_key(site_key(settings.state_dir)).site
    store = SqliteStore.open(settings.state_dir, site=SITE)
    now = time.time_ns() // 1_000_000
    engine = Engine(site, now=now, link=True, loaded=Loaded({}, Frontier(), 0))
    decoding = working = taking = storing = 0
    for start in range(0, options.messages, BATCH):
        at = now + start // 30
        batch = []
        for number in range(start, min(options.messages, start + BATCH)):
            device, sequence = number % options.devices, number // options.devices + 1
            batch.append((topic(device), payload(device, sequence, at, number)))
        t0 = time.process_time_ns()
        decoded = [decode(where, said, retain=False, prefix=PREFIX, site=SITE) for where, said in batch]
        t1 = time.process_time_ns()
        for message, (_, said) in zip(decoded, batch, strict=True):
            engine.receive_message(message, said, at)
        engine.advance(at)
        t2 = time.process_time_ns()
        changes = engine.take_changes()
        engine.take_effects()
        engine.take_happenings()
        t3 = time.process_time_ns()
        store.commit(changes)
        t4 = time.process_time_ns()
        decoding, working, taking, storing = (
            decoding + t1 - t0,
            working + t2 - t1,
            taking + t3 - t2,
            storing + t4 - t3,
        )
    store.close()
    return decoding, working, taking, storing
