"""Asking a mail server to say what becomes of a mail: delivery status notifications for SMTP (RFC 3461)."""

from __future__ import annotations

import re
from typing import Final

EXTENSION: Final = "dsn"

NOT_TAKEN: Final = frozenset({501, 504, 555})
"""Replies to a parameter that a server offers and does not take (RFC 5321 §4.2.4, §4.1.1.11): it is left out then."""

_ENCODED: Final = re.compile(r"\+([0-9A-F]{2})")


def xtext(text: str) -> str:
    """ASCII as a parameter's value (RFC 3461 §4): all but printable signs, and of these + and =, as +XX."""
    return "".join(
        sign if "!" <= sign <= "~" and sign not in "+=" else f"+{byte:02X}"
        for sign, byte in zip(text, text.encode("ascii"), strict=True)
    )


def from_xtext(value: str) -> str:
    """The text that a value says; what is no xtext stays as it is."""
    return _ENCODED.sub(lambda found: chr(int(found[1], 16)), value)


def of_mail(notice: str) -> list[str]:
    """The parameters of MAIL: our id comes back with each report (§4.4), of the mail its header (§4.3)."""
    return ["RET=HDRS", f"ENVID={xtext(notice)}"]


def of_recipient(address: str) -> list[str]:
    """The parameters of RCPT: report what failed or is late (§4.1), and for whom it first was (§4.2)."""
    return ["NOTIFY=FAILURE,DELAY", f"ORCPT=rfc822;{xtext(address)}"]
