"""What comes over the control socket: people's answers, the service's state, and the steps of a stepped clock.

Each is answered after the commit of what it did.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, Protocol

from monitor.core.answers import BY_COMMAND
from monitor.core.effects import Asked, Reply
from monitor.core.engine import Engine

STOPPING = "Nothing was done: the service is stopping. Ask again when it runs."

MOST_REASON, MOST_WORD = 200, 80  # characters of a reason, and of a code or person, that are looked at


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
        give: Callable[[Asked], None],
        now: Callable[[], int],
        stepped: Stepped | None,
        reload: Callable[[], Awaitable[tuple[bool, list[str]]]] | None,
    ) -> None:
        """`give` takes an answer to the engine; `stepped` is None where time passes by itself."""
        self._engine, self._give, self._now, self._stepped = engine, give, now, stepped
        self._reload = reload
        self._waiting: dict[str, asyncio.Future[dict[str, Any]]] = {}
        self._count = 0
        self._closed = False

    async def serve(self, command: dict[str, Any]) -> dict[str, Any]:
        """Answer one command."""
        name = command.get("command")
        if name in BY_COMMAND:
            reference, person = (str(command.get(key, "")) for key in ("reference", "person"))
            return await self.answer(str(name), reference, person, command.get("reason"))
        if name == "state":
            return {
                "ok": True,
                "now": self._now(),
                "due": self._engine.due(),
                "link": self._engine.sight.link,
                "counters": self._engine.counters,
                "tasks": len(asyncio.all_tasks()),
            }
        if self._reload is not None and name == "reload":
            ok, said = await self._reload()
            return {"ok": ok, "text": "\n".join(said)}
        if self._stepped is not None and name == "enter" and isinstance(command.get("at"), int):
            self._stepped.enter(command["at"])
            return {"ok": True, "now": self._now()}
        if self._stepped is not None and name == "complete":
            return {"ok": True, "due": await self._stepped.complete(), "now": self._now()}
        return {"ok": False, "text": f"no such command: {name!r}"}

    async def answer(self, answer: str, reference: str, person: str, reason: object = None) -> dict[str, Any]:
        """Give a person's answer to the engine; what it says, after the commit."""
        if self._closed:
            return {"ok": False, "text": STOPPING}
        self._count += 1
        token = f"answer-{self._count}"
        waiting: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._waiting[token] = waiting
        self._give(
            Asked(
                token=token,
                reference=reference[:MOST_WORD],
                answer=answer,
                person=person[:MOST_WORD],
                reason=None if reason is None else str(reason)[:MOST_REASON],
            )
        )
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
