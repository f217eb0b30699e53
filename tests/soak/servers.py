"""How the mail and paging servers of a soak misbehave, one after the other, each until the service has felt it."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from simulators.smtp_sink import SmtpManners, SmtpSink
from simulators.snpp_sink import SnppManners, SnppSink

REFUSING = "refusing"  # the port is closed
HANGING = "hanging"
MAIL: dict[str, Callable[[], SmtpManners]] = {
    "try later": lambda: SmtpManners(data_reply="451 4.3.0 Try again later"),
    "going down": lambda: SmtpManners(greeting="421 4.3.2 Going down"),
    HANGING: lambda: SmtpManners(hang_at="data"),
    "lost reply": lambda: SmtpManners(drop_after_data=True),
}
PAGER: dict[str, Callable[[], SnppManners]] = {
    "busy": lambda: SnppManners(send_reply="554 Message Failed, terminal busy"),
    HANGING: lambda: SnppManners(hang_at="PAGE"),
    "lost reply": lambda: SnppManners(drop_after_send=True),
}
KINDS = tuple(
    [("mail", kind) for kind in (REFUSING, *MAIL)] + [("pager", kind) for kind in (REFUSING, *PAGER)]
)


class FailedAttempts:
    """How many attempts the service has called failed so far, by carrier, read from its log as it grows."""

    def __init__(self, log: Path) -> None:
        self._log, self._read = log, 0
        self.of: Counter[str] = Counter()

    def look(self) -> None:
        """Read what has been logged since."""
        if not self._log.exists() or self._log.stat().st_size == self._read:
            return
        with self._log.open("rb") as log:
            log.seek(self._read)
            new = log.read()
        whole = new[: new.rfind(b"\n") + 1]
        self._read += len(whole)
        for line in whole.splitlines():
            if b"notice-try-later" in line:
                self.of[json.loads(line)["carrier"]] += 1


@dataclass(slots=True)
class Fault:
    """One server's misbehaviour; `felt` counts the attempts that had failed before it."""

    kind: str
    since: int
    felt: int


@dataclass(slots=True)
class Servers:
    """Both servers, and what is planned for them: (when, kind) in order, by carrier."""

    smtp: SmtpSink
    snpp: SnppSink
    failed: FailedAttempts
    plan: dict[str, list[tuple[int, str]]]
    least: int  # ms that a fault lasts
    felt: Counter[str] = field(default_factory=Counter)
    _now: dict[str, Fault] = field(default_factory=dict)

    async def look(self, at: int) -> None:
        """Begin what is due, and end what has been felt for long enough."""
        self.failed.look()
        for carrier, plan in self.plan.items():
            fault = self._now.get(carrier)
            if fault is not None:
                # The night stands still while an attempt waits for a server that hangs: a few will do.
                long = at - fault.since >= self.least or fault.kind == HANGING
                if self.failed.of[carrier] > fault.felt and long:
                    await self._end(carrier, fault)
            elif plan and plan[0][0] <= at:
                _, kind = plan.pop(0)
                self._now[carrier] = Fault(kind, at, self.failed.of[carrier])
                await self._misbehave(carrier, kind)

    async def mend(self) -> None:
        """Let both behave well from now on."""
        self.failed.look()
        for carrier, fault in list(self._now.items()):
            await self._end(carrier, fault)

    async def _end(self, carrier: str, fault: Fault) -> None:
        if self.failed.of[carrier] > fault.felt:
            self.felt[f"{carrier} {fault.kind}"] += 1
        del self._now[carrier]
        if fault.kind == REFUSING:
            await self._sink(carrier).start()
        self.smtp.manners = SmtpManners() if carrier == "mail" else self.smtp.manners
        self.snpp.manners = SnppManners() if carrier == "pager" else self.snpp.manners

    async def _misbehave(self, carrier: str, kind: str) -> None:
        if kind == REFUSING:
            await self._sink(carrier).stop()
        elif carrier == "mail":
            self.smtp.manners = MAIL[kind]()
        else:
            self.snpp.manners = PAGER[kind]()

    def _sink(self, carrier: str) -> SmtpSink | SnppSink:
        return self.smtp if carrier == "mail" else self.snpp
