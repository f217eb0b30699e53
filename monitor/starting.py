"""What a start puts into the trail: after which gap, what of the configuration has changed, what is doubtful."""

from __future__ import annotations

from typing import TYPE_CHECKING

import structlog

from monitor import __version__, configuration
from monitor.core.effects import TroubleOver, TroubleSeen
from monitor.core.technical import GAP
from monitor.core.troubles import BACK, SITE_UNREAD, TRAIL_DOUBTFUL

if TYPE_CHECKING:
    from monitor.service import Service

log = structlog.get_logger(__name__)


def note_start(service: Service, now: int, doubt: str | None, configured: str | None) -> None:
    """Put the start into the trail: after which gap, and what of the configuration has changed."""
    watched = [service.engine.technical.alive, service.engine.memo.get("last")]
    last = max((int(at) for at in watched if at is not None), default=now)
    asked = service.engine.memo.pop("stopped", None) is not None
    gap = {"gap": max(0, now - last)} if any(watched) else {}
    service.engine.note("started", version=__version__, **gap)
    if now - last > GAP:
        service.engine.receive(TroubleSeen(trouble=BACK, facts={**gap, "asked": asked}), now)
    digest = service.settings.digest
    changed = service.engine.memo.get("configuration") != digest
    if changed or configured is None:
        parts = configuration.parts_of(service.settings)
        service.engine.keep("configuration", "parts", configuration.as_text(parts))
        if changed:
            told = configuration.differences(configured, parts, service.engine.journal.key)
            service.engine.note("configuration-changed", digest=digest, **told)
            service.engine.memo["configuration"] = digest
    if doubt is not None:
        log.error("trail doubtful", why=doubt)
        service.engine.note("trail-doubtful", why=doubt)
        service.engine.receive(TroubleSeen(trouble=TRAIL_DOUBTFUL, facts={"why": doubt}), now)
    service.engine.resume()
    if service.record is not None:
        service.record.begin(service)
    service.engine.receive(TroubleOver(trouble=SITE_UNREAD), now)  # or it would not have been read now
