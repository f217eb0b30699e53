"""Taking a changed site file, rule book and rota into a running service: checked first; a wrong one changes nothing."""

from __future__ import annotations

import asyncio
from pathlib import Path

import structlog

from monitor.core.effects import TroubleOver, TroubleSeen
from monitor.core.problems import Problem, ProblemsFound
from monitor.core.troubles import SITE_UNREAD
from monitor.rota import reading as rota_reading
from monitor.service import Service
from monitor.settings import load, unusable
from monitor.web.settings import unaskable, unservable

log = structlog.get_logger(__name__)

UNCHANGED = "The site file says what it said: nothing was changed."
TAKEN = "The site file is taken: the service goes on with it in a moment."
ROTA_TAKEN = "The rota is read: it counts from now on."


async def reload(service: Service, site_file: Path, *, asked: bool = True) -> tuple[bool, list[str]]:
    """Let a service go on with what its site file and its rota say now; whether it does, and what is to be said.

    What is wrong is said by name, logged and put into the trail, and what runs is kept, whole. If nobody `asked`, as a
    file has changed by itself, the technical contact is told; and the rota alone is looked after elsewhere.
    """
    try:
        settings = await asyncio.to_thread(load, site_file, key=b"")
    except ProblemsFound as found:
        return _refused(service, list(found.problems), asked=asked)
    problems = []
    for key, before, now in (
        ("site.name", service.site.name, settings.site.name),
        ("site.state_dir", service.settings.state_dir, settings.state_dir),
    ):
        if before != now:
            expected = f"{str(before)!r} for as long as the service runs"
            problems.append(Problem(str(site_file), key, repr(str(now)), expected))
    problems += await asyncio.to_thread(unusable, settings)
    problems += await asyncio.to_thread(unservable, settings.pages, service.settings.pages, str(site_file))
    problems += await asyncio.to_thread(unaskable, settings.health, service.settings.health, str(site_file))
    if problems:
        return _refused(service, problems, asked=asked)
    if same := settings.digest == service.settings.digest:
        service.take(TroubleOver(trouble=SITE_UNREAD))
        if not asked:
            return True, [UNCHANGED]
    rota = await asyncio.to_thread(rota_reading.rota_of, settings, service.now())
    if same:
        if rota is None:
            log.info("reload", said=UNCHANGED)
            return True, [UNCHANGED]
        if rota_reading.take(service, rota):
            log.info("reload", said=ROTA_TAKEN)
            return True, [ROTA_TAKEN]
        return False, [str(problem) for problem in rota.problems]
    if rota is not None and rota.problems:  # it may be the site file that no longer fits the rota
        return _refused(service, list(rota.problems), asked=asked, shown=False)
    log.info("reload", said=TAKEN)
    service.begin_again()
    return True, [TAKEN]


def _refused(
    service: Service, problems: list[Problem], *, asked: bool, shown: bool = True
) -> tuple[bool, list[str]]:
    for problem in problems:
        # What a calendar says may name somebody: of that the log has the file alone.
        said = str(problem) if shown else f"{problem.file}: see `secondbell check`"
        log.error("reload refused; what runs is kept", problem=said)
    # How many and no more: keys and values may name somebody, and the trail cannot be erased.
    service.note("reload-refused", problems=len(problems))
    if not asked:
        service.take(TroubleSeen(trouble=SITE_UNREAD, facts={"problems": len(problems)}))
    return False, [str(problem) for problem in problems]
