"""What every carrier promises, to be run against yours: `contract` gives the checks, each a call to be awaited.

    class MyRoute:                      # see `carrier_route.Route`: your carrier, and what is at its other end
        ...

    @pytest.mark.parametrize("check", contract(MyRoute), ids=str)
    async def test_it_keeps_the_contract(check: Check) -> None:
        await check()

No test runner is needed: `asyncio.run(check())` raises AssertionError too. A check that needs something which the other
end cannot do (a server that falls silent, say) is left out; `needs` tells what, so that you can see which are missing.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from typing import Any, Final, NoReturn

from monitor.adapters.carriers import Attempt, Carrier, Outcome, Parcel
from monitor.testing.carrier_route import LOOPBACK, PARCEL, Abilities, Route, closed_port, server

__all__ = ["LOOPBACK", "PARCEL", "Abilities", "Check", "Route", "closed_port", "contract", "server"]

LIMIT: Final = 0.4
"""Seconds: short where a hang is tested, long enough for a loaded machine to answer on loopback."""

PATIENCE: Final = 10.0
"""Seconds after which a check says that an attempt does not keep its time limit."""

IMPOSSIBLE: Final = (
    "", "a b", "x\r\nRCPT TO:<y@z.example>", "night@ward.example\n", "5551212\r\nSEND", "é", "a" * 400,
)  # fmt: skip
"""What could never be an address, or would smuggle in a command."""

HOSTILE: Final = {
    "a header": "x\r\nBcc: spy@elsewhere.example\r\n\r\n<b>",
    "a command": "bed 3\r\n.\r\nMAIL FROM:<a@b.example>\r\nSEND\r\nQUIT",
    "controls": "bed\x00 \x1b[31m3\x07\x7f \u202edlrow\u2028 \ud800",
    "other scripts": "šatna ☃ 病床 3 – ¡ñandú! 😀",
    "a closing quotation mark": '"}], "to": "spy", {"\\',
}
"""Words as a place may hold them that somebody has written to do harm, or without thinking of pagers."""

NONSENSE: Final = {
    "nothing": b"", "a blank line": b"\r\n", "words": b"hello\r\n", "binary": b"\x00\xff\xfe\r\n",
    "two digits": b"99\r\n", "half a line": b"220", "a long line": b"9" * 70_000 + b"\r\n",
    "no end": b"220-a\r\n" * 9000,
}  # fmt: skip
"""What is said instead of a greeting, before the connection is closed."""


Body = Callable[[Any], Awaitable[None]]


@dataclass(frozen=True, slots=True)
class Check:
    """One promise, to be called once; `name` says which, `needs` what the other end has to be able to do for it."""

    name: str
    kind: Callable[[], Route]
    body: Body
    needs: tuple[str, ...] = ()

    def __str__(self) -> str:
        return self.name

    async def __call__(self) -> None:
        """Hold the carrier to it, with an other end of its own; raises AssertionError."""
        route = self.kind()
        await route.start()
        try:
            await self.body(route)
        finally:
            await route.stop()


def contract(kind: Callable[[], Any]) -> list[Check]:
    """The checks for a kind of route: those that it is able to stand."""
    able = kind()
    return [check for check in _checks(kind, able) if all(hasattr(able, need) for need in check.needs)]


def _checks(kind: Callable[[], Any], able: Any) -> list[Check]:
    checks = [
        Check("a parcel arrives once", kind, _arrives),
        Check("the same parcel is known again", kind, _known_again, ("ids",)),
        Check("nobody listens: tried later", kind, _nobody_listens, ("carrier_to",)),
        Check("a temporary failure: tried later, then sent", kind, _temporary, ("busy_once",)),
        Check("one bad address is only its own parcel", kind, _one_bad, ("refuse_bad",)),
        Check("a server going down: tried later", kind, _going_down, ("go_down",)),
        Check("a lost reply: tried later, and in doubt", kind, _lost_reply, ("lose_the_reply",)),
        Check("a long dirty reply becomes one short line", kind, _dirty_reply, ("reply_at_the_end",)),
        Check("a secret that is echoed is not told", kind, _echoed, ("refuse_with", "secret")),
        Check("a server that drips is cut off at the limit", kind, _drips, ("carrier_to",)),
        Check("a send can be cancelled", kind, _cancelled, ("hang_at", "steps")),
        Check("a host name that is none: tried later", kind, _no_host, ("carrier_to",)),
        Check("an empty text raises nothing", kind, _empty),
        Check("closing twice, and before anything was sent", kind, _closed_twice),
    ]
    for step in getattr(able, "steps", ()):
        checks.append(
            Check(f"silence at {step} costs no more than the limit", kind, _silence(step), ("hang_at",))
        )
    for address in IMPOSSIBLE:
        checks.append(Check(f"refused without a connection: {address[:30]!a}", kind, _impossible(address)))
    for what, words in HOSTILE.items():
        checks.append(Check(f"words stay words: {what}", kind, _words(words)))
    for what, said in NONSENSE.items():
        checks.append(
            Check(f"a server that says {what}: tried later", kind, _nonsense(said), ("carrier_to",))
        )
    return checks


# ---- the promises ----------------------------------------------------------------------------------------------------


async def _arrives(route: Any) -> None:
    attempt = await route.carrier().send(replace(PARCEL, address=route.good))
    _must(
        attempt.outcome is Outcome.SENT and attempt.text.startswith(route.took),
        "sent, with the answer",
        attempt,
    )
    _sound(attempt)
    _must(route.arrived() == [route.good], "arrived once", route.arrived())


async def _known_again(route: Any) -> None:
    carrier = route.carrier()
    for _ in range(2):
        await carrier.send(replace(PARCEL, address=route.good))
    await carrier.send(
        replace(PARCEL, address=route.good, notice="n-0002", message_id="<c-other@ward.example>")
    )
    first, again, other = route.ids()
    _must(first == again != other, "one id for one notice", (first, again, other))


async def _nobody_listens(route: Any) -> None:
    port = await closed_port()
    attempt = await route.carrier_to(LOOPBACK, port).send(replace(PARCEL, address=route.good))
    wanted = f"connect: connection refused by {LOOPBACK}:{port}"
    _must((attempt.outcome, attempt.text) == (Outcome.TRY_LATER, wanted), wanted, attempt)


async def _temporary(route: Any) -> None:
    route.busy_once()
    carrier = route.carrier()
    parcel = replace(PARCEL, address=route.good)
    first = await carrier.send(parcel)
    _later(first)
    _must(route.arrived() == [], "nothing taken", route.arrived())
    _must((await carrier.send(parcel)).outcome is Outcome.SENT, "sent the next time", first)
    _must(route.arrived() == [route.good], "arrived once", route.arrived())


async def _one_bad(route: Any) -> None:
    route.refuse_bad()
    carrier = route.carrier()
    parcels = [replace(PARCEL, address=one) for one in (route.good, route.bad, route.good)]
    attempts = await asyncio.gather(*map(carrier.send, parcels))
    found = [attempt.outcome for attempt in attempts]
    _must(found == [Outcome.SENT, Outcome.REFUSED, Outcome.SENT], "the bad one refused", attempts)
    _sound(attempts[1])
    _must(route.arrived() == [route.good, route.good], "the others arrived", route.arrived())


async def _going_down(route: Any) -> None:
    route.go_down()
    _later(await route.carrier().send(replace(PARCEL, address=route.good)))


async def _lost_reply(route: Any) -> None:
    route.lose_the_reply()
    attempt = await route.carrier().send(replace(PARCEL, address=route.good))
    _later(attempt)
    _must("may have" in attempt.text, "the doubt is said", attempt)
    _must(route.arrived() == [route.good], "arrived all the same", route.arrived())


async def _dirty_reply(route: Any) -> None:
    route.reply_at_the_end("kept\x1b[31m\x07 " + "z" * 400)
    attempt = await route.carrier().send(replace(PARCEL, address=route.good))
    _must(attempt.outcome is Outcome.SENT, "sent", attempt)
    _must(attempt.text.startswith(f"{route.took}kept [31m zz"), "without controls", attempt)
    _sound(attempt)


async def _echoed(route: Any) -> None:
    route.refuse_with(f"bad login {route.secret} try again")
    attempt = await route.carrier().send(replace(PARCEL, address=route.good))
    _must(attempt.outcome is not Outcome.SENT, "not sent", attempt)
    _must(route.secret not in attempt.text and "[hidden]" in attempt.text, "blacked out", attempt)


async def _drips(route: Any) -> None:
    async def serve(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            writer.write(b"2")
            await writer.drain()
            await asyncio.sleep(0.02)

    async with server(serve) as port:
        _later(
            await _in_time(route.carrier_to(LOOPBACK, port, limit=LIMIT), replace(PARCEL, address=route.good))
        )


async def _cancelled(route: Any) -> None:
    route.hang_at(route.steps[-1])
    task = asyncio.create_task(route.carrier(limit=600).send(replace(PARCEL, address=route.good)))
    await asyncio.sleep(0.05)
    task.cancel()
    _, waiting = await asyncio.wait({task}, timeout=PATIENCE)
    _must(not waiting and task.cancelled(), "cancelled at once", task)


async def _no_host(route: Any) -> None:
    host = "n" * 64 + ".invalid"  # RFC 1035 §2.3.4: 63 octets a label
    attempt = await route.carrier_to(host, 25).send(replace(PARCEL, address=route.good))
    _later(attempt)
    _must(attempt.text.startswith("connect: "), "said where it ended", attempt)


async def _empty(route: Any) -> None:
    attempt = await route.carrier().send(replace(PARCEL, address=route.good, subject="", body=""))
    _sound(attempt)
    _must(attempt.outcome in (Outcome.SENT, Outcome.REFUSED), "sent, or refused for good", attempt)


async def _closed_twice(route: Any) -> None:
    carrier = route.carrier()
    await carrier.close()
    await carrier.close()


def _silence(step: str) -> Body:
    async def body(route: Any) -> None:
        route.hang_at(step)
        attempt = await _in_time(route.carrier(limit=LIMIT), replace(PARCEL, address=route.good))
        _later(attempt)
        _must("within 0.4 s" in attempt.text, "the limit is said", attempt)
        in_doubt = step == route.steps[-1]  # only then is it out of our hands
        _must(("may have" in attempt.text) is in_doubt, f"in doubt: {in_doubt}", attempt)
        _must(route.arrived() == [], "nothing arrived", route.arrived())

    return body


def _impossible(address: str) -> Body:
    async def body(route: Any) -> None:
        port = await closed_port()  # a connection would be refused, and be called so
        carrier = route.carrier_to(LOOPBACK, port) if hasattr(route, "carrier_to") else route.carrier()
        attempt = await carrier.send(replace(PARCEL, address=address))
        _must(attempt.outcome is Outcome.REFUSED and "address" in attempt.text, "refused by name", attempt)
        _sound(attempt)
        _must(route.arrived() == [], "nothing arrived", route.arrived())

    return body


def _words(words: str) -> Body:
    async def body(route: Any) -> None:
        parcel = replace(PARCEL, address=route.good, subject=words, body=f"Look: {words}\nThen call.")
        attempt = await route.carrier().send(parcel)
        _must(attempt.outcome is Outcome.SENT, "sent", attempt)
        _must(route.arrived() == [route.good], "to whom it was for, alone", route.arrived())
        [text] = route.texts()
        _must("Look: " in text and "Then call." in text, "all of it, in its place", text)
        bad = [sign for sign in text if sign != "\n" and not sign.isprintable()]
        _must(not bad, "no control or hidden sign", bad)

    return body


def _nonsense(said: bytes) -> Body:
    async def serve(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(said)
        await writer.drain()
        writer.close()
        await writer.wait_closed()

    async def body(route: Any) -> None:
        async with server(serve) as port:
            attempt = await route.carrier_to(LOOPBACK, port).send(replace(PARCEL, address=route.good))
        _later(attempt)
        _must(attempt.text.startswith("connect: "), "said where it ended", attempt)

    return body


# ---- what they are made of -------------------------------------------------------------------------------------------


async def _in_time(carrier: Carrier, parcel: Parcel) -> Attempt:
    try:
        async with asyncio.timeout(PATIENCE):
            return await carrier.send(parcel)
    except TimeoutError:
        _fail(f"the attempt goes on after {PATIENCE:g} s although its limit is {LIMIT:g} s")


def _later(attempt: Attempt) -> None:
    _must(attempt.outcome is Outcome.TRY_LATER, "tried later", attempt)
    _sound(attempt)


def _sound(attempt: Attempt) -> None:
    """The text of an attempt is one short line that says something."""
    good = attempt.text and len(attempt.text) <= 200 and attempt.text.isprintable()
    _must(bool(good), "one line of 1 to 200 printable signs", attempt.text)


def _must(kept: bool, promise: str, found: object) -> None:
    if not kept:
        _fail(f"wanted: {promise}; found: {found!r}")


def _fail(said: str) -> NoReturn:
    raise AssertionError(said)
