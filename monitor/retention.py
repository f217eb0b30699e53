"""The daily chore: what has been kept for long enough is let go, a little at a time, while the service runs.

How long is said here for notices and unreadable messages, by the site file for marks and for the trail's texts.
"""

from __future__ import annotations

import asyncio
import json
from functools import partial
from typing import TYPE_CHECKING, Final

import structlog

from monitor.adapters.store_errors import StoreError
from monitor.adapters.store_reader import StoreReader
from monitor.core import chronicle
from monitor.core.books import day_of
from monitor.core.changes import ASIDE
from monitor.core.instants import DAY

if TYPE_CHECKING:
    from monitor.service import Service
    from monitor.settings import Settings

log = structlog.get_logger(__name__)

KEEP_QUARANTINE: Final = 30  # days; common practice, no source
KEEP_NOTICES: Final = 90  # days; the trail keeps that they were sent, and the SHA-256 of what they said
AT_ONCE: Final = 50  # devices of which old marks are removed together: some thousand rows


async def retain(service: Service) -> None:
    """The daily chore: forget notices, unreadable messages and marks that have been kept for long enough."""
    now = service.now()
    before = day_of(now - KEEP_QUARANTINE * DAY)
    try:
        old = await asyncio.to_thread(old_notices, service.settings, now - KEEP_NOTICES * DAY)
        rows = [(kind, key) for key in old for kind in ("notice", ASIDE["notice"])]
        prune = service.store.prune
        pruned = await service.in_store(partial(prune, rows=rows, quarantine_before=before))
        ranges = await asyncio.to_thread(old_marks, service.settings, now - service.settings.handover.keep)
        marks = 0
        for start in range(0, len(ranges), AT_ONCE):  # what is to be stored goes in between
            marks += (await service.in_store(partial(prune, ranges=ranges[start : start + AT_ONCE]))).rows
        texts = 0 if service.record is None else await service.record.retain(service)
    except StoreError as error:
        log.error("the daily chore could not be done", why=str(error))
        return
    log.info("retention", notices=pruned.rows, quarantined=pruned.quarantined, marks=marks, texts=texts)


def old_notices(settings: Settings, before: int) -> list[str]:
    """The keys of notices that ended before an instant."""
    with StoreReader(settings.state_dir, site=settings.site.name) as reader:
        found = {key: json.loads(text)[1] for key, text in reader.rows("notice").items()}
    return [key for key, notice in found.items() if notice["ended"] is not None and notice["ended"] < before]


def old_marks(settings: Settings, before: int) -> list[tuple[str, str, str]]:
    """The ranges of rows that hold the marks of each device from before an instant."""
    with StoreReader(settings.state_dir, site=settings.site.name) as reader:
        firsts = list(reader.firsts(chronicle.KIND, "|"))
    devices = [first.rpartition("|")[0] for first in firsts]
    found = [(chronicle.key(device, 0), chronicle.key(device, before)) for device in devices]
    return [(chronicle.KIND, *ends) for first, ends in zip(firsts, found, strict=True) if first < ends[1]]
