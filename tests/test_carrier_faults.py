"""Mail and paging servers that fail, around a service that runs: retries, fallback carriers, rungs, and their trail.

One concern of high priority is raised in each night; the two nurses are told at once, the charge nurse three minutes
after that. What a carrier alone does with each fault is shown in tests/adapters.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, Literal

import pytest

from monitor.adapters import control
from monitor.attempts import AT_ONCE
from monitor.core.groups import ALONE
from simulators.smtp_sink import SmtpSink, self_made
from tests.night import MINUTE, SECOND, TEN, Ward, alarm, state, until, ward
from tests.ward_site import site_text

BOTH_BY_MAIL = """
[people.nurse-1]
called = "night nurse 1"
reach = [{ carrier = "mail", address = "night1@larkfield.invalid" }, { carrier = "pager", address = "4101" }]
[people.nurse-2]
called = "night nurse 2"
reach = [{ carrier = "mail", address = "night2@larkfield.invalid" }, { carrier = "pager", address = "4102" }]
"""
"""Instead of nurse 1 by pager, then mail, and nurse 2 by mail alone."""

RETRIES = [0, 5, 20, 45]
"""Seconds from the first attempt: a backoff of 5, 15 and 30 s, the last try when 45 s of patience end."""


@contextlib.asynccontextmanager
async def caught_up(
    folder: Path,
    *,
    by_mail: bool = False,
    replaced: tuple[tuple[str, str], ...] = (),
    mail_port: int | None = None,
) -> AsyncIterator[Ward]:
    """A night whose site differs; `by_mail` has both nurses reached by mail first, `mail_port` is another server's."""
    async with ward(folder) as made:
        text = site_text(made.broker.address, smtp=mail_port or made.smtp.port, snpp=made.snpp.port)
        if by_mail:
            begin, end = text.index("[people.nurse-1]"), text.index("[people.charge]")
            text = text[:begin] + BOTH_BY_MAIL + text[end:]
        for old, new in replaced:
            assert old in text
            text = text.replace(old, new, 1)
        made.write_site(text)
        await made.monitor.start(TEN)
        await made.step(TEN)
        await made.step(TEN + 2 * SECOND)
        yield made


UNATTENDED = 2 * MINUTE + 2 * SECOND
"""From an alarm of high priority to the first rung, with the 2 s for late messages."""


async def ring(made: Ward, *devices: str) -> int:
    """Let pumps begin to ring; gives the instant at which the first rung is told."""
    at = made.now + SECOND
    await made.step(at, *_ringing(at, at, devices))
    return at + UNATTENDED


async def go_on(made: Ward, told_at: int, end: int, *devices: str) -> None:
    """Let time pass until `end`, the pumps still ringing and heard of every 45 s."""
    for at in range(made.now + 45 * SECOND, end, 45 * SECOND):
        await made.step(at, *_ringing(at, told_at - UNATTENDED, devices))
    await made.step(end)


async def rung_out(made: Ward) -> int:
    """One pump rings, until whatever the carriers do with the first rung has been done."""
    told_at = await ring(made, "pump-0101")
    await go_on(made, told_at, told_at + MINUTE, "pump-0101")
    return told_at


def _ringing(at: int, since: int, devices: tuple[str, ...]) -> list[tuple[str, bytes]]:
    return [state(at, device, activity="stopped", alarms=[alarm(since)]) for device in devices]


def attempts(made: Ward, person: str, told_at: int) -> list[tuple[float, str, str]]:
    """What the trail says of one person's notices: seconds after `told_at`, carrier, outcome."""
    return [
        ((entry["at"] - told_at) / SECOND, entry["detail"]["carrier"], entry["event"].removeprefix("notice-"))
        for entry in made.trail()
        if entry["event"].startswith("notice-") and entry.get("person") == person
    ]


def answers(made: Ward, person: str, carrier: str) -> list[str]:
    """What the trail has of a carrier's words about one person's notices."""
    found = [e for e in made.trail() if e.get("person") == person and "answer" in e.get("detail", {})]
    return [e["detail"]["answer"] for e in found if e["detail"]["carrier"] == carrier]


def retried(carrier: str) -> list[tuple[float, str, str]]:
    """All attempts of one carrier in vain."""
    return [(second, carrier, "try-later") for second in RETRIES]


def mail_ids(made: Ward, address: str) -> list[str]:
    """The Message-IDs that came for one address."""
    return [str(mail.message["Message-ID"]) for mail in made.smtp.mails if mail.recipients == (address,)]


# ---- mail ----------------------------------------------------------------------------------------------------


