"""A small HTTP server that keeps every JSON event posted to it, and misbehaves as it is told."""

from __future__ import annotations

import asyncio
import json
import ssl
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Literal

import h11


@dataclass(frozen=True, slots=True, kw_only=True)
class Post:
    """One request as it came: header fields by their names in lower case."""

    method: str
    target: str
    fields: dict[str, str]
    body: bytes

    @property
    def event(self) -> dict[str, Any]:
        """The body read."""
        found: dict[str, Any] = json.loads(self.body)
        return found


@dataclass(slots=True, kw_only=True)
class PostManners:
    """How the sink behaves; all of it may be changed while it runs.

    - `status`, `said`: the answer and its body; only with a 2xx is the post kept.
    - `header`: one more header field of the answer.
    - `unknown`: recipients that get 404.
    - `busy_first`: so many posts get 503 before one is taken.
    - `hang_at`: say nothing from there on; `connect` is before TLS, `answer` after the whole request.
    - `drop_after_post`: keep the post, then close without an answer.
    """

    status: int = 202
    said: str = "kept"
    header: tuple[str, str] | None = None
    unknown: frozenset[str] = frozenset()
    busy_first: int = 0
    hang_at: Literal["connect", "answer"] | None = None
    drop_after_post: bool = False
    posts: list[Post] = field(default_factory=list)


class PostSink:
    """Use `async with`, or `start` and `stop`; runs in the loop that calls. `tls` None: plain HTTP."""

    def __init__(self, *, tls: ssl.SSLContext | None = None, manners: PostManners | None = None) -> None:
        self.host, self.port = "127.0.0.1", 0
        self.manners = manners or PostManners()
        self.connections = 0
        self._tls = tls
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def posts(self) -> list[Post]:
        """What was kept."""
        return self.manners.posts

    @property
    def url(self) -> str:
        """Where to post to."""
        return f"http{'s' if self._tls is not None else ''}://{self.host}:{self.port}/notices"

    async def start(self) -> None:
        """Listen."""

        def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            self._tasks.add(asyncio.get_running_loop().create_task(self._serve(reader, writer)))

        self._server = await asyncio.start_server(accept, self.host, 0)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Close the port and every connection."""
        assert self._server is not None
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await asyncio.sleep(0)
        await self._server.wait_closed()

    async def __aenter__(self) -> PostSink:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        with suppress(OSError, h11.RemoteProtocolError):
            try:
                await self._hang_if("connect")
                if self._tls is not None:
                    await writer.start_tls(self._tls)
                await self._answer(reader, writer)
            finally:
                writer.transport.abort()

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connection = h11.Connection(h11.SERVER)
        request, body = None, b""
        while True:
            event = connection.next_event()
            if event is h11.NEED_DATA:
                connection.receive_data(await reader.read(65_536))
            elif isinstance(event, h11.Request):
                request = event
            elif isinstance(event, h11.Data):
                body += bytes(event.data)
            else:
                break
        if request is None or not isinstance(event, h11.EndOfMessage):
            return
        await self._hang_if("answer")
        fields = {name.decode(): value.decode() for name, value in request.headers}
        post = Post(method=request.method.decode(), target=request.target.decode(), fields=fields, body=body)
        status, said = self._judge(post)
        if 200 <= status <= 299:
            self.posts.append(post)
        if self.manners.drop_after_post:
            return
        text = said.encode()
        more = [] if self.manners.header is None else [self.manners.header]
        answer = h11.Response(
            status_code=status, headers=[("content-length", str(len(text))), ("connection", "close"), *more]
        )
        for part in (answer, h11.Data(data=text), h11.EndOfMessage()):
            writer.write(connection.send(part) or b"")
        await writer.drain()
        writer.close()
        await writer.wait_closed()

    def _judge(self, post: Post) -> tuple[int, str]:
        manners = self.manners
        if manners.busy_first > 0:
            manners.busy_first -= 1
            return 503, "busy"
        if post.event["data"]["to"] in manners.unknown:
            return 404, "nobody of that name"
        return manners.status, manners.said

    async def _hang_if(self, step: str) -> None:
        if self.manners.hang_at == step:
            await asyncio.get_running_loop().create_future()
