"""Drills by calendar: each at its local time, on its days."""

from __future__ import annotations

from typing import TYPE_CHECKING

import structlog
from apscheduler.schedulers.base import BaseScheduler
from apscheduler.triggers.cron import CronTrigger

from monitor.sitefile.drill_table import DrillTable

if TYPE_CHECKING:
    from monitor.service import Service

GRACE = 300  # seconds by which a drill may be late, as after a suspended machine; later it is left out

log = structlog.get_logger(__name__)


def schedule(scheduler: BaseScheduler, service: Service) -> None:
    """Put the site's drills into the calendar."""
    for drill in service.settings.drills:
        scheduler.add_job(
            begin, trigger(drill, service.site.zone_name), args=(service, drill), misfire_grace_time=GRACE
        )


def trigger(drill: DrillTable, zone: str) -> CronTrigger:
    """When a drill is due."""
    hour, minute = divmod(drill.at, 60)
    return CronTrigger(day_of_week=",".join(drill.days), hour=hour, minute=minute, timezone=zone)


async def begin(service: Service, drill: DrillTable) -> None:
    """Ask for it; what becomes of it stands in the trail, and a missed one is a concern."""
    said = await service.drill(
        unit=drill.unit, to=drill.to, priority=drill.priority, wait=drill.wait, by="calendar"
    )
    if not said["ok"]:
        log.warning("drill", unit=drill.unit, why=said["text"])
