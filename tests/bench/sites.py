"""The site of the benchmark: its site file, and a store that already knows so many devices."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from monitor.adapters.lockfile import site_key
from monitor.adapters.store import SqliteStore
from monitor.core.decode import decode
from monitor.core.engine import Engine
from monitor.core.parts import Loaded
from monitor.core.trail import Frontier
from monitor.settings import load
from tests.bench.messages import DEVICES_A_UNIT, PREFIX, SITE, name, payload, topic, unit

BATCH = 2_000

HEAD = """\
[site]
name = "{site}"
setting = "ward"
zone = "UTC"
last_resort = "manager"
technical = "technical"
state_dir = "state"

[broker]
addresses = ["mqtt://127.0.0.1:{broker}"]

[carriers.mail]
kind = "email"
host = "127.0.0.1"
port = {mail}
security = "none"
sender = "Second Bell <secondbell@bench.example.invalid>"

[people.manager]
called = "manager"
reach = [{{ carrier = "mail", address = "manager@bench.example.invalid" }}]

[people.technical]
called = "technical contact"
reach = [{{ carrier = "mail", address = "technical@bench.example.invalid" }}]

[times]
gather = "{gather} ms"
catch_up_quiet = "250 ms"

[[ladders]]
unit = "*"
priority = "high"
rungs = [{{ tell = ["role:nurse"], wait = "3 min" }}]

[[ladders]]
unit = "*"
priority = "medium"
rungs = [{{ tell = ["role:nurse"], wait = "10 min" }}]

[[ladders]]
unit = "*"
priority = "low"
rungs = [{{ tell = ["role:nurse"] }}]
"""

NURSE = """
[people.nurse-{number}]
called = "nurse {number}"
reach = [{{ carrier = "mail", address = "nurse-{number}@bench.example.invalid" }}]
"""

# So that what stands for the whole measurement is remembered by the rules, and raises nothing meanwhile.
PATIENT = """
[rules.unattended]
patience = "60 min"

[rules.standing-alarm]
patience = "60 min"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a site of the benchmark is like; `listed` devices stand in its file, `muted_ms` is a rule's patience."""

    broker: int
    devices: int
    listed: bool = True
    mail: int = 1
    nurses: int = 1
    muted_ms: int | None = None
    gather_ms: int = 5_000


def write(folder: Path, plan: Plan) -> Path:
    """Write a site file; each nurse has an equal share of the units."""
    folder.mkdir(parents=True, exist_ok=True)
    units = -(-plan.devices // DEVICES_A_UNIT)
    parts = [HEAD.format(site=SITE, broker=plan.broker, mail=plan.mail, gather=plan.gather_ms)]
    parts += [NURSE.format(number=number) for number in range(plan.nurses)]
    for number in range(units):
        parts.append(f'\n[units.unit-{number:04d}]\ncalled = "ward {number}"\n')
        parts.append(
            f'\n[[duty]]\nperson = "nurse-{number % plan.nurses}"\nrole = "nurse"\nunit = "unit-{number:04d}"\n'
        )
    if plan.muted_ms is None:
        parts.append(PATIENT)
    else:
        parts.append(f'\n[rules.muted-too-long]\npatience = "{plan.muted_ms} ms"\n')
    if plan.listed:
        parts += [
            f'\n[devices.{name(n)}]\nunit = "{unit(n)}"\nplace = "bed {n:06d}"\npager_place = "bed {n:06d}"\n'
            for n in range(plan.devices)
        ]
    path = folder / "site.toml"
    path.write_text("".join(parts))
    return path


def seed(site_file: Path, devices: int) -> int:
    """Let the engine itself make the store of a site that has heard of so many devices; the sequence to go on from."""
    settings = load(site_file, key=b"")
    folder = settings.state_dir
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    settings = settings.with_key(site_key(folder))
    store = SqliteStore.open(folder, site=SITE)
    now = time.time_ns() // 1_000_000
    engine = Engine(settings.site, now=now, link=True, trail=False, loaded=Loaded({}, Frontier(), 0))
    for start in range(0, devices, BATCH):
        for device in range(start, min(devices, start + BATCH)):
            said = payload(device, 1, now, device)
            engine.receive(decode(topic(device), said, retain=False, prefix=PREFIX, site=SITE), now)
        store.commit(engine.take_changes())
        engine.take_effects()
        engine.take_happenings()
    store.close()
    return 2
