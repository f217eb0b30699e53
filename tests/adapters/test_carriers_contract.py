"""What every carrier promises, run against each with a real server at the other end, and against the example of one."""

import shutil
import socket
import ssl
import tempfile
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Literal

import pytest

from monitor.adapters.apart import CarrierApart
from monitor.adapters.carriers import Attempt, Carrier, Outcome, Parcel, connection_fault, one_line
from monitor.adapters.email import EmailCarrier
from monitor.adapters.https import HttpsCarrier
from monitor.adapters.snpp import SnppCarrier
from monitor.testing import folder_carrier
from monitor.testing.carrier_contract import LOOPBACK, PARCEL, Check, contract, server
from simulators.post_sink import PostSink
from simulators.smtp_sink import SmtpSink, self_made
from simulators.snpp_sink import SnppSink

__all__ = ["PARCEL", "server"]

SECRET = "quiet-as-the-night-0001"


class Route:
    """What all routes below share: whoever was made is closed."""

    def __init__(self) -> None:
        self.made: list[Carrier] = []

    def keep(self, carrier: Carrier) -> Carrier:
        """Close it at the end."""
        self.made.append(carrier)
        return carrier

    async def close(self) -> None:
        """Close all."""
        for carrier in self.made:
            await carrier.close()


class MailRoute(Route):
    """The mail carrier and an SMTP server."""

    good, bad, took = "night@ward.example", "gone@ward.example", "250 "
    secret = SECRET
    steps: tuple[str, ...] = ("connect", "ehlo", "mail", "rcpt", "data", "dot")

    def __init__(self) -> None:
        super().__init__()
        self.sink = SmtpSink()

    async def start(self) -> None:
        await self.sink.start()

    async def stop(self) -> None:
        await self.close()
        await self.sink.stop()

    def carrier(self, limit: float = 5.0) -> Carrier:
        return self.carrier_to(LOOPBACK, self.sink.port, limit)

    def carrier_to(self, host: str, port: int, limit: float = 5.0) -> Carrier:
        sender = "Second Bell <bell@ward.example>"
        user, password = self.sink.manners.login or (None, None)
        return self.keep(EmailCarrier(host, port, sender, "none", user, password, limit))

    def arrived(self) -> list[str]:
        return [recipient for mail in self.sink.mails for recipient in mail.recipients]

    def texts(self) -> list[str]:
        messages = [mail.message for mail in self.sink.mails]
        shown = ("From", "To", "Cc", "Bcc", "Subject", "Reply-To")
        return [
            "\n".join([*(m[field] for field in shown if m[field] is not None), *m.get_content().splitlines()])
            for m in messages
        ]

    def ids(self) -> list[str]:
        return [mail.message["Message-ID"] for mail in self.sink.mails]

    def refuse_bad(self) -> None:
        self.sink.manners.replies[self.bad] = "550 5.1.1 No such person"

    def busy_once(self) -> None:
        self.sink.manners.greylist_first = 1

    def hang_at(self, step: str) -> None:
        self.sink.manners.hang_at = step  # type: ignore[assignment] # one of `steps`

    def go_down(self) -> None:
        self.sink.manners.greeting = "421 4.3.2 Going down"

    def lose_the_reply(self) -> None:
        self.sink.manners.drop_after_data = True

    def reply_at_the_end(self, text: str) -> None:
        self.sink.manners.data_reply = f"250 {text}"

    def refuse_with(self, text: str) -> None:
        self.sink.manners.login = ("ward", self.secret)  # what it is told, and what it echoes
        self.sink.manners.data_reply = f"554 {text}"


class PagerRoute(Route):
    """The pager carrier and a paging server."""

    good, bad, took = "5551212", "5550000", "250 "
    level: Literal[1, 2] = 1
    steps: tuple[str, ...] = ("connect", "PAGE", "MESS", "SEND")

    def __init__(self) -> None:
        super().__init__()
        self.sink = SnppSink()

    async def start(self) -> None:
        await self.sink.start()

    async def stop(self) -> None:
        await self.close()
        await self.sink.stop()

    def carrier(self, limit: float = 5.0) -> Carrier:
        return self.carrier_to(LOOPBACK, self.sink.port, limit)

    def carrier_to(self, host: str, port: int, limit: float = 5.0) -> Carrier:
        return self.keep(SnppCarrier(host, port, self.level, limit=limit))

    def arrived(self) -> list[str]:
        return [page.pager for page in self.sink.pages]

    def texts(self) -> list[str]:
        return [page.text.replace("\r\n", "\n") for page in self.sink.pages]

    def refuse_bad(self) -> None:
        self.sink.manners.pagers = frozenset({self.good})

    def busy_once(self) -> None:
        self.sink.manners.busy_first = 1

    def hang_at(self, step: str) -> None:
        self.sink.manners.hang_at = step

    def go_down(self) -> None:
        self.sink.manners.greeting = "421 SERVER DOWN, Goodbye"  # RFC 1861 §4.7

    def lose_the_reply(self) -> None:
        self.sink.manners.drop_after_send = True

    def reply_at_the_end(self, text: str) -> None:
        self.sink.manners.send_reply = f"250 {text}"


