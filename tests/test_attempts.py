"""Attempts in flight: a dead carrier holds up no other, the most urgent go first, and none is waited for for ever."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager

import pytest

from monitor.adapters.carriers import Attempt, Parcel
from monitor.adapters.email import EmailCarrier
from monitor.adapters.snpp import SnppCarrier
from monitor.attempts import AT_ONCE, Attempts, NoTurn, Turns
from monitor.core.effects import Attempted, SendNotice
from simulators.smtp_sink import SmtpManners, SmtpSink
from simulators.snpp_sink import SnppSink
from tests.night import until

SENDER = "Second Bell <bell@ward.example>"


def notice(number: int, carrier: str = "mail", urgency: str = "medium") -> SendNotice:
    """One notice, told apart by its number."""
    mail = carrier == "mail"
    return SendNotice(
        notice=f"{carrier}-{number}", carrier=carrier, form="mail" if mail else "page",
        address=f"n{number}@ward.example" if mail else f"41{number:04d}", message_id=f"<{number}@ward.example>",
        thread=None, subject="" if not mail else f"MEDIUM bay {number}", body=f"Bay {number}.", urgency=urgency,
        date=1_773_450_729_500,
    )  # fmt: skip


class Desk:
    """Attempts over a real mail server and a real paging server, and how each ended, in order."""

    def __init__(self, mail: SmtpSink, pager: SnppSink, limit: float, turn_within: float) -> None:
        self.mail, self.pager = mail, pager
        self.ended: list[Attempted] = []
        self.attempts = Attempts(
            {
                "mail": EmailCarrier(mail.host, mail.port, SENDER, "none", limit=limit),
                "pager": SnppCarrier(pager.host, pager.port, limit=limit),
            },
            self.ended.append,
            turn_within=turn_within,
        )

    def of(self, carrier: str) -> list[Attempted]:
        """How the attempts of one carrier ended."""
        return [attempt for attempt in self.ended if attempt.notice.startswith(f"{carrier}-")]


@asynccontextmanager
async def desk(*, limit: float = 60.0, turn_within: float = 60.0, **manners: str) -> AsyncIterator[Desk]:
    """A desk whose mail server has these manners."""
    async with SmtpSink(manners=SmtpManners(**manners)) as mail, SnppSink() as pager:  # type: ignore[arg-type]
        made = Desk(mail, pager, limit, turn_within)
        try:
            yield made
        finally:
            await made.attempts.cancel()
            await made.attempts.close()


async def test_a_thousand_mails_at_a_server_that_hangs_hold_up_no_page_and_not_the_loop() -> None:
    """While every mail still waits, all pages go out, and the loop comes round in between."""
    rounds = 0

    async def go_round() -> None:
        nonlocal rounds
        while True:
            rounds += 1
            await asyncio.sleep(0)

    async with desk(hang_at="rcpt") as made:
        for number in range(1_000):
            made.attempts.start(notice(number))
        for number in range(100):
            made.attempts.start(notice(number, "pager"))
        await until(lambda: made.mail.silent == AT_ONCE, "the first mails to hang")
        going = asyncio.create_task(go_round())
        await until(lambda: len(made.of("pager")) == 100, "the pages", within=60)
        going.cancel()
        assert {attempt.outcome for attempt in made.of("pager")} == {"sent"}
        assert len(made.pager.pages) == 100
        assert made.of("mail") == []
        assert rounds > 100
        assert made.mail.connections == AT_ONCE


async def test_when_the_server_answers_again_all_that_waited_go_out() -> None:
    """A hundred mails behind eight that hang: each arrives once, but for those whose connection was dropped."""
    async with desk(hang_at="rcpt") as made:
        for number in range(100):
            made.attempts.start(notice(number))
        await until(lambda: made.mail.silent == AT_ONCE, "the first mails to hang")
        made.mail.manners.hang_at = None
        await made.mail.hang_up()
        await until(lambda: len(made.ended) == 100, "all mails", within=60)
        outcomes = [attempt.outcome for attempt in made.ended]
        assert (outcomes.count("try-later"), outcomes.count("sent")) == (AT_ONCE, 100 - AT_ONCE)
        assert len({mail.recipients for mail in made.mail.mails}) == len(made.mail.mails) == 100 - AT_ONCE


async def test_behind_a_dead_server_a_notice_does_not_wait_for_ever() -> None:
    """Without a turn in time the attempt ends and says so, so that the notice comes to its fallback carrier."""
    async with desk(hang_at="connect", turn_within=0.05) as made:
        for number in range(AT_ONCE + 20):
            made.attempts.start(notice(number))
        await until(lambda: len(made.ended) == 20, "those without a turn")
        assert {(a.outcome, a.text) for a in made.ended} == {
            ("try-later", "not tried: no turn within 0.05 s")
        }
        assert {a.notice for a in made.ended} == {f"mail-{n}" for n in range(AT_ONCE, AT_ONCE + 20)}


async def test_a_stop_gives_up_what_hangs_and_what_waits() -> None:
    """All that are in flight or waiting end at once; none of them is told of as an outcome."""
    async with desk(hang_at="data") as made:
        for number in range(50):
            made.attempts.start(notice(number))
        await until(lambda: made.mail.silent == AT_ONCE, "the first mails to hang")
        async with asyncio.timeout(10):
            await made.attempts.cancel()
        assert not made.attempts
        assert made.ended == []


async def test_the_most_urgent_have_the_next_turn() -> None:
    """Those who wait are let in by urgency, then in the order in which they came."""
    turns = Turns(places=1)
    await turns.take(1)
    order: list[tuple[int, int]] = []

    async def wait(rank: int, number: int) -> None:
        await turns.take(rank)
        order.append((rank, number))
        turns.give_back()

    waiting = [asyncio.create_task(wait(rank, number)) for number, rank in enumerate([1, 2, 1, 3, 2, 3])]
    await asyncio.sleep(0)
    turns.give_back()
    await asyncio.gather(*waiting)
    assert order == [(3, 3), (3, 5), (2, 1), (2, 4), (1, 0), (1, 2)]


@pytest.mark.parametrize("late", [False, True])
async def test_a_turn_given_to_somebody_who_has_just_gone_is_not_lost(late: bool) -> None:
    """Cancelled before its turn or at the very moment of it: the next one is let in."""
    turns = Turns(places=1)
    await turns.take(1)
    gone, stays = (asyncio.create_task(turns.take(1)) for _ in range(2))
    await asyncio.sleep(0)
    if late:
        turns.give_back()
        gone.cancel()
    else:
        gone.cancel()
        await asyncio.sleep(0)
        turns.give_back()
    async with asyncio.timeout(10):
        await stays
    turns.give_back()
    async with asyncio.timeout(10):
        await turns.take(1)


async def test_no_turn_in_time_says_so_and_leaves_the_places_as_they_were() -> None:
    """Whoever gives up waiting takes no place with them."""
    turns = Turns(places=1, wait=0.01)
    await turns.take(1)
    with pytest.raises(NoTurn, match=r"no turn within 0\.01 s"):
        await turns.take(3)
    turns.give_back()
    await turns.take(1)


class Broken:
    """A carrier that breaks the promise to raise nothing."""

    name = "mail"

    def __init__(self, closed: list[str]) -> None:
        self.closed = closed

    async def send(self, parcel: Parcel) -> Attempt:
        """Raise."""
        raise RuntimeError(parcel.notice)

    async def close(self) -> None:
        """Say that it was closed."""
        self.closed.append(self.name)


async def test_a_fault_of_a_carrier_loses_neither_the_notice_nor_a_turn() -> None:
    """More notices than there are turns: each ends as tried later."""
    closed: list[str] = []
    ended: list[Attempted] = []
    attempts = Attempts({"mail": Broken(closed)}, ended.append)
    for number in range(3 * AT_ONCE):
        attempts.start(notice(number))
    await attempts.wait(10)
    assert [(a.outcome, a.text) for a in ended] == [("try-later", "fault in the carrier")] * 3 * AT_ONCE
    await attempts.close()
    assert closed == ["mail"]


async def test_who_listens_hears_of_what_was_taken_before_its_outcome() -> None:
    """`on_sent` comes first, once, and only for what a carrier took."""
    heard: list[str] = []
    async with SmtpSink(manners=SmtpManners(replies={"n1@ward.example": "550 5.1.1 No"})) as mail:
        attempts = Attempts(
            {"mail": EmailCarrier(mail.host, mail.port, SENDER, "none", limit=10)},
            lambda attempt: heard.append(f"{attempt.notice} {attempt.outcome}"),
            lambda effect: heard.append(f"{effect.notice} taken"),
        )
        await _one_by_one(attempts, [notice(0), notice(1)])
        await attempts.close()
    assert heard == ["mail-0 taken", "mail-0 sent", "mail-1 refused"]


async def _one_by_one(attempts: Attempts, notices: Sequence[SendNotice]) -> None:
    for one in notices:
        attempts.start(one)
        await attempts.wait(10)
