"""Notices by pager: a client of the Simple Network Paging Protocol, RFC 1861, one connection a page."""

import asyncio
import re
from typing import Final, Literal

from monitor.adapters.carriers import DEFAULT_LIMIT, Attempt, Outcome, Parcel, connection_fault, one_line
from monitor.adapters.dialling import Dialler
from monitor.core.gsm7 import SINGLE, fit, septets

PAGER: Final = re.compile(r"[A-Za-z0-9@._+-]{1,64}")
_WORD: Final = re.compile(r"[!-~]{1,64}")  # LOGIn's arguments are parted by a blank (RFC 1861 §4.5.1)

# RFC 1861 §4: the first digit is the category; 0, 1 and 6 are none.
_REPLY: Final = re.compile(r"([2345789]\d\d)(?:([ -])(.*))?")

LONGEST_LINE: Final = 512
"""Octets of one reply line: RFC 1861 sets no limit, RFC 5321 §4.5.3.1.5 has this one."""

MOST_LINES: Final = 50
"""Lines of one reply that are read before it counts as unreadable."""

SHORTEST_LINE: Final = 4
"""Septets that a last line must have left: with less, the line before is cut instead."""

QUIT_WAIT: Final = 1.0
"""Seconds to wait for the reply to QUIT: the outcome is already known."""


class _Stopped(Exception):
    """The transaction cannot go on; carries what that means for the parcel."""

    def __init__(self, outcome: Outcome, text: str) -> None:
        super().__init__(text)
        self.outcome = outcome
        self.text = text


class SnppCarrier:
    """Sends each parcel as one page of at most 160 septets, in plain ASCII.

    At level 1 only PAGE, MESS, SEND and QUIT are used; level 2 adds LOGI when a login is given, LEVE and ALER
    for high urgency, and DATA for a body of several lines. `limit` is in seconds and bounds the whole
    attempt. Raises ValueError for a login or password with blanks in it, or a login at level 1.
    """

    def __init__(
        self,
        host: str,
        port: int = 444,  # domain §6
        level: Literal[1, 2] = 1,
        login: str | None = None,
        password: str | None = None,
        limit: float = DEFAULT_LIMIT,
        *,
        name: str = "pager",
    ) -> None:
        if login is not None and level == 1:
            raise ValueError("a login needs level 2")
        if not all(word is None or _WORD.fullmatch(word) for word in (login, password)):
            raise ValueError("login and password must be printable ASCII without blanks")
        self.name = name
        self._host = host
        self._port = port
        self._level = level
        self._login = login
        self._password = password
        self._limit = limit
        self._dialler = Dialler(host, port)

    async def send(self, parcel: Parcel) -> Attempt:
        """Try once; raises nothing but CancelledError."""
        if not PAGER.fullmatch(parcel.address):
            return self._attempt(Outcome.REFUSED, f"not a pager address: {parcel.address!a}")
        lines = air_lines(parcel.body) or air_lines(parcel.subject)
        if not lines:
            return self._attempt(Outcome.REFUSED, "nothing to page: the text is empty")
        talk = _Talk()
        deadline = asyncio.get_running_loop().time() + self._limit
        try:
            attempt = await self._try(talk, parcel, lines, deadline)
            await talk.quit(deadline)
        finally:
            talk.abort()
        return attempt

    async def close(self) -> None:
        """No connection is kept between attempts."""
        self._dialler.close()

    async def _try(self, talk: "_Talk", parcel: Parcel, lines: list[str], deadline: float) -> Attempt:
        """One conversation up to its deadline, every failure turned into an attempt."""
        try:
            async with asyncio.timeout_at(deadline):
                await talk.open(self._dialler)
                return self._attempt(Outcome.SENT, await self._converse(talk, parcel, lines))
        except _Stopped as stop:
            return self._attempt(stop.outcome, stop.text)
        except TimeoutError:
            fault = f"no answer within {self._limit:g} s"
        except asyncio.IncompleteReadError:
            fault = f"connection to {self._host}:{self._port} lost"
        except asyncio.LimitOverrunError:
            fault = "unreadable reply: line too long"
        except OSError as error:
            fault = connection_fault(error, self._host, self._port)
        except Exception as error:  # nothing may be raised here (the seam): the unforeseen waits, by its name
            fault = f"unforeseen {type(error).__name__}: {error}"
        return self._attempt(Outcome.TRY_LATER, f"{talk.step}: {fault}{talk.doubt}")

    async def _converse(self, talk: "_Talk", parcel: Parcel, lines: list[str]) -> str:
        """Hand one page over and return the reply to SEND; raises _Stopped at the reply that ends it."""
        talk.require(await talk.read())
        if self._login is not None:
            words = ["LOGI", self._login, *([self._password] if self._password else [])]
            reply = await talk.ask(" ".join(words))
            # A server without LOGIn has everybody anonymous (§4.5.1), and the page matters more.
            if not reply.good and reply.code != 500:
                raise _Stopped(Outcome.TRY_LATER, f"login: {reply}")
        if self._level == 2 and parcel.urgency == "high":
            for option in ("LEVE 0", "ALER 1"):  # §4.5.3 priority, §4.5.4 alert; both before PAGEr (§4.5.2)
                # An option that the server does not take (5xx, "continue session") must not cost the page.
                talk.require_session(await talk.ask(option))
        talk.require(await talk.ask(f"PAGE {parcel.address}"))
        await self._text(talk, lines)
        reply = await talk.ask("SEND")
        talk.require(reply)
        return str(reply)

    async def _text(self, talk: "_Talk", lines: list[str]) -> None:
        """Give the text, by DATA where it has several lines and the server knows it, else by MESS."""
        if self._level == 2 and len(lines) > 1:
            reply = await talk.ask("DATA")
            if reply.code == 354:
                talk.step = "DATA"
                await talk.write("\r\n".join(_dotless(line) for line in lines) + "\r\n.")
                talk.require(await talk.read())
                return
            if reply.code != 500:  # §4.4.1: Command Not Implemented
                talk.require(reply)
        talk.require(await talk.ask(f"MESS {' '.join(lines)}"))

    def _attempt(self, outcome: Outcome, text: str) -> Attempt:
        """An attempt with its text made one safe line."""
        return Attempt(outcome=outcome, text=one_line(text, [self._password or ""]))


