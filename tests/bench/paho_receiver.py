"""Bare paho: receives a number of messages and acknowledges them in batches, by its public API, and nothing else.

`python -m tests.bench.paho_receiver PORT COUNT` says `ready` once subscribed, and when it had them all.
"""

from __future__ import annotations

import select
import sys
import time
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench.messages import FILTER

BATCH = 200  # messages acknowledged together, as many as the service reads in one turn
LIMIT = 180.0


def main() -> None:
    """Receive."""
    port, count = int(sys.argv[1]), int(sys.argv[2])
    owed: list[int] = []
    got = 0

    def on_message(_client: Client, _data: Any, message: MQTTMessage) -> None:
        nonlocal got
        got += 1
        owed.append(message.mid)

    def on_connect(client: Client, *_: Any) -> None:
        client.subscribe(FILTER, 1)

    client = Client(CallbackAPIVersion.VERSION2, client_id="bench-paho", manual_ack=True)
    client.on_connect = on_connect
    client.on_subscribe = lambda *_: print("ready", flush=True)
    client.on_message = on_message
    client.connect("127.0.0.1", port)
    give_up = time.monotonic() + LIMIT
    while got < count and time.monotonic() < give_up:
        socket = client.socket()
        if socket is None:
            raise ConnectionError("the broker has closed the connection")
        readable, _, _ = select.select([socket], [socket] if client.want_write() else [], [], 0.5)
        if readable:
            for _ in range(BATCH):
                before = got
                client.loop_read()
                if got == before:
                    break
        for mid in owed:
            client.ack(mid, 1)
        owed.clear()
        client.loop_write()
        client.loop_misc()
    print(time.monotonic_ns() if got >= count else "late", flush=True)
    client.disconnect()


if __name__ == "__main__":
    main()
