"""The control socket: a line each way, for its owner only, whatever is sent and whoever hangs up."""

from __future__ import annotations

import asyncio
import json
import os
import stat
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.control import LONGEST_LINE, SOCKET_NAME, ControlServer, ServiceNotRunning, ask


class Desk:
    """Answers commands with what they said; `hold` keeps an answer back until it is set."""

    def __init__(self) -> None:
        self.served: list[dict[str, Any]] = []
        self.hold = asyncio.Event()
        self.busy = asyncio.Event()

    async def serve(self, command: dict[str, Any]) -> dict[str, Any]:
        """Serve one."""
        self.served.append(command)
        self.busy.set()
        if command.get("command") == "wait":
            await self.hold.wait()
        if command.get("command") == "fail":
            raise ValueError("a fault of ours")
        return {"ok": True, "text": command.get("text", "")}


@asynccontextmanager
async def desk(folder: Path) -> AsyncIterator[tuple[Desk, ControlServer]]:
    """A desk that is open while the block lasts."""
    made = Desk()
    server = ControlServer(folder, made.serve)
    await server.start()
    try:
        yield made, server
    finally:
        await server.stop()


async def test_a_command_is_answered(tmp_path: Path) -> None:
    """What is asked comes as it was sent, and the answer as it was given, in any language."""
    async with desk(tmp_path) as (made, _):
        said = await asyncio.to_thread(ask, tmp_path, {"command": "say", "text": "schläft ☾"})
        assert said == {"ok": True, "text": "schläft ☾"}
        assert made.served == [{"command": "say", "text": "schläft ☾"}]


async def test_it_is_its_owners_alone_from_the_first(tmp_path: Path) -> None:
    """The socket has mode 0600 whatever the umask, and the umask is as it was."""
    before = os.umask(0)
    try:
        async with desk(tmp_path):
            assert stat.S_IMODE((tmp_path / SOCKET_NAME).stat().st_mode) == 0o600
            assert os.umask(0) == 0
    finally:
        os.umask(before)


async def test_a_socket_left_by_a_killed_service_is_replaced(tmp_path: Path) -> None:
    """What lies there from before is no hindrance, and nobody listens on it."""
    (tmp_path / SOCKET_NAME).touch()
    with pytest.raises(ServiceNotRunning, match="no service is listening"):
        ask(tmp_path, {"command": "say"})
    async with desk(tmp_path):
        assert (await asyncio.to_thread(ask, tmp_path, {"command": "say"}))["ok"]
    assert not (tmp_path / SOCKET_NAME).exists()


def test_nobody_there(tmp_path: Path) -> None:
    """Without a socket, or a folder, the one line names the place."""
    for folder in (tmp_path, tmp_path / "none", tmp_path / ("x" * 120) / "deep"):
        with pytest.raises(ServiceNotRunning) as caught:
            ask(folder, {"command": "say"})
        assert str(caught.value).startswith(f"{folder / SOCKET_NAME}: no service is listening (")


async def test_a_path_longer_than_a_sockets_address(tmp_path: Path) -> None:
    """A folder below 200 more characters works the same."""
    folder = tmp_path / ("x" * 100) / ("y" * 100)
    folder.mkdir(parents=True)
    async with desk(folder):
        assert (await asyncio.to_thread(ask, folder, {"command": "say"}))["ok"]


async def test_several_commands_on_one_line_and_many_lines_at_once(tmp_path: Path) -> None:
    """One connection may ask again and again; one that waits holds up no other."""
    async with desk(tmp_path) as (made, _):
        slow = asyncio.ensure_future(asyncio.to_thread(ask, tmp_path, {"command": "wait", "text": "slow"}))
        reader, writer = await asyncio.open_unix_connection(tmp_path / SOCKET_NAME)
        for text in ("one", "two", "three"):
            writer.write(json.dumps({"command": "say", "text": text}).encode() + b"\n")
            assert json.loads(await reader.readline())["text"] == text
        assert not slow.done()
        made.hold.set()
        assert (await slow)["text"] == "slow"
        writer.close()


