"""The page on a phone over HTTP: opening it changes nothing, a button gives one answer, whatever is wrong says little.

No address of a page is logged, no script runs, nothing is loaded from elsewhere.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from importlib.resources import files
from typing import Any, Final
from urllib.parse import parse_qsl

import jinja2
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from monitor.core.effects import LinkRefused
from monitor.core.instants import MINUTE
from monitor.core.messages import PERSON_FORM
from monitor.core.phone_page import ELSEWHERE, REASONS
from monitor.core.phrases import one_line
from monitor.web.forms import Forms
from monitor.web.gate import Gate, client_behind
from monitor.web.views import Opened, Refused, Views

BODY: Final = 4_096  # bytes of a form: a reason in full, each sign of it written as %XX%XX%XX
FIELDS: Final = 8
MOST_SAID: Final = 1_000  # outcomes that are still to be shown
SAID_FOR: Final = 10 * MINUTE
LONGEST_ID: Final = 80

Answer = Callable[[str, Opened, str | None, int | None], Awaitable[tuple[bool, str]]]


class Phone:
    """The pages of one site."""

    def __init__(
        self,
        views: Views,
        gate: Gate,
        *,
        answer: Answer,
        refused: Callable[[LinkRefused], None],
        now: Callable[[], int],
        tick: Callable[[], int],
        proxies: int = 0,
        codes: bool = False,
    ) -> None:
        """`now` is the engine's clock (ms UTC), `tick` one that never goes back (ms); `refused` tells the trail."""
        self._views, self._gate, self._give, self._refused = views, gate, answer, refused
        self._now, self._tick, self._proxies = now, tick, proxies
        self._forms = Forms()
        self._said: OrderedDict[str, tuple[int, str, bool, str]] = OrderedDict()  # until, link, ok, text
        self._unsaid = 0
        self._templates = _templates()
        routes = [
            Route("/a/{token}", self._show, methods=["GET"]),
            Route("/a/{token}", self._answer, methods=["POST"]),
        ]
        if codes:
            routes += [
                Route("/", self._code_page, methods=["GET"]),
                Route("/code", self._code, methods=["POST"]),
            ]
        self.app = Starlette(routes=routes, exception_handlers={404: self._lost, 405: self._lost})
        # Its own answer to a path with a / too many would name the host that the request names, count for nothing at
        # the gate, and leave the connection open for any number of them.
        self.app.router.redirect_slashes = False

    # ---- a link ----------------------------------------------------------------------------------------------------

    async def _show(self, request: Request) -> Response:
        """Show what a link opens; nothing is changed by it, however often it is opened and by whatever."""
        if (busy := self._busy(request)) is not None:
            return busy
        token = request.path_params["token"]
        opened = self._views.opened(token, self._now())
        if isinstance(opened, Refused):
            return self._no(opened)
        said = self._said.get(request.query_params.get("s", "")[:40])
        if said is not None and (said[0] < self._tick() or said[1] != token):
            said = None
        return self._page(token, opened, said[2:] if said else None)

    def _page(
        self, token: str, opened: Opened, said: tuple[bool, str] | None = None, status: int = 200
    ) -> Response:
        shown, tick = opened.shown, self._tick()
        page = self._views.sheet(opened, self._now())
        forms = {each.answer: self._forms.token(token, shown, each.answer, tick) for each in page.choices}
        members = [
            (member.text, self._views.token_beside(opened, member.reference) if member.reference else "")
            for member in page.members
        ]
        return self._html("concern.html", status, page=page, members=members, forms=forms, said=said)

    async def _answer(self, request: Request) -> Response:
        """Take one answer from the button of a page, once."""
        if (busy := self._busy(request)) is not None:
            return busy
        token, now = request.path_params["token"], self._now()
        opened = self._views.opened(token, now)
        if isinstance(opened, Refused):
            return self._no(opened)
        form = await self._form(request)
        if form is None:
            return self._html("wrong.html", 400)
        opened = self._views.opened(token, now)  # time has passed while the form came
        if isinstance(opened, Refused):
            return self._no(opened)
        answer = form.get("answer", "")
        offered = {each.answer: each for each in self._views.sheet(opened, now).choices}
        wrong = self._forms.take(form.get("form", ""), token, opened.shown, answer, self._tick())
        if wrong is not None or answer not in offered:
            self._tell("form", wrong or "not offered", opened.person, opened.reference)
            said = (
                False,
                "Nothing was done: it has changed meanwhile, or this was pressed before. Look again.",
            )
            return self._page(token, opened, said, 409)
        reason, until = self._details(form), None
        if offered[answer].minutes:
            minutes = form.get("minutes", "")
            if minutes not in map(str, offered[answer].minutes):
                return self._page(token, opened, (False, "Nothing was done: say for how long."), 400)
            if not reason:
                return self._page(token, opened, (False, "Nothing was done: say why."), 400)
            until = now + int(minutes) * MINUTE
        ok, text = await self._give(answer, opened, reason, until)
        ident = secrets.token_urlsafe(12)
        self._said[ident] = (self._tick() + SAID_FOR, token, ok, text)
        while len(self._said) > MOST_SAID:
            self._said.popitem(last=False)
        return self._finished(Response(status_code=303, headers={"location": f"{token}?s={ident}"}))

    def _details(self, form: dict[str, str]) -> str | None:
        """The reason chosen, and what was written beside it."""
        chosen = [reason for reason in (*REASONS, *ELSEWHERE) if reason == form.get("why")]
        return "; ".join(filter(None, [*chosen, one_line(form.get("words", ""), 100)])) or None

    # ---- a code ----------------------------------------------------------------------------------------------------

    async def _code_page(self, request: Request) -> Response:
        """Where a code can be typed, for those whose notice has no link."""
        return self._busy(request) or self._html("code.html")

    async def _code(self, request: Request) -> Response:
        """Go from a code and a person's id to its page; too many wrong ones close this way for a while."""
        if (busy := self._busy(request)) is not None:
            return busy
        form = await self._form(request)
        if form is None:
            return self._html("wrong.html", 400)
        client, tick = self._client(request), self._tick()
        if not self._gate.may_try(client, tick):
            self._tell("code", "too many wrong ones")
            return self._html(
                "code.html", 429, said="Too many wrong codes. Wait 10 minutes; links still work."
            )
        code, person = form.get("code", "")[:LONGEST_ID], form.get("person", "").strip()[:LONGEST_ID]
        token = self._views.by_code(code, person, self._now())
        if token is None:
            self._gate.wrong(client, tick)
            self._tell("code", "no such code for this person")
            said = "This code and id do not go together. Look at your notice again."
            return self._html("code.html", 403, said=said)
        return self._finished(Response(status_code=303, headers={"location": f"a/{token}"}))

    # ---- what is wrong ---------------------------------------------------------------------------------------------

    def _no(self, refused: Refused) -> Response:
        """A link that opens nothing: the same page whatever is wrong, but for one that has expired."""
        self._tell("link", refused.why, refused.person, refused.concern)
        return (
            self._html("expired.html", 410) if refused.why == "expired" else self._html("nothing.html", 404)
        )

    async def _lost(self, request: Request, error: Exception) -> Response:
        del error
        return self._busy(request) or self._html("nothing.html", 404)

    def _tell(self, what: str, why: str, person: str | None = None, concern: str | None = None) -> None:
        """Put a refusal into the trail, as far as there is room for more of them."""
        if not self._gate.may_say(self._tick()):
            self._unsaid += 1
            return
        unsaid, self._unsaid = self._unsaid, 0
        self._refused(LinkRefused(what=what, why=why, person=person, concern=concern, unsaid=unsaid))

    def _busy(self, request: Request) -> Response | None:
        """The answer to one request too many; without proxies those of one client were turned away at the door."""
        tick = self._tick()
        if (self._proxies == 0 or self._gate.client(self._client(request), tick)) and self._gate.anybody(
            tick
        ):
            return None
        text = "Too many requests. Wait a few seconds and look again.\n"
        return self._finished(Response(text, 429, {"retry-after": "5"}, "text/plain"))

    def _client(self, request: Request) -> str:
        peer = request.client.host if request.client else ""
        # A proxy may append a line of its own to those that the client sent (RFC 9110 §5.3: they are one list).
        forwarded = ", ".join(request.headers.getlist("x-forwarded-for"))
        return client_behind(peer, forwarded, self._proxies)

    async def _form(self, request: Request) -> dict[str, str] | None:
        """The fields of a form; None for what no page of ours sends."""
        kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if kind != "application/x-www-form-urlencoded":
            return None
        if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return None  # another site's page has sent it (W3C Fetch Metadata)
        body = b""
        async for chunk in request.stream():
            body += chunk
            if len(body) > BODY:
                return None
        try:
            text = body.decode("ascii")
            return dict(parse_qsl(text, keep_blank_values=True, max_num_fields=FIELDS, errors="strict"))
        except ValueError:
            return None

    # ---- writing ---------------------------------------------------------------------------------------------------

    def _html(self, name: str, status: int = 200, **values: Any) -> Response:
        template = self._templates.get_template(name)
        return self._finished(HTMLResponse(template.render(values), status))

    def _finished(self, response: Response) -> Response:
        response.headers.update(_HEADERS)
        return response


_STYLE: Final = files("monitor.web").joinpath("templates", "style.css").read_text(encoding="utf-8")
_HASH: Final = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
_HEADERS: Final = {
    "content-security-policy": (
        f"default-src 'none'; style-src 'sha256-{_HASH}'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "x-robots-tag": "noindex, nofollow",
    "cross-origin-opener-policy": "same-origin",
    "connection": "close",  # so each request passes the door
}


def _templates() -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("monitor.web"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    made.globals["style"] = _STYLE
    made.globals["person_form"] = PERSON_FORM
    return made
