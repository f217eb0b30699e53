"""Reading what has come back to the service's mailbox, against the worked examples of the RFCs."""

from __future__ import annotations

import time
from email.message import EmailMessage

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.returned_mail import MOST, Return, read

NOTICE = "3f9a1c04be7d55a2c1e0"
OURS = f"<{NOTICE}@larkfield.secondbell.invalid>"

# The simple report among the examples of RFC 3464 (Appendix E); what it returns stands in brackets there.
RFC_3464 = """\
Date: Thu, 7 Jul 1994 17:16:05 -0400
From: Mail Delivery Subsystem <MAILER-DAEMON@CS.UTK.EDU>
Message-Id: <199407072116.RAA14128@CS.UTK.EDU>
Subject: Returned mail: Cannot send message for 5 days
To: <owner-info-mime@cs.utk.edu>
MIME-Version: 1.0
Content-Type: multipart/report; report-type=delivery-status;
      boundary="RAA14128.773615765/CS.UTK.EDU"

--RAA14128.773615765/CS.UTK.EDU

The original message was received at Sat, 2 Jul 1994 17:10:28 -0400
from root@localhost

   ----- The following addresses had delivery problems -----
<louisl@larry.slip.umd.edu>  (unrecoverable error)

--RAA14128.773615765/CS.UTK.EDU
content-type: message/delivery-status

Reporting-MTA: dns; cs.utk.edu

Original-Recipient: rfc822;louisl@larry.slip.umd.edu
Final-Recipient: rfc822;louisl@larry.slip.umd.edu
Action: failed
Status: 4.0.0
Diagnostic-Code: smtp; 426 connection timed out
Last-Attempt-Date: Thu, 7 Jul 1994 17:15:49 -0400

--RAA14128.773615765/CS.UTK.EDU
content-type: message/rfc822

[original message goes here]
--RAA14128.773615765/CS.UTK.EDU--
"""


def report(
    *blocks: str, mail: str = "", kind: str = "text/rfc822-headers", envelope: str = NOTICE, more: str = ""
) -> bytes:
    """A report with these blocks about recipients, and the header of our mail."""
    named = f"Original-Envelope-Id: {envelope}\n" if envelope else ""
    status = "\n\n".join([f"Reporting-MTA: dns; mx.example\n{named}".rstrip("\n"), *blocks])
    text = f"""\
From: MAILER-DAEMON@mx.example
Auto-Submitted: auto-replied
{more}Content-Type: multipart/report; report-type="Delivery-Status"; boundary=b

--b

It did not work.

--b
Content-Type: message/delivery-status

{status}

--b
Content-Type: {kind}

{mail}

--b--
"""
    return text.replace("\n", "\r\n").encode()


FAILED = "Final-Recipient: rfc822;night@ward.example\nAction: failed\nStatus: 5.1.1 (no such person)"
DELAYED = "Final-Recipient: rfc822;night@ward.example\nAction: delayed\nStatus: 4.4.1"
DELIVERED = "Final-Recipient: rfc822;day@ward.example\nAction: delivered\nStatus: 2.0.0"


def test_the_example_of_rfc_3464() -> None:
    """It has failed, by its own word, although its status begins with 4; it is of no mail of ours."""
    assert read(RFC_3464.encode()) == Return("", "failed", "4.0.0")
    ours = RFC_3464.replace(
        "[original message goes here]", f"From: bell@ward.example\nMessage-ID: {OURS}\n\ntext"
    )
    assert read(ours.encode()) == Return(NOTICE, "failed", "4.0.0")


@pytest.mark.parametrize(
    ("blocks", "what", "status"),
    [
        ([FAILED], "failed", "5.1.1"),
        ([DELAYED], "delayed", "4.4.1"),
        ([DELIVERED], "delivered", "2.0.0"),
        ([DELIVERED, FAILED, DELAYED], "failed", "5.1.1"),  # RFC 3464 §2.3: a block for each recipient
        (["Action: FAILED\nStatus: none"], "failed", ""),
        (["Action: exploded"], "unclear", ""),
        ([], "unclear", ""),
    ],
)
def test_a_report_says_what_became_of_it(blocks: list[str], what: str, status: str) -> None:
    """The worst of its recipients counts, words in any case, a status only if it is one of RFC 3463."""
    assert read(report(*blocks)) == Return(NOTICE, what, status)


