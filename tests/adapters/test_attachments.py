"""A mail with a file attached, read back by the standard library as any mail program would."""

from __future__ import annotations

from email import message_from_bytes, policy
from email.message import EmailMessage

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.carriers import Attachment, Parcel
from monitor.adapters.mail_text import mail_bytes

SENDER = "Second Bell <secondbell@larkfield.invalid>"


def parcel(body: str = "Nothing is open.\n", *attachments: Attachment, own: str = "<a@b.invalid>") -> Parcel:
    """A mail with these files."""
    return Parcel(
        notice="n", message_id=own, address="charge@larkfield.invalid", subject="Handover", body=body,
        urgency="low", thread=None, date_ms=1_773_540_000_000, attachments=attachments,
    )  # fmt: skip


def read(raw: bytes) -> EmailMessage:
    """The mail, strictly: a defect raises."""
    return message_from_bytes(raw, policy=policy.default.clone(raise_on_defect=True))


@given(st.text(max_size=300), st.binary(max_size=3_000), st.binary(max_size=200))
def test_text_and_files_arrive_as_they_were(body: str, one: bytes, two: bytes) -> None:
    """Whatever is in them (RFC 2046 §5.1): text first, then each file with its name and bytes; ASCII alone."""
    files = (
        Attachment(name="one.html", kind="text/html", data=one),
        Attachment(name="2.txt", kind="text/plain", data=two),
    )
    raw = mail_bytes(parcel(body, *files), SENDER)
    assert max(map(len, raw.split(b"\r\n"))) <= 998  # RFC 5322 §2.1.1
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert raw.isascii()
    mail = read(raw)
    assert mail.get_content_type() == "multipart/mixed"
    plain = read(mail_bytes(parcel(body), SENDER)).get_content()
    text = mail.get_body(("plain",))
    assert text is not None
    # The line break before a delimiter belongs to the delimiter (RFC 2046 §5.1.1).
    assert text.get_content().rstrip("\n") == plain.rstrip("\n")
    found = [(part.get_filename(), part.get_payload(decode=True)) for part in mail.iter_attachments()]
    assert found == [("one.html", one), ("2.txt", two)]


def test_a_mail_without_files_is_what_it_was() -> None:
    """One plain part, and no word of parts."""
    assert b"multipart" not in mail_bytes(parcel(), SENDER)


def test_a_file_in_the_page_s_own_letters() -> None:
    """Its media type says UTF-8, so that it is shown as it was written."""
    data = "Größe ≥ 5 mL".encode()
    mail = read(mail_bytes(parcel("x", Attachment(name="page.html", kind="text/html", data=data)), SENDER))
    [part] = mail.iter_attachments()
    assert isinstance(part, EmailMessage)
    assert (part.get_content_disposition(), part.get_content().strip()) == ("attachment", data.decode())


def test_attempts_are_alike() -> None:
    """The same parcel gives the same bytes; no randomness is in them."""
    one = parcel("x", Attachment(name="page.html", kind="text/html", data=b"y"))
    assert mail_bytes(one, SENDER) == mail_bytes(one, SENDER)


@pytest.mark.parametrize("name", ['a"; x="y.html', "a\r\nBcc: x@y.html", "../../page.html", "ä.html"])
def test_a_name_adds_no_field(name: str) -> None:
    """Nothing of a name but letters, digits, dots and dashes comes through."""
    mail = read(mail_bytes(parcel("x", Attachment(name=name, kind="text/html", data=b"y")), SENDER))
    [part] = mail.iter_attachments()
    assert set(part.keys()) == {"Content-Type", "Content-Disposition", "Content-Transfer-Encoding"}
    assert (part.get_filename() or "").replace(".", "").replace("_", "").replace("-", "").isalnum()
    assert "Bcc" not in mail


def test_a_delimiter_that_stands_in_the_text_is_not_used() -> None:
    """A body that quotes the very line which would end its part."""
    first = mail_bytes(parcel("x", Attachment(name="a.html", kind="text/html", data=b"y")), SENDER)
    boundary = read(first).get_boundary()
    assert boundary is not None
    mail = read(
        mail_bytes(
            parcel(f"--{boundary}--\nstill text", Attachment(name="a.html", kind="text/html", data=b"y")),
            SENDER,
        )
    )
    text = mail.get_body(("plain",))
    assert text is not None
    assert "still text" in text.get_content()
    assert len(list(mail.iter_attachments())) == 1
