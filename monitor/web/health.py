"""How the service is: what `health_pages` answers other programs with. No person, place or device is named."""

from __future__ import annotations

from collections import Counter
from typing import Any, Final, Protocol

from monitor import __version__
from monitor.core.engine import Engine
from monitor.core.instants import SECOND, show
from monitor.core.troubles import CANNOT_SEND
from monitor.pulse import LATE, Pulse

MISSED: Final = 2  # signs of life in a row that may be missing before the rules count as stuck


class Watched(Protocol):
    """The service, as far as its health goes."""

    engine: Engine
    pulse: Pulse

    def now(self) -> int:
        """Its instant."""

    def late(self) -> int:
        """By how many ms its earliest deadline is overdue."""

    @property
    def dropped(self) -> int:
        """How many publications were given up."""

    @property
    def carriers(self) -> tuple[str, ...]:
        """The names of its carriers."""


def health(service: Watched) -> dict[str, Any]:
    """What /health says; `ok` is False as soon as anything of it is not as it should be."""
    engine, pulse, now = service.engine, service.pulse, service.now()
    parts: dict[str, dict[str, Any]] = {
        "sees": _sees(engine, pulse),
        "sends": _sends(engine, service.carriers),
        "stores": {"ok": pulse.unstored_since is None, "failing_since": _shown(pulse.unstored_since)},
        "rules": _rules(service, now),
    }
    if pulse.unstored_since is not None:
        parts["stores"]["why"] = pulse.unstored
    return {
        "ok": all(part["ok"] for part in parts.values()),
        "at": show(now),
        "since": show(pulse.began),
        "version": __version__,
        **parts,
        "devices": sum(not engine.site.is_drill(name) for name in engine.devices),
        "concerns": concerns(engine),
    }


def concerns(engine: Engine) -> dict[str, dict[str, int]]:
    """How many concerns are open and accepted, by priority; a drill's are nobody's."""
    found = Counter(
        (concern.priority, str(concern.state))
        for concern in engine.responsibility.in_order()
        if concern.live and not engine.site.is_drill(concern.subject)
    )
    return {
        priority: {state: found[priority, state] for state in ("open", "accepted")}
        for priority in ("high", "medium", "low")
    }


def silent_carriers(engine: Engine) -> dict[str, int]:
    """The carriers that are known not to send, and since when."""
    troubles = engine.technical.troubles.values()
    return {t.about: t.since for t in troubles if t.sort == CANNOT_SEND and t.over is None}


def bridges(engine: Engine) -> Counter[str]:
    """How many bridges are there, gone, or sending what they had stored."""
    kept = engine.sight.bridges.values()
    return Counter("gone" if not b.online else "catching-up" if b.backlog else "there" for b in kept)


def _sees(engine: Engine, pulse: Pulse) -> dict[str, Any]:
    link = pulse.link_since is not None
    return {
        "ok": link,
        "broker": link,
        "since": _shown(pulse.link_since if link else pulse.unlinked_since),
        "catching_up": engine.sight.catch_up is not None,
        "bridges_gone": bridges(engine)["gone"],  # their units have been told
    }


def _sends(engine: Engine, carriers: tuple[str, ...]) -> dict[str, Any]:
    silent = silent_carriers(engine)
    each = {name: {"ok": name not in silent, "failing_since": _shown(silent.get(name))} for name in carriers}
    return {"ok": not silent, "carriers": each}


def _rules(service: Watched, now: int) -> dict[str, Any]:
    pulse, late = service.pulse, service.late()
    age = now - (pulse.began if pulse.stepped is None else pulse.stepped)
    return {
        "ok": age <= MISSED * pulse.every + SECOND and late < LATE,
        "last_step": _shown(pulse.stepped),
        "age_ms": age,
        "late_ms": late,
    }


def _shown(at: int | None) -> str | None:
    return None if at is None else show(at)
