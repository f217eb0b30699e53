"""Taking a changed site file and rule book into a running service: checked first; a wrong one changes nothing."""

from __future__ import annotations

import asyncio
from pathlib import Path

import structlog

from monitor.core.problems import ProblemsFound
from monitor.service import Service
from monitor.settings import load

log = structlog.get_logger(__name__)

MOST_NAMED = 20  # problems that the trail names; the log and the answer have them all
UNCHANGED = "The site file says what it said: nothing was changed."
TAKEN = "The site file is taken: the service goes on with it in a moment."


async def reload(service: Service, site_file: Path) -> tuple[bool, list[str]]:
    """Let a service begin again with what its site file says now; whether it does, and what is to be said.

    What is wrong with the file is said by name, logged and put into the trail, and what runs is kept.
    """
    try:
        settings = await asyncio.to_thread(load, site_file, key=b"")
    except ProblemsFound as found:
        said = [str(problem) for problem in found.problems]
    else:
        said = []
        for key, before, now in (
            ("site.name", service.site.name, settings.site.name),
            ("site.state_dir", service.settings.state_dir, settings.state_dir),
        ):
            if before != now:
                said.append(
                    f"{site_file}: {key}: {str(now)!r}: expected {str(before)!r} while the service runs"
                )
        if not said and settings.digest == service.settings.digest:
            log.info("reload", said=UNCHANGED)
            return True, [UNCHANGED]
    if said:
        for problem in said:
            log.error("reload refused; what runs is kept", problem=problem)
        # Without the values, which may be anything: the trail cannot be erased.
        places = [problem.split(": ")[1] for problem in said if problem.count(": ") > 1]
        service.note("reload-refused", problems=len(said), keys=places[:MOST_NAMED])
        return False, said
    log.info("reload", said=TAKEN)
    service.begin_again()
    return True, [TAKEN]