async def test_a_mail_server_that_is_not_there(tmp_path: Path) -> None:
    """Refused: every retry in the trail, then failed; the other nurse's page is out at once, the next rung in time."""
    async with caught_up(tmp_path / "ward") as made:
        await made.smtp.stop()
        told_at = await rung_out(made)
        assert attempts(made, "nurse-2", told_at) == [*retried("mail"), (45.0, "mail", "failed")]
        assert set(answers(made, "nurse-2", "mail")) == {
            f"connect: connection refused by 127.0.0.1:{made.smtp.port}"
        }
        assert attempts(made, "nurse-1", told_at) == [(0.0, "pager", "sent")]
        await go_on(made, told_at, told_at + 4 * MINUTE, "pump-0101")
        assert attempts(made, "charge", told_at + 3 * MINUTE) == [*retried("mail"), (45.0, "pager", "sent")]
        assert {page.pager for page in made.snpp.pages} >= {"4101", "4100"}


async def test_greylisting(tmp_path: Path) -> None:
    """451 first: the same mail, with the same Message-ID, is taken five seconds later."""
    async with caught_up(tmp_path / "ward") as made:
        made.smtp.manners.greylist_first = 1
        told_at = await rung_out(made)
        assert attempts(made, "nurse-2", told_at) == [(0.0, "mail", "try-later"), (5.0, "mail", "sent")]
        assert answers(made, "nurse-2", "mail")[0].startswith("451 4.7.1 Greylisted")
        assert len(mail_ids(made, "night2@larkfield.invalid")) == 1


@pytest.mark.parametrize(
    "reply",
    [
        "450 4.2.1 Busy",
        *(pytest.param(s, marks=pytest.mark.long) for s in ("452 4.3.1 Full", "421 4.3.2 Down")),
    ],
)
async def test_a_server_that_says_later_for_ever(tmp_path: Path, reply: str) -> None:
    """4xx at every attempt: given up at the end of patience, and the pager takes over."""
    async with caught_up(tmp_path / "ward", by_mail=True) as made:
        made.smtp.manners.replies["night2@larkfield.invalid"] = reply
        told_at = await rung_out(made)
        assert attempts(made, "nurse-2", told_at) == [*retried("mail"), (45.0, "pager", "sent")]
        assert attempts(made, "nurse-1", told_at) == [(0.0, "mail", "sent")]


async def test_one_bad_recipient_among_good_ones(tmp_path: Path) -> None:
    """Refused for good: not tried again, the pager at the same instant, and the other nurse without delay."""
    async with caught_up(tmp_path / "ward", by_mail=True) as made:
        made.smtp.manners.replies["night2@larkfield.invalid"] = "550 5.1.1 <night2@larkfield.invalid> unknown"
        told_at = await rung_out(made)
        assert attempts(made, "nurse-2", told_at) == [(0.0, "mail", "refused"), (0.0, "pager", "sent")]
        assert attempts(made, "nurse-1", told_at) == [(0.0, "mail", "sent")]
        assert [page.pager for page in made.snpp.pages if page.pager != "4000"] == ["4102"]
        assert "larkfield.invalid" not in answers(made, "nurse-2", "mail")[0]


async def test_a_rung_that_cannot_be_reached_at_all(tmp_path: Path) -> None:
    """Both nurses refused for good by every carrier: the next rung at that instant, not after the wait."""
    async with caught_up(tmp_path / "ward", by_mail=True) as made:
        for address in ("night1@larkfield.invalid", "night2@larkfield.invalid"):
            made.smtp.manners.replies[address] = "550 5.1.1 No such person"
        made.snpp.manners.pagers = frozenset({"4100"})
        told_at = await rung_out(made)
        for nurse in ("nurse-1", "nurse-2"):
            assert attempts(made, nurse, told_at) == [
                (0.0, "mail", "refused"), (0.0, "pager", "refused"), (0.0, "pager", "failed"),
            ]  # fmt: skip
        assert attempts(made, "charge", told_at) == [(0.0, "mail", "sent")]
        assert [entry["detail"]["rung"] for entry in made.happened("called")] == [0, 1]


async def test_a_text_refused_after_the_final_dot(tmp_path: Path) -> None:
    """5xx for the mail itself is for good as well."""
    async with caught_up(tmp_path / "ward", by_mail=True) as made:
        made.smtp.manners.data_reply = "554 5.6.0 Not this text"
        told_at = await rung_out(made)
        for nurse in ("nurse-1", "nurse-2"):
            assert attempts(made, nurse, told_at) == [(0.0, "mail", "refused"), (0.0, "pager", "sent")]


async def test_a_lost_reply_after_the_final_dot(tmp_path: Path) -> None:
    """RFC 5321 §4.5.3.2.6: the mail comes twice with one Message-ID; the trail says what is in doubt."""
    async with caught_up(tmp_path / "ward") as made:
        made.smtp.manners.lose_first = 1
        told_at = await rung_out(made)
        assert attempts(made, "nurse-2", told_at) == [(0.0, "mail", "try-later"), (5.0, "mail", "sent")]
        first, second = mail_ids(made, "night2@larkfield.invalid")
        assert first == second
        assert answers(made, "nurse-2", "mail")[0].endswith("(the mail may have arrived)")
        assert made.smtp.mails[0].raw == made.smtp.mails[1].raw


