"""A fresh mosquitto for each measurement, set up as a site should set it up."""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from monitor.adapters.broker import find_mosquitto, free_port
from tests.bench.processes import MeasurementFailed, child, until


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerManners:
    """What of the broker's settings matters for speed."""

    inflight: int = (
        1000  # messages unacknowledged at once; mosquitto's own 20 throttles acknowledgement in batches
    )
    persistence: bool = False  # as it saves each half hour by default, it costs nothing in a short run


@dataclass(frozen=True, slots=True)
class Broker:
    """A running broker."""

    port: int
    log: Path

    def subscribed(self, client: str) -> None:
        """Wait until a client has subscribed."""
        until(lambda: f": {client} " in self.log.read_text(), f"{client} to subscribe", limit=10)


@contextlib.contextmanager
def broker(folder: Path, manners: BrokerManners) -> Iterator[Broker]:
    """Run a mosquitto while the block lasts."""
    program = find_mosquitto()
    if program is None:
        raise MeasurementFailed("mosquitto is not installed: install the package 'mosquitto'")
    folder.mkdir(parents=True)
    port, log = free_port(), folder / "mosquitto.log"
    lines = [
        f"listener {port} 127.0.0.1",
        "allow_anonymous true",
        f"persistence {'true' if manners.persistence else 'false'}",
        f"persistence_location {folder}/",
        f"max_inflight_messages {manners.inflight}",
        "max_queued_messages 0",  # no limit: nothing may be thrown away
        "set_tcp_nodelay true",
        "sys_interval 0",
        f"log_dest file {log}",
        "log_type error",
        "log_type warning",
        "log_type subscribe",
    ]
    if os.geteuid() == 0:
        lines.append("user root")  # else it gives up its rights, and with them its folder
    config = folder / "mosquitto.conf"
    config.write_text("\n".join(lines) + "\n")
    with child(program, "-c", str(config)) as process:

        def accepts() -> bool:
            if not process.running:
                raise MeasurementFailed(f"mosquitto ended at once; see {log}")
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
                return True
            return False

        until(accepts, "mosquitto to listen", limit=10)
        yield Broker(port, log)
