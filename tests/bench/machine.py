"""The machine that the figures were measured on, and what one needs to know of its processes (Linux)."""

from __future__ import annotations

import os
import platform
import sqlite3
import statistics
import subprocess
import time
from importlib.metadata import version
from pathlib import Path
from typing import Any

from monitor.adapters.broker import find_mosquitto

FSYNCS = 200
TICKS = os.sysconf("SC_CLK_TCK")


def facts(folder: Path) -> dict[str, Any]:
    """What the figures depend on; `folder` is where the stores lie."""
    return {
        "cores": os.cpu_count(),
        "processor": _first("/proc/cpuinfo", "model name") or platform.machine(),
        "memory": _first("/proc/meminfo", "MemTotal"),
        "system": platform.platform(),
        "python": platform.python_version(),
        "sqlite": sqlite3.sqlite_version,
        "packages": {name: version(name) for name in ("paho-mqtt", "pydantic", "aiosmtplib", "aiosmtpd")},
        "mosquitto": _mosquitto_version(),
        "before": moment(folder),
    }


def moment(folder: Path) -> dict[str, float]:
    """How busy the machine and its disk are just now: load of 1 min, and ms to get 4 KiB onto the disk."""
    took = sorted(_fsync_ms(folder))
    return {
        "load": round(os.getloadavg()[0], 2),
        "fsync_ms_p50": round(statistics.median(took), 2),
        "fsync_ms_p98": round(took[-len(took) // 50], 2),
    }


def _fsync_ms(folder: Path) -> list[float]:
    took = []
    path = folder / "fsync"
    with path.open("wb") as file:
        for _ in range(FSYNCS):
            file.write(bytes(4096))
            file.flush()
            began = time.perf_counter()
            os.fsync(file.fileno())
            took.append((time.perf_counter() - began) * 1000)
            time.sleep(0.002)
    path.unlink()
    return took


def cpu_seconds(pid: int) -> float:
    """The CPU time that a process has used so far, all its threads, user and system, in s."""
    text = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    times = text.rpartition(")")[2].split()  # the program's name may hold blanks
    return (int(times[11]) + int(times[12])) / TICKS


def resident(pid: int) -> int:
    """The memory of a process that is in RAM, in bytes."""
    return _kib(_first(f"/proc/{pid}/status", "VmRSS")) * 1024


def _kib(text: str) -> int:
    return int(text.split()[0])


def _first(path: str, key: str) -> str:
    for line in Path(path).read_text(encoding="utf-8", errors="replace").splitlines():
        name, _, value = line.partition(":")
        if name.strip() == key:
            return value.strip()
    return ""


def _mosquitto_version() -> str:
    program = find_mosquitto()
    if program is None:
        return "missing"
    said = subprocess.run([program, "-h"], capture_output=True, text=True, timeout=10, check=False).stdout
    return said.splitlines()[0].strip() if said else "unknown"