Step = Literal["connect", "ehlo", "mail", "rcpt", "data", "dot"]
STEPS: tuple[Step, ...] = ("connect", "ehlo", "mail", "rcpt", "data", "dot")


@pytest.mark.parametrize(
    "step", [pytest.param(s, marks=() if s == "dot" else pytest.mark.long) for s in STEPS]
)
async def test_a_mail_server_that_hangs(tmp_path: Path, step: Step) -> None:
    """Each attempt ends at its limit; at the end of patience the pager takes over, well within the rung's wait."""
    quick = (('kind = "email"', 'kind = "email"\nlimit = "1 s"'),)
    async with caught_up(tmp_path / "ward", by_mail=True, replaced=quick) as made:
        made.smtp.manners.hang_at = step
        told_at = await rung_out(made)
        for nurse in ("nurse-1", "nurse-2"):
            assert attempts(made, nurse, told_at) == [*retried("mail"), (45.0, "pager", "sent")]
            assert all("no answer within 1 s" in answer for answer in answers(made, nurse, "mail"))
        assert sorted(p.pager for p in made.snpp.pages if p.pager in ("4101", "4102")) == ["4101", "4102"]
        assert made.smtp.mails == []


async def test_a_mail_server_that_hangs_holds_up_no_page(tmp_path: Path) -> None:
    """Mails at a server that hangs: all pages go out and commands are answered meanwhile; then the mails go."""
    devices = [f"pump-01{number:02d}" for number in range(1, ALONE + 1)]
    async with caught_up(tmp_path / "ward") as made:
        made.smtp.manners.hang_at = "rcpt"
        told_at = await ring(made, *devices)
        step = asyncio.create_task(made.step(told_at + SECOND))
        try:
            await until(lambda: len(made.snpp.pages) == ALONE, "the pages", within=30)
            await until(lambda: made.smtp.silent == min(ALONE, AT_ONCE), "the first mails to hang", within=30)
            said = await asyncio.to_thread(control.ask, made.state_dir, {"command": "state"}, patience=30.0)
            assert said["now"] == told_at
            assert not step.done()
            assert made.smtp.mails == []
        finally:
            made.smtp.manners.hang_at = None
            await made.smtp.hang_up()
            await step
        await made.step(told_at + MINUTE)
        assert len(mail_ids(made, "night2@larkfield.invalid")) == ALONE
        told = attempts(made, "nurse-1", told_at)
        assert told == [(0.0, "pager", "sent")] * ALONE


# ---- TLS -----------------------------------------------------------------------------------------------------


async def test_starttls_demanded_and_not_offered(tmp_path: Path) -> None:
    """Nothing is sent in plain text: every attempt says why, then the pager."""
    demanded = (('security = "none"', 'security = "starttls"'),)
    async with caught_up(tmp_path / "ward", by_mail=True, replaced=demanded) as made:
        told_at = await rung_out(made)
        assert attempts(made, "nurse-2", told_at) == [*retried("mail"), (45.0, "pager", "sent")]
        assert set(answers(made, "nurse-2", "mail")) == {"STARTTLS: STARTTLS not offered"}
        assert made.smtp.mails == []


@pytest.mark.parametrize(
    ("certificate", "trusted", "why"),
    [
        ({"days": 0}, True, "certificate has expired"),
        pytest.param({"address": "127.0.0.9"}, True, "IP address mismatch", marks=pytest.mark.long),
        pytest.param({}, False, "self-signed certificate", marks=pytest.mark.long),
        ({}, True, ""),
    ],
    ids=["expired", "another name", "untrusted", "good"],
)
async def test_certificates(tmp_path: Path, certificate: dict[str, Any], trusted: bool, why: str) -> None:
    """A server whose certificate does not hold gets no mail and no login; one whose does gets the mail."""
    ours, _ = self_made(tmp_path, **certificate)
    secure = 'security = "tls"' + (f'\nca_file = "{tmp_path / "cert.pem"}"' if trusted else "")
    tls = (('security = "none"', secure),)
    async with (
        SmtpSink(tls=ours) as sink,
        caught_up(tmp_path / "ward", by_mail=True, replaced=tls, mail_port=sink.port) as made,
    ):
        told_at = await rung_out(made)
        if why:
            assert attempts(made, "nurse-2", told_at) == [*retried("mail"), (45.0, "pager", "sent")]
            assert all(f"not trusted: {why}" in answer for answer in answers(made, "nurse-2", "mail"))
            assert sink.mails == []
        else:
            assert attempts(made, "nurse-2", told_at) == [(0.0, "mail", "sent")]
            assert len(sink.mails) == 2


