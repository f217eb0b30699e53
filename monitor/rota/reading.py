"""The rota of a running service: read from its calendars, given to the engine, or refused and said so.

The last good rota is stored with everything else. So a rota that breaks while the service runs, or while it is being
restarted at night, leaves nobody without those who were known to be on duty; only a site that never had a good one does
not start with a broken one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import structlog

from monitor.core.duties import known_until
from monitor.core.effects import RotaRead, TroubleSeen
from monitor.core.instants import DAY
from monitor.core.problems import ProblemsFound
from monitor.core.rota import Rota
from monitor.core.site import Site
from monitor.core.troubles import ROTA_ENDS, ROTA_UNREAD
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.adapters.calendar import RotaFound
    from monitor.service import Service

log = structlog.get_logger(__name__)

REPLAYED: Final = 100 * DAY  # ms of a trace for which a replay knows who was on duty
SOON: Final = (
    7 * DAY
)  # ms before the end of what is known from which that is told too; common practice, no source


def rota_of(settings: Settings, now: int) -> RotaFound | None:
    """The rota as its files say it now; None for a site that has no calendars."""
    if settings.rota_dir is None:
        return None
    from monitor.adapters.calendar import known_to, read_rota  # sites without calendars spare time and memory

    return read_rota(settings.rota_dir, known_to(settings.site), now)


def site_at(settings: Settings, at: int) -> Site:
    """The site with the rota of its files around an instant of the past, for a replay; raises ProblemsFound."""
    if settings.rota_dir is None:
        return settings.site
    from monitor.adapters.calendar import known_to, read_between

    found = read_between(settings.rota_dir, known_to(settings.site), at - DAY, at + REPLAYED)
    if found.problems:
        raise ProblemsFound(found.problems)
    rota = Rota(settings.site.rota.fixed, shifts=found.spans, named=found.named, until=found.until)
    return replace(settings.site, rota=rota, _compiled={})


def refuse_without(rota: RotaFound | None, rows: Mapping[str, str]) -> None:
    """Raise ProblemsFound for a broken rota where the stored `rows` hold no good one."""
    if rota is not None and rota.problems and known_until(rows) is None:
        raise ProblemsFound(rota.problems)


def begin(service: Service, rota: RotaFound | None, rows: Mapping[str, str]) -> None:
    """At a start, after the engine has taken what was stored: the rota as it is now."""
    if rota is None and known_until(rows) is not None:
        service.take(RotaRead(shifts=(), named=(), until=None))
    elif rota is not None:
        take(service, rota)


def take(service: Service, rota: RotaFound) -> bool:
    """Give a reading to the engine, if it is good; else say so, and keep what is in force."""
    if not rota.problems:
        service.take(RotaRead(shifts=rota.spans, named=rota.named, until=rota.until))
        log.info("rota read", files=rota.files, shifts=len(rota.spans))
        return True
    count = len(rota.problems)
    # Where and how many, and no more: what a calendar says may name somebody. `secondbell check` says all of it.
    files = sorted({problem.file for problem in rota.problems})[:5]
    said = "rota not read; the last good one goes on; `secondbell check` names each mistake"
    log.error(said, files=files, problems=count)
    service.note("rota-unread", problems=count)
    until = service.engine.site.rota.until
    service.take(TroubleSeen(trouble=ROTA_UNREAD, facts={"problems": count, "until": until}))
    look_at_end(service)
    return False


def look_at_end(service: Service) -> None:
    """Tell that the rota runs out, where it cannot be read and its end is near."""
    until = service.engine.site.rota.until
    if until is not None and until - service.now() < SOON:
        service.take(TroubleSeen(trouble=ROTA_ENDS, facts={"until": until}))
