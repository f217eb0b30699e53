"""What a running service takes: resident memory, descriptors, threads, tasks; and whether any of it grows.

Each life of a process, from one kill to the next, is judged by itself.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

HOUR = 3_600_000
WARM_UP = 1 / 3  # of a life: caches fill, the allocator finds its level
LONG_LIFE = HOUR  # ms of virtual time after the warm-up: in less, the noise of the allocator is no slope
SLOPE = 2048.0
"""KiB an hour of virtual time that memory may grow after the warm-up.

2,000 pumps send 100,000 messages an hour. The least that CPython keeps for a tuple (48 bytes) is 4,700 KiB an hour if
kept for each. By design a concern stays for a day: some 70 an hour of 3.6 KiB each (measured), and the name of each
topic in quarantine, some 60 of 0.5 KiB. The rest of the 1,040 KiB an hour that were measured is the allocator's: it
levels out, and the engine alone, traced for 13 hours, keeps nothing but its concerns.
"""
SOME = 2  # descriptors that may be open for a moment, as of a connection that is just being made
POOL = 8  # connections that the mail carrier may keep for a moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One reading: `at` in ms UTC of the night, `rss` in KiB, `cpu` in seconds of processor time so far.

    `descriptors` are all but those of the connections to the mail server, which are kept for a moment.
    """

    at: int
    pid: int
    rss: int
    descriptors: int
    mail_lines: int
    threads: int
    tasks: int
    cpu: float = 0.0


def read(pid: int, at: int, tasks: int, *, mail_port: int) -> Sample:
    """Read the gauges of a process (proc(5))."""
    mail = mail_lines(pid, mail_port)
    status = dict(
        line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    )
    # proc(5): user and system time are the 14th and 15th field; the 2nd, in brackets, may hold blanks.
    times = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[11:13]
    return Sample(
        at=at,
        pid=pid,
        rss=int(status["VmRSS"].split()[0]),
        descriptors=len(os.listdir(f"/proc/{pid}/fd")) - mail,
        mail_lines=mail,
        threads=int(status["Threads"]),
        tasks=tasks,
        cpu=sum(int(ticks) for ticks in times) / os.sysconf("SC_CLK_TCK"),
    )


def mail_lines(pid: int, port: int) -> int:
    """How many connections to a mail server on this loopback port a process has open."""
    rows = [row.split() for row in Path(f"/proc/{pid}/net/tcp").read_text(encoding="ascii").splitlines()[1:]]
    there = {f"socket:[{row[9]}]" for row in rows if int(row[2].partition(":")[2], 16) == port}
    return sum(_link(entry) in there for entry in Path(f"/proc/{pid}/fd").iterdir())


def _link(entry: Path) -> str:
    try:
        return os.readlink(entry)
    except FileNotFoundError:  # closed meanwhile
        return ""


def lives(samples: Sequence[Sample]) -> list[list[Sample]]:
    """The samples of each process."""
    found: dict[int, list[Sample]] = {}
    for sample in samples:
        found.setdefault(sample.pid, []).append(sample)
    return list(found.values())


def warm(life: Sequence[Sample]) -> list[Sample]:
    """Without the warm-up."""
    after = life[0].at + (life[-1].at - life[0].at) * WARM_UP
    return [sample for sample in life if sample.at >= after]


def slope(samples: Sequence[Sample]) -> float:
    """KiB an hour by which memory grows: the median of the slopes of all pairs a third of the time or more apart."""
    apart = (samples[-1].at - samples[0].at) / 3
    slopes = [
        (later.rss - sooner.rss) / (later.at - sooner.at)
        for number, sooner in enumerate(samples)
        for later in samples[number + 1 :]
        if later.at - sooner.at >= apart
    ]
    return median(slopes) * HOUR


def long_lives(samples: Sequence[Sample]) -> list[list[Sample]]:
    """What is left of each life after its warm-up, if that is long enough to judge memory by."""
    return [left for life in lives(samples) if (left := warm(life))[-1].at - left[0].at >= LONG_LIFE]


def leaks(samples: Sequence[Sample]) -> list[str]:
    """What grew, in words; an empty list if nothing did."""
    found = []
    for life in long_lives(samples):
        if slope(life) > SLOPE:
            found.append(f"memory of process {life[0].pid} grows by {slope(life):,.0f} KiB an hour")
    for life in lives(samples):
        long = life[-1].at - life[0].at >= LONG_LIFE
        for name, more in (("descriptors", SOME), ("mail_lines", POOL), ("threads", 0), ("tasks", POOL)):
            values = [int(getattr(sample, name)) for sample in life]
            third = max(1, len(values) // 3)
            first, last, highest = min(values[:third]), min(values[-third:]), max(values)
            if highest > first + more or (long and last > first and name != "mail_lines"):
                told = f"{first} at first, {last} at last, {highest} at most"
                found.append(f"{name} of process {life[0].pid}: {told}")
    return found
