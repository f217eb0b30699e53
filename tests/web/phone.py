"""A phone: what is seen and pressed on the pages of a running service, without a script."""

from __future__ import annotations

import contextlib
import html
import re
import socket
from collections.abc import AsyncIterator
from pathlib import Path

import httpx

from monitor.core.site import Person, Site
from tests.night import SECOND, SITE_KEY, TEN, Ward, ward
from tests.ward_site import site_text

BASE = "https://bell.example.invalid"


def free_port() -> int:
    """A port of loopback that nobody has at the moment."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


class Phone:
    """One phone; every page that it sees is looked at for what no page may have."""

    def __init__(self, port: int, client: httpx.AsyncClient) -> None:
        self.port, self._client = port, client

    async def open(self, path: str, method: str = "GET") -> httpx.Response:
        """Open a path, or a whole link of a notice."""
        path = path.removeprefix(BASE)
        return self._seen(await self._client.request(method, path))

    async def press(self, page: httpx.Response, answer: str, **fields: str) -> httpx.Response:
        """Press a button of a page; the page that comes after it."""
        form = {"answer": answer, "form": forms(page).get(answer, ""), **fields}
        return await self.send(page.url.path, form)

    async def send(self, path: str, form: dict[str, str]) -> httpx.Response:
        """Send a form, and go where the answer says."""
        found = self._seen(await self._client.post(path, data=form))
        if found.status_code != 303:
            return found
        return self._seen(
            await self._client.get(
                httpx.URL(f"http://127.0.0.1{path}").join(found.headers["location"]).raw_path.decode()
            )
        )

    async def code(self, code: str, person: str, **headers: str) -> httpx.Response:
        """Type a code."""
        found = self._seen(
            await self._client.post("/code", data={"code": code, "person": person}, headers=headers)
        )
        return found if found.status_code != 303 else await self.open("/" + found.headers["location"])

    @staticmethod
    def _seen(found: httpx.Response) -> httpx.Response:
        if found.status_code == 429 and not found.headers["content-type"].startswith("text/html"):
            return found
        policy = found.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script" not in policy
        assert "frame-ancestors 'none'" in policy
        assert found.headers["referrer-policy"] == "no-referrer"
        assert found.headers["cache-control"] == "no-store"
        assert found.headers["x-content-type-options"] == "nosniff"
        assert not re.search(r"<script|https?://|src=|@import|url\(", found.text)
        assert "server" not in found.headers
        return found


def forms(page: httpx.Response) -> dict[str, str]:
    """The buttons of a page: answer -> its form's token."""
    return dict(
        re.findall(
            r'name="answer" value="([a-z-]+)"><input type="hidden" name="form" value="([^"]+)"', page.text
        )
    )


def words(page: httpx.Response) -> str:
    """What a page says, in one line."""
    body = re.sub(r"<style>.*?</style>", "", page.text, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


@contextlib.asynccontextmanager
async def phone_night(folder: Path, more: str = "", pages: str = "") -> AsyncIterator[tuple[Ward, Phone]]:
    """A ward with its service under a stepped clock, and a phone that reaches it."""
    async with ward(folder) as made:
        port = free_port()
        text = site_text(made.broker.address, smtp=made.smtp.port, snpp=made.snpp.port)
        made.write_site(f'{text}\n[pages]\nlisten = "127.0.0.1:{port}"\nbase_url = "{BASE}"\n{pages}\n{more}')
        await made.monitor.start(TEN)
        await made.step(TEN)
        await made.step(TEN + 2 * SECOND)
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", trust_env=False) as client:
            yield made, Phone(port, client)


def site(*people: str) -> Site:
    """A site with the key of every ward, for links made outside of it."""
    listed = {name: Person(id=name, called=name, reach=()) for name in people}
    return Site(name="larkfield", key=SITE_KEY, last_resort="manager", people=listed, base_url=BASE)


def link_in(text: str) -> str:
    """The link that a mail has."""
    found = re.search(rf"{re.escape(BASE)}/a/[\w-]+", text)
    assert found is not None, text
    return found[0]