async def test_nobody_answers_for_too_long(tmp_path: Path) -> None:
    """Patience ends with a line that says so."""
    async with desk(tmp_path) as (made, _):
        with pytest.raises(ServiceNotRunning, match=r"does not answer within 0\.1 s"):
            await asyncio.to_thread(ask, tmp_path, {"command": "wait"}, patience=0.1)
        made.hold.set()


@pytest.mark.parametrize(
    "line", [b"\n", b"7\n", b"[]\n", b"{\n", b"\xff\n", b'"say"\n', b"[" * 60_000 + b"\n"]
)
async def test_what_is_no_command(tmp_path: Path, line: bytes) -> None:
    """Anything but an object in JSON is refused in words, and the same line may go on."""
    async with desk(tmp_path) as (made, _):
        reader, writer = await asyncio.open_unix_connection(tmp_path / SOCKET_NAME)
        writer.write(line)
        assert json.loads(await reader.readline()) == {
            "ok": False,
            "text": "a command is one JSON object on one line",
        }
        writer.write(b"{}\n")
        assert json.loads(await reader.readline())["ok"]
        assert made.served == [{}]
        writer.close()


async def test_a_line_that_does_not_end(tmp_path: Path) -> None:
    """One too long is answered and hung up on: what follows would be read as another."""
    async with desk(tmp_path) as (made, _):
        reader, writer = await asyncio.open_unix_connection(tmp_path / SOCKET_NAME)
        writer.write(b"x" * (2 * LONGEST_LINE) + b"\n{}\n")
        assert json.loads(await reader.readline())["text"] == f"a command is at most {LONGEST_LINE} bytes"
        assert made.served == []
        writer.close()


async def test_a_fault_in_one_command_reaches_no_other(tmp_path: Path) -> None:
    """Who met the fault is told, and whoever asks next is served."""
    async with desk(tmp_path):
        said = await asyncio.to_thread(ask, tmp_path, {"command": "fail"})
        assert said == {"ok": False, "text": "this command met a fault in the service; its log says more"}
        assert (await asyncio.to_thread(ask, tmp_path, {"command": "say"}))["ok"]


async def test_hanging_up_in_the_middle_harms_nobody(tmp_path: Path) -> None:
    """A caller who goes before the answer, or with half a command, is forgotten."""
    async with desk(tmp_path) as (made, _):
        for sent in (b'{"command": "wait"}\n', b'{"comm', b""):
            _, writer = await asyncio.open_unix_connection(tmp_path / SOCKET_NAME)
            writer.write(sent)
            await writer.drain()
            writer.transport.abort()
        made.hold.set()
        assert (await asyncio.to_thread(ask, tmp_path, {"command": "say"}))["ok"]


async def test_a_stop_lets_an_answer_out_and_hangs_up_on_silence(tmp_path: Path) -> None:
    """At a stop whoever is being answered gets the answer; whoever says nothing does not hold it up."""
    async with desk(tmp_path) as (made, server):
        _, silent = await asyncio.open_unix_connection(tmp_path / SOCKET_NAME)
        asked = asyncio.ensure_future(asyncio.to_thread(ask, tmp_path, {"command": "wait", "text": "yours"}))
        async with asyncio.timeout(10):
            await made.busy.wait()
            stopping = asyncio.ensure_future(server.stop())
            await asyncio.sleep(0.01)
            made.hold.set()
            await stopping
            assert (await asked)["text"] == "yours"
        silent.close()


async def test_a_stop_does_not_wait_for_an_answer_that_never_comes(tmp_path: Path) -> None:
    """After its second of grace it hangs up, and the caller hears that there was no answer."""
    async with desk(tmp_path) as (made, server):
        asked = asyncio.ensure_future(asyncio.to_thread(ask, tmp_path, {"command": "wait"}))
        async with asyncio.timeout(10):
            await made.busy.wait()
            await server.stop()
            with pytest.raises(ServiceNotRunning, match="ended before it answered"):
                await asked
