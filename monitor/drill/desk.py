"""Drills as they are asked for over the control socket and by calendar: read, given to the engine, reported."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from typing import Any, Final

from monitor.core.drill import WAIT
from monitor.core.effects import DrillAsked, DrillStopped
from monitor.core.engine import Engine

COMMANDS: Final = ("drill", "drill-stop")  # no set: what is asked for may not be hashable
STATE: Final = "drill-state"
MOST_WORD: Final = 80  # characters of a name that are looked at


def event(command: Mapping[str, Any], token: str) -> DrillAsked | DrillStopped:
    """What a command asks of the engine, which judges it."""
    unit = _word(command.get("unit"))
    if command.get("command") == "drill-stop":
        return DrillStopped(token=token, unit=unit, drill=_word(command.get("drill")))
    to, wait = command.get("to"), command.get("wait", WAIT)
    return DrillAsked(
        token=token,
        unit=unit,
        to=None if to is None else _word(to),
        priority=_word(command.get("priority", "medium")),
        wait=wait if isinstance(wait, int) and not isinstance(wait, bool) else 0,
        by="calendar" if command.get("by") == "calendar" else "command",
        seal=secrets.token_hex(16),
    )


def report(engine: Engine, command: Mapping[str, Any]) -> dict[str, Any]:
    """How far a drill has come."""
    found = engine.drills.report(_word(command.get("drill")))
    if found is None:
        return {"ok": False, "text": "There is no such drill; of each unit the last one is kept."}
    return {"ok": True, "now": engine.now, **found}


def _word(value: object) -> str:
    return value[:MOST_WORD] if isinstance(value, str) else ""
