"""Form tokens: each answers once, on the page as it was shown, for one answer; after a restart on none.

A token is the instant of the page and an HMAC-SHA-256 of that, the link, what the page showed, the answer and a secret
of this process.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections import OrderedDict
from typing import Final

LIFE: Final = 30 * 60_000  # ms that a page may lie open before its buttons ask to look again; common practice
MOST_USED: Final = 10_000


class Forms:
    """Makes form tokens, and takes each of them once."""

    def __init__(self) -> None:
        self._key = secrets.token_bytes(32)
        self._used: OrderedDict[str, int] = OrderedDict()
        self._last = 0
        self._from = 0  # tokens of an earlier instant are not remembered, so none is taken

    def token(self, link: str, shown: str, answer: str, now: int) -> str:
        """The token of one button."""
        self._last = max(now, self._last + 1)  # two pages of one millisecond have two tokens
        return f"{self._last:x}.{self._mac(link, shown, answer, self._last)}"

    def take(self, token: str, link: str, shown: str, answer: str, now: int) -> str | None:
        """None if it is good, and then it is used up; else why it is not: "forged", "used", "old" or "changed"."""
        when, _, mac = token.partition(".")
        try:
            made = int(when, 16) if len(when) <= 16 and when.isalnum() else -1
        except ValueError:
            made = -1
        if made < 0 or not mac.isascii():
            return "forged"
        if mac in self._used:
            return "used"
        if not hmac.compare_digest(self._mac(link, shown, answer, made), mac):
            return "changed"  # or forged, or of another process: nobody can tell
        if now - made > LIFE or made < self._from:
            return "old"
        self._used[mac] = made
        while len(self._used) > MOST_USED:
            _, oldest = self._used.popitem(last=False)
            self._from = max(self._from, oldest + 1)
        return None

    def _mac(self, link: str, shown: str, answer: str, made: int) -> str:
        text = "\n".join((link, shown, answer, str(made)))
        return hmac.new(self._key, text.encode(), hashlib.sha256).hexdigest()[:32]
