"""/health as JSON and /metrics as OpenMetrics, for other programs of this machine.

Answered by the loop that works through the rules, of what that loop knows: if it hangs, nobody answers, and if its
commits hang, the age of the last one says so.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from monitor.web.health import Watched, health
from monitor.web.health_settings import HealthSettings
from monitor.web.listener import Listener
from monitor.web.metrics import registry_of

CONNECTIONS: Final = 8  # at once: a scraper or two
PLAIN: Final = {"cache-control": "no-store", "x-content-type-options": "nosniff"}


def health_listener(service: Watched, settings: HealthSettings) -> Listener:
    """The server, not started yet."""
    return Listener(health_app(service), settings.host, settings.port, connections=CONNECTIONS)


def health_app(service: Watched) -> Starlette:
    """The two pages."""
    registry = registry_of(service)

    async def health_page(_: Request) -> Response:
        said = health(service)
        return JSONResponse(said, status_code=200 if said["ok"] else 503, headers=PLAIN)

    async def metrics_page(_: Request) -> Response:
        text: Callable[..., bytes] = generate_latest
        return Response(text(registry), headers={**PLAIN, "content-type": CONTENT_TYPE_LATEST})

    return Starlette(routes=[Route("/health", health_page), Route("/metrics", metrics_page)])
