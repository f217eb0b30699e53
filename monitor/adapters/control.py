"""The control socket: one JSON line each way on a Unix socket in the state directory, for its owner only."""

from __future__ import annotations

import asyncio
import json
import os
import socket
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import structlog

SOCKET_NAME = "control.sock"
LONGEST_LINE = 65_536
FAREWELL = 1.0  # seconds in which what is being answered at a stop may go out
PATIENCE = 120.0  # seconds that a command waits for its answer; an answer comes after a commit

TOO_LONG = {"ok": False, "text": f"a command is at most {LONGEST_LINE} bytes"}

log = structlog.get_logger(__name__)

Serve = Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]


class ServiceNotRunning(Exception):
    """Nobody listens on the control socket."""


class ControlServer:
    """Takes commands while the service runs."""

    def __init__(self, folder: Path, serve: Serve) -> None:
        self._path = folder / SOCKET_NAME
        self._serve = serve
        self._server: asyncio.Server | None = None
        self._talks: set[asyncio.Task[None]] = set()
        self._idle: set[asyncio.Task[None]] = set()  # of these, the ones with nothing to answer

    async def start(self) -> None:
        """Listen; the state directory's lock has made sure that no other service does."""
        self._path.unlink(missing_ok=True)
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        before = os.umask(0o177)  # the socket is made with mode 0600, not made so later
        try:
            with _short_path(self._path) as path:
                listener.bind(path)
        except OSError as error:
            listener.close()
            raise OSError(error.errno, f"{self._path}: {error.strerror}") from error
        finally:
            os.umask(before)
        self._server = await asyncio.start_unix_server(self._talk, sock=listener, limit=LONGEST_LINE)

    async def stop(self) -> None:
        """Listen no more, and hang up: at once where nothing is being answered, else within a second."""
        if self._server is None:
            return
        server, self._server = self._server, None
        server.close()
        self._path.unlink(missing_ok=True)
        for task in self._idle:
            task.cancel()
        if self._talks:
            await asyncio.wait(self._talks, timeout=FAREWELL)
        for task in self._talks:
            task.cancel()
        if self._talks:
            await asyncio.wait(self._talks)

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._talks.add(task)
        try:
            while self._server is not None:
                self._idle.add(task)
                line = await _line(reader)
                self._idle.discard(task)
                if line == b"":
                    break
                answer = TOO_LONG if line is None else await self._answer(line)
                writer.write(json.dumps(answer).encode() + b"\n")
                await writer.drain()
                if line is None:
                    break
        except (ConnectionError, asyncio.CancelledError):
            pass
        finally:
            self._talks.discard(task)
            self._idle.discard(task)
            writer.close()

    async def _answer(self, line: bytes) -> dict[str, Any]:
        try:
            command = json.loads(line)
        except (ValueError, RecursionError):
            command = None
        if not isinstance(command, dict):
            return {"ok": False, "text": "a command is one JSON object on one line"}
        try:
            return await self._serve(command)
        except Exception as error:  # a fault of ours in one command must not reach whoever else is served
            log.error(
                "a command failed in an unforeseen way", command=command.get("command"), error=repr(error)
            )
            return {"ok": False, "text": "this command met a fault in the service; its log says more"}


async def _line(reader: asyncio.StreamReader) -> bytes | None:
    """One line, b"" at the end, None for one that is too long."""
    try:
        return await reader.readline()
    except ValueError:
        return None


def ask(folder: Path, command: dict[str, Any], *, patience: float = PATIENCE) -> dict[str, Any]:
    """Send one command to the running service and wait for its answer; ServiceNotRunning if there is none."""
    path = folder / SOCKET_NAME
    client = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    client.settimeout(patience)
    with client:
        try:
            with _short_path(path) as short:
                client.connect(short)
            client.sendall(json.dumps(command).encode() + b"\n")
            answer = b""
            while not answer.endswith(b"\n"):
                part = client.recv(65_536)
                if not part:
                    break
                answer += part
        except TimeoutError:
            raise ServiceNotRunning(f"{path}: the service does not answer within {patience:g} s") from None
        except OSError as error:
            raise ServiceNotRunning(f"{path}: no service is listening ({error.strerror})") from None
    if not answer.endswith(b"\n"):
        raise ServiceNotRunning(f"{path}: the service ended before it answered; ask again to be sure")
    found: dict[str, Any] = json.loads(answer)
    return found


class _short_path:  # lower case: it reads as a function
    """A name for a socket's path that fits the 107 bytes that Linux allows: through the folder's descriptor."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._folder = -1

    def __enter__(self) -> str:
        if len(os.fsencode(self._path)) < 100:
            return str(self._path)
        self._folder = os.open(self._path.parent, os.O_PATH | os.O_DIRECTORY)
        return f"/proc/self/fd/{self._folder}/{self._path.name}"

    def __exit__(self, *_: object) -> None:
        if self._folder >= 0:
            os.close(self._folder)