# ---- pager ---------------------------------------------------------------------------------------------------


async def test_a_pager_server_that_is_not_there(tmp_path: Path) -> None:
    """Refused: every retry in the trail, then the mail; the other nurse's mail is out at once."""
    async with caught_up(tmp_path / "ward") as made:
        await made.snpp.stop()
        told_at = await rung_out(made)
        assert attempts(made, "nurse-1", told_at) == [*retried("pager"), (45.0, "mail", "sent")]
        assert attempts(made, "nurse-2", told_at) == [(0.0, "mail", "sent")]


async def test_an_unknown_pager(tmp_path: Path) -> None:
    """550 (RFC 1861 §4.2.7) is for good: the mail goes at the same instant."""
    async with caught_up(tmp_path / "ward") as made:
        made.snpp.manners.pagers = frozenset({"4100"})
        told_at = await rung_out(made)
        assert attempts(made, "nurse-1", told_at) == [(0.0, "pager", "refused"), (0.0, "mail", "sent")]
        assert "4101" not in "".join(answers(made, "nurse-1", "pager"))


@pytest.mark.parametrize("fault", ["554 once", "421 as a greeting"])
async def test_a_paging_server_that_cannot_now(tmp_path: Path, fault: str) -> None:
    """554, technical, is tried again and sent; 421 for ever ends in the mail."""
    async with caught_up(tmp_path / "ward") as made:
        if fault == "554 once":
            made.snpp.manners.busy_first = 1
        else:
            made.snpp.manners.greeting = "421 SERVER DOWN, Goodbye"
        told_at = await rung_out(made)
        if fault == "554 once":
            assert attempts(made, "nurse-1", told_at) == [(0.0, "pager", "try-later"), (5.0, "pager", "sent")]
            assert len(made.snpp.pages) == 1
        else:
            assert attempts(made, "nurse-1", told_at) == [*retried("pager"), (45.0, "mail", "sent")]


async def test_a_lost_reply_to_send(tmp_path: Path) -> None:
    """The page comes twice, word for word; the trail says what is in doubt."""
    async with caught_up(tmp_path / "ward") as made:
        made.snpp.manners.lose_first = 1
        told_at = await rung_out(made)
        assert attempts(made, "nurse-1", told_at) == [(0.0, "pager", "try-later"), (5.0, "pager", "sent")]
        first, second = made.snpp.pages
        assert first.text == second.text
        assert answers(made, "nurse-1", "pager")[0].endswith("(the page may have gone out)")


@pytest.mark.parametrize(
    "step", ["SEND", *(pytest.param(s, marks=pytest.mark.long) for s in ("connect", "PAGE", "MESS"))]
)
async def test_a_paging_server_that_hangs(tmp_path: Path, step: str) -> None:
    """Each attempt ends at its limit, no mail is held up, and at the end of patience the mail takes over."""
    quick = (('kind = "snpp"', 'kind = "snpp"\nlimit = "1 s"'),)
    async with caught_up(tmp_path / "ward", replaced=quick) as made:
        made.snpp.manners.hang_at = step
        told_at = await ring(made, "pump-0101")
        stepping = asyncio.create_task(made.step(told_at + MINUTE))
        await until(lambda: len(made.smtp.mails) == 1, "the mail of nurse 2", within=30)
        await stepping
        assert attempts(made, "nurse-2", told_at) == [(0.0, "mail", "sent")]
        assert attempts(made, "nurse-1", told_at) == [*retried("pager"), (45.0, "mail", "sent")]
        assert made.snpp.pages == []


# ---- both ----------------------------------------------------------------------------------------------------


async def test_nothing_can_be_sent_and_nothing_is_lost(tmp_path: Path) -> None:
    """No server at all: every rung comes due all the same; when one is back, those called last are told."""
    async with caught_up(tmp_path / "ward") as made:
        await made.smtp.stop()
        await made.snpp.stop()
        told_at = await rung_out(made)
        await go_on(made, told_at, told_at + 8 * MINUTE, "pump-0101")
        called = [entry for entry in made.happened("called") if entry["rule"] == "unattended"]
        assert [entry["detail"]["rung"] for entry in called] == [0, 1, 2]
        assert made.happened("notice-sent") == []
        failed = {str(entry["person"]) for entry in made.happened("notice-failed")}
        assert failed >= {"nurse-1", "nurse-2", "charge"}
        await made.snpp.start()
        await go_on(made, told_at, told_at + 20 * MINUTE, "pump-0101")
        assert {page.pager for page in made.snpp.pages} >= {"4101", "4000"}
