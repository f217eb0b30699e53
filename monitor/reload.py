"""Taking a changed site file and rule book into a running service: checked first; a wrong one changes nothing."""

from __future__ import annotations

import asyncio
from pathlib import Path

import structlog

from monitor.core.problems import Problem, ProblemsFound
from monitor.service import Service
from monitor.settings import load

log = structlog.get_logger(__name__)

UNCHANGED = "The site file says what it said: nothing was changed."
TAKEN = "The site file is taken: the service goes on with it in a moment."


async def reload(service: Service, site_file: Path) -> tuple[bool, list[str]]:
    """Let a service begin again with what its site file says now; whether it does, and what is to be said.

    What is wrong with the file is said by name, logged and put into the trail, and what runs is kept.
    """
    try:
        settings = await asyncio.to_thread(load, site_file, key=b"")
    except ProblemsFound as found:
        problems = list(found.problems)
    else:
        problems = []
        for key, before, now in (
            ("site.name", service.site.name, settings.site.name),
            ("site.state_dir", service.settings.state_dir, settings.state_dir),
        ):
            if before != now:
                expected = f"{str(before)!r} for as long as the service runs"
                problems.append(Problem(str(site_file), key, repr(str(now)), expected))
        if not problems and settings.digest == service.settings.digest:
            log.info("reload", said=UNCHANGED)
            return True, [UNCHANGED]
    if problems:
        for problem in problems:
            log.error("reload refused; what runs is kept", problem=str(problem))
        # How many and no more: keys and values may name somebody, and the trail cannot be erased.
        service.note("reload-refused", problems=len(problems))
        return False, [str(problem) for problem in problems]
    log.info("reload", said=TAKEN)
    service.begin_again()
    return True, [TAKEN]