def test_which_mail_it_was_is_told_by_the_envelope_or_the_mail_itself() -> None:
    """ENVID comes back (RFC 3461 §6.3); without it, the Message-ID of the header or of the whole mail is looked at."""
    header = f"From: bell@ward.example\nMessage-ID: {OURS}\n"
    assert read(report(FAILED, mail=header, envelope="")).notice == NOTICE
    assert read(report(FAILED, mail=header, envelope="another-programs-id")).notice == NOTICE
    assert read(report(FAILED, mail=f"{header}\nbody", envelope="", kind="message/rfc822")).notice == NOTICE
    assert read(report(FAILED, envelope="")).notice == ""
    assert read(report(FAILED, envelope=NOTICE.replace("3", "+33"))).notice == NOTICE  # xtext left as it was


def mail(body: str = "Thanks, I am on my way.", **fields: str) -> bytes:
    """A plain mail with these fields, `_` for `-` in their names."""
    made = EmailMessage()
    for name, value in fields.items():
        made[name.replace("_", "-")] = value
    made.set_content(body)
    return bytes(made)


@pytest.mark.parametrize(
    ("fields", "what"),
    [
        ({"Auto_Submitted": "auto-replied"}, "automatic"),  # RFC 3834 §5: a vacation notice
        ({"Auto_Submitted": "Auto-Generated (by a machine); x=y"}, "automatic"),
        ({"Auto_Submitted": "no"}, "reply"),
        ({"Auto_Submitted": "(by hand) no"}, "reply"),
        ({"Precedence": "auto_reply"}, "automatic"),
        ({"Precedence": "Bulk"}, "automatic"),
        ({"Return_Path": "<>"}, "automatic"),  # RFC 3834 §2, RFC 5321 §4.5.5
        ({"Return_Path": "<night@ward.example>"}, "reply"),
        ({}, "reply"),
    ],
)
def test_a_machine_is_told_from_a_person(fields: dict[str, str], what: str) -> None:
    """Auto-Submitted other than no, bulk, or from nobody: a machine wrote it (RFC 3834 §2, §5)."""
    assert read(mail(In_Reply_To=OURS, **fields)) == Return(NOTICE, what)


def test_the_nearest_mail_of_ours_counts() -> None:
    """In-Reply-To first, then the last of References (RFC 5322 §3.6.4); other programs' ids are not ours."""
    other = f"<{'0' * 20}@larkfield.secondbell.invalid>"
    assert read(mail(References=f"{other} <a@b.example> {OURS}")).notice == NOTICE
    assert read(mail(In_Reply_To=OURS, References=other)).notice == NOTICE
    assert read(mail(In_Reply_To=f"<{NOTICE}@elsewhere.example>")).notice == ""


def test_a_reading_receipt_is_automatic() -> None:
    """A disposition notification (RFC 8098) is a report too, and tells that a mail was shown, not that it was read."""
    raw = report(FAILED).replace(b'report-type="Delivery-Status"', b"report-type=disposition-notification")
    assert read(raw).what == "automatic"


@given(st.binary(max_size=400))
def test_whatever_comes_is_read_without_raising(raw: bytes) -> None:
    """Any bytes are something, and none of them a report of failure by accident."""
    assert read(raw).what in ("reply", "automatic", "unclear")


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        report(FAILED)[:400],
        b"Content-Type: multipart/report; report-type=delivery-status\r\n\r\nno boundary",
        b"Content-Type: multipart/report; report-type=\xff; boundary=\xff\r\n\r\n--\xff",
        b"".join(
            b"Content-Type: multipart/mixed; boundary=b%d\r\n\r\n--b%d\r\n" % (n, n) for n in range(1500)
        ),
        b"Content-Type: message/rfc822\r\n\r\n" * 3000,
        b"Subject: x\r\n" + b"References: " + OURS.encode() * 100_000,
    ],
    ids=["empty", "cut", "no boundary", "not ASCII", "deep", "mails in mails", "long"],
)
def test_a_broken_or_enormous_mail_is_read_without_raising(raw: bytes) -> None:
    """Cut, nested without end, or longer than any mail: a word for it, and no exception."""
    assert isinstance(read(raw), Return)
    assert len(read(raw[:MOST]).notice) in (0, 20)


def test_half_of_a_report_is_still_one() -> None:
    """A mail server that cuts a report short leaves what was said before."""
    whole = report(FAILED, mail="From: bell@ward.example")
    assert read(whole[: whole.index(b"text/rfc822-headers")]) == Return(NOTICE, "failed", "5.1.1")


def test_a_field_without_end_is_not_looked_through() -> None:
    """1 MB of semicolons in a Content-Type: the library would be at its parameters for a quarter of an hour."""
    began = time.thread_time()
    assert read(b'Content-Type: multipart/report; a="' + b";" * MOST + b"\n\nx").notice == ""
    assert time.thread_time() - began < 60