class PagerRoute2(PagerRoute):
    """The same at level 2, with a login."""

    level: Literal[1, 2] = 2
    steps = ("LOGI", "SEND")  # the others as at level 1
    secret = SECRET

    def __init__(self) -> None:
        super().__init__()
        self.sink.manners.login = ("ward", self.secret)

    def carrier_to(self, host: str, port: int, limit: float = 5.0) -> Carrier:
        return self.keep(SnppCarrier(host, port, 2, "ward", self.secret, limit))

    def refuse_with(self, text: str) -> None:
        self.sink.manners.send_reply = f"550 {text}"


class PostRoute(Route):
    """The HTTPS carrier and a server that speaks TLS."""

    good, bad, took = "night-nurse", "gone", "202 "
    secret = SECRET
    steps = ("connect", "answer")

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="post-"))
        self.trusted: ssl.SSLContext | None = None

    async def start(self) -> None:
        ours, self.trusted = self_made(self.folder)
        self.sink = PostSink(tls=ours)
        await self.sink.start()

    async def stop(self) -> None:
        await self.close()
        await self.sink.stop()
        shutil.rmtree(self.folder)

    def carrier(self, limit: float = 5.0) -> Carrier:
        return self.carrier_to(LOOPBACK, self.sink.port, limit)

    def carrier_to(self, host: str, port: int, limit: float = 5.0) -> Carrier:
        url = f"https://{host}:{port}/notices"
        carrier = HttpsCarrier(
            url, self.secret, source="urn:monitor:ward", limit=limit, tls_context=self.trusted
        )
        return self.keep(carrier)

    def arrived(self) -> list[str]:
        return [post.event["data"]["to"] for post in self.sink.posts]

    def texts(self) -> list[str]:
        said = [post.event["data"] for post in self.sink.posts]
        return [f"{one['subject']}\n{one['text']}" for one in said]

    def ids(self) -> list[str]:
        return [post.event["id"] for post in self.sink.posts]

    def refuse_bad(self) -> None:
        self.sink.manners.unknown = frozenset({self.bad})

    def busy_once(self) -> None:
        self.sink.manners.busy_first = 1

    def hang_at(self, step: str) -> None:
        self.sink.manners.hang_at = step  # type: ignore[assignment] # one of `steps`

    def go_down(self) -> None:
        self.sink.manners.status = 503

    def lose_the_reply(self) -> None:
        self.sink.manners.drop_after_post = True

    def reply_at_the_end(self, text: str) -> None:
        self.sink.manners.said = text

    def refuse_with(self, text: str) -> None:
        self.sink.manners.status, self.sink.manners.said = 400, text


class FolderRoute(Route):
    """The example of a plug-in, kept apart as every plug-in is, and a folder."""

    good, bad, took = "night-nurse", "gone", "written"

    async def start(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="folder-"))
        for name in (self.good, self.bad):
            (self.folder / name).mkdir()

    async def stop(self) -> None:
        await self.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    def carrier(self, limit: float = 5.0) -> Carrier:
        options = folder_carrier.Options(folder=str(self.folder))
        return self.keep(
            CarrierApart("tray", partial(folder_carrier.open, "tray", options, None), limit=limit)
        )

    def files(self) -> list[Path]:
        return sorted(self.folder.glob("*/*"))

    def arrived(self) -> list[str]:
        return [path.parent.name for path in self.files()]

    def texts(self) -> list[str]:
        return [path.read_text(encoding="utf-8") for path in self.files()]

    def go_down(self) -> None:
        shutil.rmtree(self.folder)


