"""`secondbell` as a mortal: `python -m tests.kill.mortal` runs it, and kills its own process where it is ordered to.

An order is a file with a point of the pipeline and a number n; it is obeyed at the n-th passage after it was given.
The product knows nothing of it: the points are put around its functions here. It may also be made a mutant, with a
fault that a comparison of two nights has to find.
"""

from __future__ import annotations

import asyncio
import dataclasses
import os
import signal
import sys
from collections.abc import Callable
from contextvars import ContextVar
from functools import wraps
from itertools import count
from pathlib import Path
from typing import Any

import monitor.service
from monitor.adapters.carriers import Attempt, Parcel
from monitor.adapters.email import EmailCarrier
from monitor.adapters.mqtt import MqttLink
from monitor.adapters.snpp import SnppCarrier
from monitor.adapters.store import SqliteStore
from monitor.cli import main
from monitor.core.changes import Changes

ORDER, MUTANT = "MORTAL_ORDER", "MORTAL_MUTANT"  # names in the environment: the order's file, and which fault
POINTS = (
    "after-decode",
    "before-commit",
    "after-commit",
    "before-ack",
    "after-ack",  # it has gone out
    "before-send",
    "during-send",  # the server has answered our greeting, or more: every reply of it is a passage
    "after-send",  # the carrier has been answered, and the outcome is not yet stored
)
TURNS = 3  # of the loop, after which an acknowledgement has left: the next tells that the socket can be written to
FIRST_REPLY = 2  # the first is the server's greeting: it has received nothing yet


class Order:
    """What this process has been ordered; given from outside, at any time, by `give`."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._passages = count(1)

    @staticmethod
    def give(path: Path, point: str, passage: int) -> None:
        """Order a running process to die at a passage of a point; the file appears whole."""
        assert point in POINTS
        new = path.with_suffix(".new")
        new.write_text(f"{point} {passage}")
        new.replace(path)

    @property
    def given(self) -> bool:
        """Whether there is an order."""
        return self._path.exists()

    def passes(self, point: str) -> None:
        """The process passes a point, and may end here."""
        try:
            wanted, passage = self._path.read_text().split()
        except FileNotFoundError:
            return
        if wanted == point and next(self._passages) >= int(passage):
            os.kill(os.getpid(), signal.SIGKILL)


def put(owner: Any, name: str, around: Callable[[Any], Any]) -> None:
    """Put something around a function of the product."""
    function = getattr(owner, name)
    setattr(owner, name, wraps(function)(around(function)))


def later(turns: int, deed: Callable[[], None]) -> None:
    """Do something after so many turns of the loop."""
    asyncio.get_running_loop().call_soon(deed if turns <= 1 else lambda: later(turns - 1, deed))


def put_points(order: Order) -> None:
    """Let each passage of the pipeline's points be told."""

    def decode(function: Callable[..., Any]) -> Callable[..., Any]:
        def decoded(*args: Any, **more: Any) -> Any:
            message = function(*args, **more)
            order.passes("after-decode")
            return message

        return decoded

    def commit(function: Callable[[SqliteStore, Changes], None]) -> Callable[[SqliteStore, Changes], None]:
        def committed(store: SqliteStore, changes: Changes) -> None:
            order.passes("before-commit")
            function(store, changes)
            order.passes("after-commit")

        return committed

    def ack(function: Callable[[MqttLink, Any], None]) -> Callable[[MqttLink, Any], None]:
        def acked(link: MqttLink, received: Any) -> None:
            messages = list(received)
            if messages:
                order.passes("before-ack")
            function(link, messages)
            if messages:
                later(TURNS, lambda: order.passes("after-ack"))

        return acked

    put(monitor.service, "decode", decode)
    put(SqliteStore, "commit", commit)
    put(MqttLink, "ack", ack)
    put_points_of_sends(order)


def put_points_of_sends(order: Order) -> None:
    """The same for attempts: a connection made while one is under way counts its server's replies."""
    sending: ContextVar[bool] = ContextVar("sending", default=False)

    def send(function: Callable[[Any, Parcel], Any]) -> Callable[[Any, Parcel], Any]:
        async def sent(carrier: Any, parcel: Parcel) -> Attempt:
            order.passes("before-send")
            token = sending.set(True)
            attempt: Attempt = await function(carrier, parcel)
            sending.reset(token)
            order.passes("after-send")
            return attempt

        return sent

    def listening(protocol: Any) -> Any:
        data_received, replies = protocol.data_received, count(1)

        def heard(data: bytes) -> None:
            if next(replies) >= FIRST_REPLY:
                order.passes("during-send")
            data_received(data)

        protocol.data_received = heard
        return protocol

    def connect(function: Callable[..., Any]) -> Callable[..., Any]:
        async def connected(loop: Any, protocol: Callable[[], Any], *args: Any, **more: Any) -> Any:
            made = (lambda: listening(protocol())) if sending.get() else protocol
            return await function(loop, made, *args, **more)

        return connected

    for carrier in (EmailCarrier, SnppCarrier):
        put(carrier, "send", send)
    put(asyncio.BaseEventLoop, "create_connection", connect)


# ---- mutants -------------------------------------------------------------------------------------------------------


def store_late(_order: Order) -> None:
    """A store that says so before it has stored: each transaction reaches the disk with the next one."""
    owed: list[Changes] = []

    def commit(function: Callable[[SqliteStore, Changes], None]) -> Callable[[SqliteStore, Changes], None]:
        def committed(store: SqliteStore, changes: Changes) -> None:
            while owed:
                function(store, owed.pop())
            owed.append(changes)

        return committed

    def close(function: Callable[[SqliteStore], None]) -> Callable[[SqliteStore], None]:
        def closed(store: SqliteStore) -> None:
            while owed:
                SqliteStore_commit(store, owed.pop())
            function(store)

        return closed

    SqliteStore_commit = SqliteStore.commit
    put(SqliteStore, "commit", commit)
    put(SqliteStore, "close", close)


def forget_notices(order: Order) -> None:
    """An outbox that is not stored: whoever is killed while it sends forgets what it was sending."""

    def commit(function: Callable[[SqliteStore, Changes], None]) -> Callable[[SqliteStore, Changes], None]:
        def committed(store: SqliteStore, changes: Changes) -> None:
            if order.given:
                for key in [key for key in changes.rows if key[0] == "notice"]:
                    changes.rows[key] = None
            function(store, changes)

        return committed

    put(SqliteStore, "commit", commit)


def name_anew(_order: Order) -> None:
    """A mail that is sent again after a start gets another Message-ID: for who reads it, it is another mail."""
    heard: list[None] = []

    def decode(function: Callable[..., Any]) -> Callable[..., Any]:
        def decoded(*args: Any, **more: Any) -> Any:
            heard.append(None)
            return function(*args, **more)

        return decoded

    def send(function: Callable[[Any, Parcel], Any]) -> Callable[[Any, Parcel], Any]:
        async def sent(carrier: Any, parcel: Parcel) -> Attempt:
            if not heard:
                parcel = dataclasses.replace(parcel, message_id=f"<{os.getpid()}@again.invalid>")
            attempt: Attempt = await function(carrier, parcel)
            return attempt

        return sent

    put(monitor.service, "decode", decode)
    put(EmailCarrier, "send", send)


MUTANTS = {"store-late": store_late, "forget-notices": forget_notices, "name-anew": name_anew}


if __name__ == "__main__":
    orders = Order(Path(os.environ[ORDER]))
    if mutant := os.environ.get(MUTANT):
        MUTANTS[mutant](orders)
    put_points(orders)
    sys.exit(main())
