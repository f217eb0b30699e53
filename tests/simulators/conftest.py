"""A real broker on a free loopback port, and small readers of what was published."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from simulators import Published, World

StartBroker = Callable[..., int]


@pytest.fixture
def start_broker(tmp_path: Path) -> Iterator[StartBroker]:
    """Start mosquitto with extra configuration lines; return its port."""
    program = shutil.which("mosquitto")
    if program is None:
        pytest.fail("these tests need mosquitto on PATH")
    running: list[subprocess.Popen[bytes]] = []

    def start(*lines: str, anonymous: bool = True) -> int:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = int(probe.getsockname()[1])
        config = tmp_path / f"mosquitto-{port}.conf"
        # Started as root it would become a user who cannot read this folder.
        allow = f"allow_anonymous {'true' if anonymous else 'false'}"
        config.write_text(
            "\n".join(["user root", f"listener {port} 127.0.0.1", allow, *lines, ""]), encoding="utf-8"
        )
        running.append(
            subprocess.Popen(
                [program, "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
        )
        for _ in range(100):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    return port
            time.sleep(0.05)
        raise AssertionError("mosquitto did not start listening")

    yield start
    for process in running:
        process.terminate()
        process.wait(timeout=10)


def run_to(world: World, at: int | None = None) -> list[Published]:
    """Step a world event by event to *at*, or to its end."""
    out: list[Published] = []
    while (due := world.next_at()) is not None and (at is None or due <= at):
        out += world.advance(due)
    if at is not None:
        out += world.advance(at)
    return out


def states(messages: list[Published], device: str | None = None) -> list[dict[str, Any]]:
    """Read the device-state events, of one device or of all."""
    events = [json.loads(one.payload) for one in messages if one.topic.endswith("/state")]
    return [event for event in events if device is None or event["subject"] == device]
