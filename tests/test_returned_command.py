"""`secondbell returned` as a mail server's pipe runs it: a real service, and a report as a mail server writes it."""

from __future__ import annotations

import asyncio
import io
import re
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.adapters.returned_mail import read
from monitor.cli import main
from simulators.smtp_sink import Mail
from tests.night import Ward, night, raised, secondbell
from tests.sitefile.site_text import SITE


def report(mail: Mail, action: str = "failed", status: str = "5.1.1") -> str:
    """A report about a mail that really was sent, as a server writes one that was asked by ENVID."""
    [envelope] = [asked.removeprefix("ENVID=") for asked in mail.asked if asked.startswith("ENVID=")] or [""]
    header = mail.raw.decode().partition("\r\n\r\n")[0].replace("\r\n", "\n")
    named = f"Original-Envelope-Id: {envelope}\n" if envelope else ""
    return (
        "From: MAILER-DAEMON@mx.invalid\nReturn-Path: <>\nAuto-Submitted: auto-replied\nMIME-Version: 1.0\n"
        'Content-Type: multipart/report; report-type=delivery-status; boundary="b"\n\n'
        "--b\n\nMr Smith, it did not work.\n\n--b\nContent-Type: message/delivery-status\n\n"
        f"Reporting-MTA: dns; mx.invalid\n{named}\n"
        f"Final-Recipient: rfc822;{mail.recipients[0]}\nAction: {action}\nStatus: {status}\n\n"
        f"--b\nContent-Type: text/rfc822-headers\n\n{header}\n\n--b--\n"
    )


async def pipe(made: Ward, text: str) -> subprocess.CompletedProcess[str]:
    """Run the command as a process, with a mail on its standard input."""
    where = ("--site", str(made.site_file))
    return await asyncio.to_thread(secondbell, "returned", *where, input=text)


async def taken(made: Ward, text: str) -> str:
    """The same without a process of its own: what was done about a mail."""
    found = read(text.encode())
    said = await made.monitor.ask("returned", notice=found.notice, what=found.what, status=found.status)
    assert said["ok"]
    return str(said["text"])


async def test_a_mail_that_could_not_be_delivered_is_told_another_way(tmp_path: Path) -> None:
    """The charge nurse's mail comes back: she is paged. A reply, a delay and a forged report change nothing."""
    async with night(tmp_path / "ward") as made:
        made.smtp.manners.reports = "offered"
        await raised(made)
        await made.step(made.now + 11 * 60_000)
        mail, *_ = [mail for mail in made.smtp.mails if mail.recipients == ("charge@larkfield.invalid",)]
        assert made.snpp.pages[-1].pager != "4100"

        assert await taken(made, report(mail, "delayed", "4.4.1")) == "recorded: delayed"
        answer = (
            f"In-Reply-To: {mail.message['Message-ID']}\nFrom: charge@larkfield.invalid\n\nI am on my way.\n"
        )
        assert await taken(made, answer) == "recorded; nobody accepts by replying to a mail"
        await taken(made, f"Auto-Submitted: auto-replied\n{answer}")
        forged = report(mail).replace(mail.message["Message-ID"], "<x@y.invalid>")
        forged = re.sub(r"Original-Envelope-Id: \w+", "Original-Envelope-Id: " + "0" * 20, forged)
        assert "nothing else was done" in await taken(made, forged)

        said = await pipe(made, report(mail))
        assert (said.returncode, said.stdout, said.stderr) == (
            0, "recorded: failed; the person is told by the next carrier\n", "",
        )  # fmt: skip
        await made.step(made.now + 10_000)
        assert made.snpp.pages[-1].pager == "4100"
        assert [entry["person"] for entry in made.happened("automatic-reply")] == ["charge"]
        assert [entry["person"] for entry in made.happened("reply-not-read")] == ["charge"]
        [unknown] = made.happened("return-unknown")
        assert unknown["detail"] == {"what": "failed"}
        told = [
            entry
            for entry in made.happened("told")
            if entry["detail"]["notice"] in mail.message["Message-ID"]
        ]
        returned = made.happened("notice-returned")
        assert [(entry["concern"], entry["detail"]["action"]) for entry in returned] == [
            (told[0]["concern"], "delayed"), (told[0]["concern"], "failed"),
        ]  # fmt: skip
        assert made.happened("accepted") == []
        assert not any("Smith" in str(entry) or "charge@" in str(entry) for entry in made.trail())


def test_while_the_service_does_not_run_the_mail_server_is_to_keep_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """75 is sysexits' EX_TEMPFAIL, on which a mail server tries again; also where the site file is half written."""

    def run(mail: bytes, site: str) -> tuple[int, str, str]:
        (tmp_path / "site.toml").write_text(site)
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(mail)))
        status = main(["returned", "--site", str(tmp_path / "site.toml")])
        return status, *capsys.readouterr()

    status, out, said = run(b"From: a@b.invalid\n\nx", SITE)
    assert (status, out) == (75, "")
    assert said.startswith("secondbell: not now: ")
    assert run(b"From: a@b.invalid\n\nx", "half a fi")[0] == 75
    assert run(b"  \n", SITE) == (2, "", "secondbell: there is no mail on standard input\n")
