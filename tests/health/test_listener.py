"""The HTTP server of health and phone pages: bounded, quiet, and gone when it is told to go."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import ssl
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from monitor.web.listener import Listener
from tests.brokers import tls_settings


async def _hello(_: Request) -> Response:
    return PlainTextResponse("hello")


async def _fault(_: Request) -> Response:
    raise ValueError("a fault of ours")


async def _slow(_: Request) -> Response:
    await asyncio.sleep(60)
    return PlainTextResponse("at last")


APP = Starlette(routes=[Route("/", _hello), Route("/fault", _fault), Route("/slow", _slow)])


def tls_pair(folder: Path) -> tuple[ssl.SSLContext, ssl.SSLContext]:
    """A server's context for loopback, and one that trusts it."""
    _, trusting = tls_settings(folder)
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(folder / "server.pem", folder / "server.key")
    return context, trusting


@contextlib.asynccontextmanager
async def listening(**options: object) -> AsyncIterator[Listener]:
    """One that listens while the block lasts."""
    listener = Listener(APP, "127.0.0.1", 0, **options)  # type: ignore[arg-type]
    await listener.start()
    try:
        yield listener
    finally:
        await listener.stop()


async def test_it_answers_and_takes_no_signal(capfd: pytest.CaptureFixture[str]) -> None:
    """An answer without the server's name, nothing on the terminal, and SIGTERM handled by who handled it before."""
    before = [signal.getsignal(name) for name in (signal.SIGTERM, signal.SIGINT)]
    async with listening() as listener, httpx.AsyncClient(trust_env=False) as client:
        answer = await client.get(f"http://127.0.0.1:{listener.port}/?secret=1")
        assert (answer.status_code, answer.text) == (200, "hello")
        assert "server" not in answer.headers
        assert [signal.getsignal(name) for name in (signal.SIGTERM, signal.SIGINT)] == before
    assert "secret" not in "".join(capfd.readouterr())


async def test_a_fault_costs_its_own_request(capfd: pytest.CaptureFixture[str]) -> None:
    """500 without its reason, one line in the log without a stack trace, and the next is served."""
    async with listening() as listener, httpx.AsyncClient(trust_env=False) as client:
        answer = await client.get(f"http://127.0.0.1:{listener.port}/fault")
        assert answer.status_code == 500
        assert "fault of ours" not in answer.text
        assert (await client.get(f"http://127.0.0.1:{listener.port}/")).status_code == 200
    assert "Traceback" not in "".join(capfd.readouterr())


async def test_an_address_that_is_taken_is_an_oserror() -> None:
    """Whoever starts it says which key of which file that was."""
    async with listening() as listener:
        with pytest.raises(OSError, match="in use"):
            await Listener(APP, "127.0.0.1", listener.port).start()


async def test_so_many_connections_and_no_more() -> None:
    """Who comes on top is hung up on, and those who were there are served."""
    async with listening(connections=2) as listener:
        kept = [await asyncio.open_connection("127.0.0.1", listener.port) for _ in range(2)]
        more, writer = await asyncio.open_connection("127.0.0.1", listener.port)
        with contextlib.suppress(ConnectionError):
            assert await more.read() == b""
        writer.close()
        reader, writer = kept[0]
        writer.write(b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        assert (await reader.read()).startswith(b"HTTP/1.1 200")
        for _, one in kept:
            one.close()


async def test_one_client_does_not_hold_all_places() -> None:
    """Of its connections so many are kept; another's are let in."""
    async with listening(connections=4, each=2) as listener:
        kept = [await asyncio.open_connection("127.0.0.1", listener.port) for _ in range(3)]
        with contextlib.suppress(ConnectionError):
            assert await kept[2][0].read() == b""
        reader, writer = await asyncio.open_connection(
            "127.0.0.1", listener.port, local_addr=("127.0.0.2", 0)
        )
        writer.write(b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        assert (await reader.read()).startswith(b"HTTP/1.1 200")
        for _, one in [*kept, (reader, writer)]:
            one.close()


async def test_who_never_shakes_hands_holds_no_more_than_a_place(tmp_path: Path) -> None:
    """Connections that say nothing before TLS are hung up on in time: else no descriptor is left."""
    context, _ = tls_pair(tmp_path)
    async with listening(ssl=context, connections=2, life=0.3) as listener:
        came = [await asyncio.open_connection("127.0.0.1", listener.port) for _ in range(8)]
        async with asyncio.timeout(30):  # asyncio by itself waits for a handshake for a minute
            for reader, _ in came:
                with contextlib.suppress(ConnectionError):
                    assert await reader.read() == b""
        for _, writer in came:
            writer.close()


@pytest.mark.parametrize("sent", [b"", b"GET / HTTP/1.1\r\nHost: x\r\nX-"])
async def test_one_that_says_nothing_is_hung_up_on(sent: bytes) -> None:
    """A connection has its time, however it is used."""
    async with listening(life=0.2) as listener:
        reader, writer = await asyncio.open_connection("127.0.0.1", listener.port)
        writer.write(sent)
        with contextlib.suppress(ConnectionError):
            assert await reader.read() == b""
        writer.close()


async def test_enormous_headers_are_refused() -> None:
    """More than it keeps: 4xx, without a word to the app."""
    async with listening(head=1_000) as listener:
        reader, writer = await asyncio.open_connection("127.0.0.1", listener.port)
        writer.write(b"GET / HTTP/1.1\r\nHost: x\r\nX-Much: " + b"m" * 100_000)
        with contextlib.suppress(ConnectionError):
            assert (await reader.read()).startswith(b"HTTP/1.1 4")
        writer.close()


async def test_it_stops_with_somebody_waiting() -> None:
    """A stop waits a moment for answers under way, and then hangs up."""
    async with listening() as listener:
        _, writer = await asyncio.open_connection("127.0.0.1", listener.port)
        writer.write(b"GET /slow HTTP/1.1\r\nHost: x\r\n\r\n")
        idle, silent = await asyncio.open_connection("127.0.0.1", listener.port)
        await asyncio.sleep(0.05)
        await listener.stop()
        with contextlib.suppress(ConnectionError):
            assert await idle.read() == b""
        with pytest.raises(OSError, match=r"refused|failed"):
            await asyncio.open_connection("127.0.0.1", listener.port)
        writer.close()
        silent.close()


async def test_tls(tmp_path_factory: pytest.TempPathFactory) -> None:
    """With a context it speaks TLS, and nothing else."""
    context, trusting = tls_pair(tmp_path_factory.mktemp("tls"))
    async with (
        listening(ssl=context) as listener,
        httpx.AsyncClient(verify=trusting, trust_env=False) as client,
    ):
        assert (await client.get(f"https://127.0.0.1:{listener.port}/")).text == "hello"