class PluginMailRoute(MailRoute):
    """The mail carrier as a plug-in would bring it: whatever it does, it does apart."""

    steps: tuple[str, ...] = ("dot",)  # the others as of the mail carrier itself

    def carrier_to(self, host: str, port: int, limit: float = 5.0) -> Carrier:
        user, password = self.sink.manners.login or (None, None)

        def opened() -> Carrier:
            return EmailCarrier(host, port, "bell@ward.example", "none", user, password, limit)

        return self.keep(CarrierApart("mail", opened, limit=limit + 1, secrets=(self.secret,)))


CHECKS = [
    pytest.param(check, id=f"{kind.__name__} {check}")
    for kind in (MailRoute, PagerRoute, PagerRoute2, PostRoute, FolderRoute, PluginMailRoute)
    for check in contract(kind)
]


@pytest.mark.parametrize("check", CHECKS)
async def test_it_keeps_the_contract(check: Check) -> None:
    """Every carrier keeps every promise that its other end can put to the test."""
    await check()


def test_nothing_of_the_contract_is_left_out_unseen() -> None:
    """A server of ours can do all that a check needs, but that a page has no id and level 1 no login."""
    whole = {str(check) for check in contract(MailRoute) if not str(check).startswith("silence")}
    for kind, lacking in ((PostRoute, set()), (PagerRoute2, {"the same parcel is known again"})):
        assert whole - {str(check) for check in contract(kind)} == lacking
    assert whole - {str(check) for check in contract(PagerRoute)} == {
        "the same parcel is known again", "a secret that is echoed is not told",
    }  # fmt: skip


class Liar(folder_carrier.FolderCarrier):
    """A carrier that breaks a promise."""

    def __init__(self, folder: Path, broken: str) -> None:
        super().__init__("tray", folder)
        self.broken = broken

    async def send(self, parcel: Parcel) -> Attempt:
        """Break it."""
        if self.broken == "sends nothing":
            return Attempt(outcome=Outcome.SENT, text="written")
        if self.broken == "sends to anybody":
            parcel = replace(parcel, address="night-nurse")
        if self.broken == "raises" and "\x1b" in parcel.body:
            raise ValueError("what is that?")
        attempt = await super().send(parcel)
        if self.broken == "takes what was said as it is":
            (self._folder / parcel.address / "n-0001.txt").write_text(parcel.body, "utf-8", "replace")
        return replace(attempt, text="\n") if self.broken == "says nothing" else attempt


@pytest.mark.parametrize(
    ("broken", "found"),
    [
        ("sends nothing", "a parcel arrives once"),
        ("sends to anybody", "refused without a connection: 'a b'"),
        ("raises", "words stay words: controls"),
        ("takes what was said as it is", "words stay words: controls"),
        ("says nothing", "a parcel arrives once"),
    ],
)
async def test_a_carrier_that_breaks_a_promise_is_found(broken: str, found: str) -> None:
    """The contract can fail, and says which promise it was."""

    class LiarRoute(FolderRoute):
        def carrier(self, limit: float = 5.0) -> Carrier:
            del limit
            return Liar(self.folder, broken)

    [check] = [check for check in contract(LiarRoute) if str(check) == found]
    with pytest.raises((AssertionError, ValueError)):
        await check()


def test_a_text_is_cut_cleaned_and_keeps_no_secret() -> None:
    """Line ends, hidden signs and half surrogates go, and a secret is blacked out before the cut."""
    assert one_line(" a\r\n\tb\u2028c\u202ed\ud800 ") == "a b c d"
    assert one_line("x" * 500) == "x" * 200
    assert one_line("550 bad login ward s3cret", ["s3cret", ""]) == "550 bad login ward [hidden]"


def test_a_fault_is_told_from_its_cause() -> None:
    """The errors of the network are told in words, through whatever wraps them."""
    wrapped = ConnectionError("outer")
    wrapped.__cause__ = ConnectionRefusedError(111, "inner")
    assert connection_fault(wrapped, "mail.example", 25) == "connection refused by mail.example:25"
    reset = ConnectionResetError()
    assert connection_fault(reset, "mail.example", 25) == "connection to mail.example:25 lost"
    unknown = socket.gaierror(-2, "Name or service not known")
    assert connection_fault(unknown, "mail.example", 25) == "host mail.example not found"
    unreachable = OSError(113, "x")
    assert connection_fault(unreachable, "h", 1) == "no connection to h:1: No route to host"
