"""What comes over the control socket: people's answers, the service's state, and the steps of a stepped clock.

Each is answered after the commit of what it did.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Protocol

from monitor.core.answers import BY_COMMAND
from monitor.core.effects import Asked, Reply, Returned
from monitor.core.engine import Engine
from monitor.core.instants import DAY, HOUR, MINUTE, parse, parse_duration
from monitor.core.plans import Zone
from monitor.drill import desk as drill_desk

STOPPING = "Nothing was done: the service is stopping. Ask again when it runs."

MOST_REASON, MOST_WORD = 200, 80  # characters of a reason, and of a code or person, that are looked at


_CLOCK = re.compile(r"(\d{1,2}):(\d\d)", re.ASCII).fullmatch


def until_when(command: Mapping[str, Any], now: int, zone: Zone) -> int | None:
    """Until when an answer is to count: an instant, a local time (the next such), or for how long; ValueError."""
    until, lasting = command.get("until"), command.get("for")
    if isinstance(until, int) and not isinstance(until, bool):
        return until
    if lasting is not None:
        return now + parse_duration(str(lasting))
    if until is None:
        return None
    if (found := _CLOCK(str(until).strip())) is None or int(found[1]) > 23 or int(found[2]) > 59:
        try:
            return parse(str(until))
        except ValueError:
            raise ValueError(
                f"{str(until)[:40]!a} is no time such as 02:30 or 2026-03-14T02:30:00Z"
            ) from None
    local = now + zone.offset(now)
    wanted = local - local % DAY + int(found[1]) * HOUR + int(found[2]) * MINUTE
    at = zone.to_utc(wanted)
    return at if at > now else zone.to_utc(wanted + DAY)


class Stepped(Protocol):
    """Whoever has a stepped clock."""

    def enter(self, at: int) -> None:
        """Enter an instant."""

    async def complete(self) -> int | None:
        """Complete it."""


class Commands:
    """The commands of one service, and who waits for a reply."""

    def __init__(
        self,
        engine: Engine,
        *,
        give: Callable[[object], None],
        now: Callable[[], int],
        stepped: Stepped | None,
        reload: Callable[[], Awaitable[tuple[bool, list[str]]]] | None,
        more: Mapping[str, Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]] | None = None,
    ) -> None:
        """`give` takes an answer to the engine; `stepped` is None where time passes by itself; `more` are others'."""
        self._more = more or {}
        self._engine, self._give, self._now, self._stepped = engine, give, now, stepped
        self._reload = reload
        self._waiting: dict[str, asyncio.Future[dict[str, Any]]] = {}
        self._count = 0
        self._closed = False

    async def serve(self, command: dict[str, Any]) -> dict[str, Any]:
        """Answer one command."""
        name = command.get("command")
        if name in BY_COMMAND:
            return await self._answered(str(name), command)
        if isinstance(name, str) and name in self._more:
            return {"ok": False, "text": STOPPING} if self._closed else await self._more[name](command)
        if name == "state":
            return {
                "ok": True,
                "now": self._now(),
                "due": self._engine.due(),
                "link": self._engine.sight.link,
                "counters": self._engine.counters,
                "tasks": len(asyncio.all_tasks()),
            }
        if name == "returned":
            return await self.returned(command)
        if name in drill_desk.COMMANDS:
            return await self.drill(command)
        if name == drill_desk.STATE:
            return drill_desk.report(self._engine, command)
        if self._reload is not None and name == "reload":
            ok, said = await self._reload()
            return {"ok": ok, "text": "\n".join(said)}
        if self._stepped is not None and name == "enter" and isinstance(command.get("at"), int):
            self._stepped.enter(command["at"])
            return {"ok": True, "now": self._now()}
        if self._stepped is not None and name == "complete":
            return {"ok": True, "due": await self._stepped.complete(), "now": self._now()}
        return {"ok": False, "text": f"no such command: {name!r}"}

    async def _answered(self, name: str, command: Mapping[str, Any]) -> dict[str, Any]:
        """A person's answer, with its time and whatever else it names."""
        reference, person = (str(command.get(key, "")) for key in ("reference", "person"))
        to = command.get("to")
        try:
            until = until_when(command, self._now(), self._engine.site.zone)
        except ValueError as error:
            return {"ok": False, "text": f"Nothing was done: {error}."}
        return await self.answer(
            name,
            reference,
            person,
            command.get("reason"),
            until=until,
            to={str(key): str(value)[:MOST_REASON] for key, value in to.items()}
            if isinstance(to, dict)
            else None,
        )

    async def answer(
        self,
        answer: str,
        reference: str,
        person: str,
        reason: object = None,
        *,
        until: int | None = None,
        to: Mapping[str, str] | None = None,
        via: str = "command",
    ) -> dict[str, Any]:
        """Give a person's answer to the engine; what it says, after the commit. `until` is an instant (ms UTC)."""
        return await self._ask(
            lambda token: Asked(
                token=token,
                reference=reference[:MOST_WORD],
                answer=answer,
                person=person[:MOST_WORD],
                reason=None if reason is None else str(reason)[:MOST_REASON],
                until=until,
                to=to or {},
                via=via,
            )
        )

    async def drill(self, command: Mapping[str, Any]) -> dict[str, Any]:
        """Begin or stop a drill; the id of one that was begun, after the commit."""
        said = await self._ask(lambda token: drill_desk.event(command, token))
        return {**said, "drill": said["text"]} if said["ok"] else said

    async def returned(self, command: Mapping[str, Any]) -> dict[str, Any]:
        """What has come back to a mail, as `returned_mail` read it; what was done about it, after the commit."""
        notice, what, status = (str(command.get(key, ""))[:MOST_WORD] for key in ("notice", "what", "status"))
        return await self._ask(lambda token: Returned(token=token, notice=notice, what=what, status=status))

    async def _ask(self, event: Callable[[str], object]) -> dict[str, Any]:
        """Give the engine what is answered by a `Reply` to the token that it is made with."""
        if self._closed:
            return {"ok": False, "text": STOPPING}
        self._count += 1
        token = f"answer-{self._count}"
        waiting: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._waiting[token] = waiting
        self._give(event(token))
        return await waiting

    def reply(self, effect: Reply) -> None:
        """Tell whoever asked."""
        waiting = self._waiting.pop(effect.token, None)
        if waiting is not None and not waiting.done():
            waiting.set_result({"ok": effect.ok, "text": effect.text})

    def refuse(self) -> None:
        """Take no more answers: the service is stopping."""
        self._closed = True

    def close(self) -> None:
        """Tell all who still wait that nothing was done."""
        for waiting in self._waiting.values():
            if not waiting.done():
                waiting.set_result({"ok": False, "text": STOPPING})
