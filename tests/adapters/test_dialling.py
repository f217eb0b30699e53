"""Connecting to a server by name or address: a name service that hangs holds up nobody else."""

from __future__ import annotations

import asyncio
import socket
import threading

import pytest

from monitor.adapters.dialling import Address, Dialler, look_up
from tests.adapters.test_carriers_contract import server


def v4(port: int, address: str = "127.0.0.1") -> Address:
    """An address on this machine."""
    return socket.AF_INET, (address, port)


async def accept(reader: asyncio.StreamReader, _writer: asyncio.StreamWriter) -> None:
    """Take a connection and say nothing."""
    await reader.read()


class NameService:
    """A name service that answers as told, once it is told."""

    def __init__(self, answer: list[Address] | OSError) -> None:
        self.asked = 0
        self.answers = asyncio.Event()
        self.answer = answer

    async def __call__(self, host: str, port: int) -> list[Address]:
        """Look a host up."""
        assert (host, port) == ("mail.ward.example", 25)
        self.asked += 1
        await self.answers.wait()
        if isinstance(self.answer, OSError):
            raise self.answer
        return self.answer


async def test_an_address_in_figures_needs_no_name_service() -> None:
    """Neither thread nor look-up; IPv4 and IPv6."""
    threads = threading.active_count()
    async with server(accept) as port:
        for host, number in (("127.0.0.1", port), ("::1", 1)):
            dialler = Dialler(host, number, lookup=NameService(OSError("not to be asked")))
            if host == "::1":
                with pytest.raises(OSError, match="::1"):
                    await dialler.connect()
            else:
                (await dialler.connect()).close()
    assert threading.active_count() == threads


async def test_the_system_knows_this_machine() -> None:
    """A name is looked up by the system, in a thread that ends."""
    async with server(accept) as port:
        assert v4(port) in await look_up("localhost", port)
        (await Dialler("localhost", port).connect()).close()
    with pytest.raises(socket.gaierror):
        await look_up("nobody.invalid", 25)  # RFC 6761 §6.4


async def test_while_a_look_up_hangs_no_other_is_begun() -> None:
    """Fifty attempts give up waiting: one look-up was asked for in all, and its answer serves the next."""
    async with server(accept) as port:
        names = NameService([v4(port)])
        dialler = Dialler("mail.ward.example", 25, lookup=names)

        async def give_up() -> None:
            async with asyncio.timeout(0.01):
                await dialler.connect()

        ended = await asyncio.gather(*(give_up() for _ in range(50)), return_exceptions=True)
        assert {type(error) for error in ended} == {TimeoutError}
        assert names.asked == 1
        names.answers.set()
        (await dialler.connect()).close()
        assert names.asked == 1
        (await dialler.connect()).close()
        assert names.asked == 2  # an answer is not kept: addresses change


async def test_a_failed_look_up_is_told_to_all_who_wait_and_asked_anew_by_the_next() -> None:
    """The name service does not know the host, and later it does."""
    names = NameService(socket.gaierror(-2, "Name or service not known"))
    names.answers.set()
    dialler = Dialler("mail.ward.example", 25, lookup=names)
    ended = await asyncio.gather(*(dialler.connect() for _ in range(3)), return_exceptions=True)
    assert {type(error) for error in ended} == {socket.gaierror}
    async with server(accept) as port:
        names.answer = [v4(port)]
        (await dialler.connect()).close()


async def test_the_next_address_is_tried_when_the_first_is_dead() -> None:
    """Of two addresses the first refuses; if both do, that is said; with none, that too."""
    async with server(accept) as port:
        names = NameService([v4(port, "127.0.0.2"), v4(port)])
        names.answers.set()
        dialler = Dialler("mail.ward.example", 25, lookup=names)
        connected = await dialler.connect()
        assert connected.getpeername() == ("127.0.0.1", port)
        connected.close()
    with pytest.raises(ConnectionRefusedError):
        await dialler.connect()
    names.answer = []
    with pytest.raises(OSError, match="no address for mail"):
        await dialler.connect()


async def test_closing_ends_the_wait_for_a_look_up() -> None:
    """Nothing is left behind of a look-up that never ends."""
    names = NameService([])
    dialler = Dialler("mail.ward.example", 25, lookup=names)
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.01):
            await dialler.connect()
    dialler.close()
    await asyncio.sleep(0)
    assert len(asyncio.all_tasks()) == 1