class _Reply:
    """One reply of the server: its code and the text of its last line."""

    def __init__(self, code: int, text: str) -> None:
        self.code = code
        self.text = text

    def __str__(self) -> str:
        return f"{self.code} {self.text}".strip()

    @property
    def good(self) -> bool:
        """Whether it means success, or success queued: 2xx, 8xx, 9xx (RFC 1861 §4)."""
        return self.code // 100 in (2, 8, 9)


class _Talk:
    """One connection to a paging server, and how far the conversation has come."""

    def __init__(self) -> None:
        self.step = "connect"
        self._reader: asyncio.StreamReader | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._ended = False

    @property
    def doubt(self) -> str:
        """A warning when the page may have gone out although no reply came."""
        return " (the page may have gone out)" if self.step == "SEND" else ""

    async def open(self, dialler: Dialler) -> None:
        """Connect; raises OSError."""
        self._reader, self._writer = await asyncio.open_connection(
            sock=await dialler.connect(), limit=LONGEST_LINE
        )

    async def ask(self, command: str) -> _Reply:
        """Send one command and read its reply."""
        self.step = command[:4]
        await self.write(command)
        return await self.read()

    async def write(self, line: str) -> None:
        """Send one line; what is not ASCII has been replaced before."""
        assert self._writer is not None
        self._writer.write(line.encode("ascii", "replace") + b"\r\n")
        await self._writer.drain()

    async def read(self) -> _Reply:
        """The next reply; lines of help (214, §4.2.1) and continued lines, as in SMTP, are passed over."""
        assert self._reader is not None
        for _ in range(MOST_LINES):
            line = (await self._reader.readuntil(b"\n")).decode("ascii", "replace").rstrip("\r\n")
            match = _REPLY.fullmatch(line)
            if match is None:
                raise _Stopped(Outcome.TRY_LATER, f"{self.step}: unreadable reply: {line}{self.doubt}")
            if match[2] != "-" and match[1] != "214":
                return _Reply(int(match[1]), match[3] or "")
        raise _Stopped(Outcome.TRY_LATER, f"{self.step}: unreadable reply: too many lines{self.doubt}")

    def require_session(self, reply: _Reply) -> None:
        """Stop if the server has ended the session: any 4xx (RFC 1861 §4)."""
        if reply.code // 100 == 4:
            self._ended = True
            raise _Stopped(Outcome.TRY_LATER, str(reply))

    def require(self, reply: _Reply) -> None:
        """Stop unless the reply is good.

        Only 550, the administrative failure, is for good (§4.2.7), and only about a pager or its text. The
        technical 554, a two-way unit that is away (7xx), and what is out of place are tried again.
        """
        self.require_session(reply)
        if reply.good:
            return
        if reply.code == 550 and self.step != "connect":
            raise _Stopped(Outcome.REFUSED, str(reply))
        known = reply.code in (550, 554) or reply.code // 100 == 7
        raise _Stopped(Outcome.TRY_LATER, str(reply) if known else f"{self.step}: {reply}")

    async def quit(self, deadline: float) -> None:
        """Say goodbye if somebody still listens; the outcome no longer depends on it."""
        loop = asyncio.get_running_loop()
        if self._writer is None or self._writer.is_closing() or self._ended or loop.time() >= deadline:
            return
        try:
            async with asyncio.timeout_at(min(deadline, loop.time() + QUIT_WAIT)):
                await self.ask("QUIT")
        except (_Stopped, OSError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            return

    def abort(self) -> None:
        """Drop the connection without waiting for the other end."""
        if self._writer is not None:
            self._writer.transport.abort()


def air_lines(text: str) -> list[str]:
    """The text as ASCII lines for a pager: 160 septets with one for each line end, `..` where it was cut."""
    lines: list[str] = []
    left = SINGLE
    for line in text.splitlines():
        whole = fit(line, len(line) * 8, ascii_only=True)
        if not whole:
            continue
        if left < SHORTEST_LINE:
            lines[-1] = fit(lines[-1] + whole, septets(lines[-1]))
            break
        lines.append(fit(whole, left))
        left -= septets(lines[-1]) + 1
    return lines


def _dotless(line: str) -> str:
    """The line without a leading dot, which the RFC does not tell from the end of DATA (§4.4.1)."""
    return f" {line}" if line.startswith(".") else line
