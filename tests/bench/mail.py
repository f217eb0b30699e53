"""From a rule's deadline to the mail server's acceptance, a thousand concerns at the same instant, gathered.

All devices are muted at one instant. The deadline is patience later; the service gives late messages 2 s and
gathers for 5 s (as shipped); what it takes from there until the mail that names a device's bed is accepted is measured.
"""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable

from tests.bench import scene, sites
from tests.bench.broker import broker
from tests.bench.figures import Figure
from tests.bench.messages import DEVICES_A_UNIT, frame, payload
from tests.bench.processes import child, python
from tests.bench.publisher import Line
from tests.bench.scene import Options, percentile

LATENESS = 2_000  # ms, as shipped
LIMIT = 30.0  # seconds after the notices are due
MUTED = (
    b'"activity":"stopped","alarms":[{"condition":"downstream-occlusion","priority":"medium",'
    b'"since":"2026-01-01T00:00:00Z","inactivation":"audio-paused","line":"feed"}]'
)


def measure(options: Options, say: Callable[[str], None]) -> list[Figure]:
    """Once with one nurse for all, once with as many as there are units."""
    found: list[Figure] = []
    units = -(-options.concerns // DEVICES_A_UNIT)
    for nurses in dict.fromkeys((1, units)):
        where = f"rule deadline → SMTP accepted, {options.concerns:,} concerns at once, {nurses} nurse(s)"
        half = Figure(name=f"{where}: p50", unit="s")
        most = Figure(
            name=f"{where}: p99", unit="s", limit=1,
            note="after the 2 s given to late messages and the gathering",
        )  # fmt: skip
        mails = Figure(name=f"{where}: mails", unit="")
        for turn in range(options.repeat):
            took, count = _round(options, nurses, turn)
            half.values.append(percentile(took, 0.5) / 1000)
            most.values.append(percentile(took, 0.99) / 1000)
            mails.values.append(count)
            say(
                f"mail, {nurses} nurse(s), {turn + 1}/{options.repeat}: p99 {most.values[-1]:.2f} s, {count} mails"
            )
        found += [half, most, mails]
    return found


def _round(options: Options, nurses: int, turn: int) -> tuple[list[int], int]:
    """For each device how long after it was due its mail was accepted, in ms; and how many mails there were."""
    folder = options.folder / f"mail-{nurses}-{turn}"
    report = folder / "mails.json"
    with (
        broker(folder / "broker", options.manners) as running,
        child(*python("tests.bench.mail_sink", report), log=folder / "sink.log", lines=True) as sink,
    ):
        plan = sites.Plan(
            broker=running.port,
            devices=options.concerns,
            mail=int(sink.line()),
            nurses=nurses,
            gather_ms=options.gather,
            muted_ms=options.patience,
        )
        site_file = sites.write(folder / "site", plan)
        with scene.service(site_file) as (process, view):
            scene.caught_up(process, view, site_file.parent)
            muted = _mute_all(running.port, options.concerns)
            due = muted + options.patience + LATENESS + options.gather
            time.sleep(max(0.0, due / 1000 - time.time()))
            give_up = time.monotonic() + LIMIT
            while time.monotonic() < give_up and view.counters().get("snapshots", 0) >= options.concerns:
                if view.open_notices() == 0:
                    break
                time.sleep(0.1)
            scene.alive(process, folder / "site")
    accepted: dict[int, int] = {}
    mails = json.loads(report.read_text())
    for at, _, beds in mails:
        for bed in beds:
            accepted.setdefault(bed, at)
    never = int(LIMIT * 1000)
    took = [accepted.get(device, due + never) - due for device in range(options.concerns)]
    shutil.rmtree(folder)
    return took, len(mails)


def _mute_all(port: int, devices: int) -> int:
    """Publish that all are muted at one instant; gives it, in ms UTC."""
    line = Line(port)
    at = time.time_ns() // 1_000_000
    parts = [frame(n, n % 65_535 + 1, payload(n, 1, at, n, MUTED)) for n in range(devices)]
    line.send(b"".join(parts))
    line.wait_for(devices)
    line.close()
    return at
