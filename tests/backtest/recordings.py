"""Recordings made up for backtests: a ward of pumps, some of which are muted, each for another while."""

from __future__ import annotations

import json
from pathlib import Path

from monitor.adapters.mqtt import BrokerAddress
from monitor.core.instants import MINUTE, parse
from monitor.core.topics import state_topic
from monitor.recorded import Line
from monitor.recording import Tape
from tests.core.definition import Alarm, Snap
from tests.core.traces import message
from tests.ward_site import site_text

START = parse("2026-03-14T20:00:00Z")
SITE = "larkfield"  # as in `ward_site`
LENGTHS = {"pump-0101": 3, "pump-0102": 5, "pump-0103": 7, "pump-0104": 30}  # minutes without sound
DEVICES = [*LENGTHS, "pump-0105"]
LASTS = 90


def muted_night(*, site: str = SITE) -> list[Line]:
    """90 min of five pumps that report each minute; four are muted from the 10th minute on, for 3 to 30 min."""
    lines = []
    for minute in range(LASTS + 1):
        for place, device in enumerate(DEVICES):
            at = START + minute * MINUTE + place * 1000
            muted = 10 <= minute < 10 + LENGTHS.get(device, 0)
            since = START + 10 * MINUTE + place * 1000
            alarms = (Alarm("occlusion", "", "medium", "audio-paused", since),) if muted else ()
            activity = "stopped" if muted else "feeding"
            snap = Snap(at, activity=activity, alarms=alarms, delivered=float(minute))
            said = message(snap, sequence=minute + 1, device=device)
            lines.append(Line(at + 20, state_topic("secondbell/v1", site, "elm", device), compact(said)))
    return lines


def compact(said: object) -> bytes:
    """JSON without blanks."""
    return json.dumps(said, separators=(",", ":")).encode()


def record(folder: Path, lines: list[Line]) -> Path:
    """The lines as `run --record` would keep them."""
    folder.mkdir()
    tape = Tape(folder)
    tape.write(lines, last=True)
    tape.close()
    return folder


def ward_file(folder: Path, name: str = "site.toml", *more: str) -> Path:
    """A site file of the ward, with further tables."""
    path = folder / name
    text = site_text(BrokerAddress("127.0.0.1", 1883), smtp=2525, snpp=4444)
    path.write_text(text + "\n".join(more) + "\n", encoding="utf-8")
    return path
