"""How long a text is in GSM 7-bit characters, and how to make any text fit a pager or a text message.

Pure functions. The alphabet is data: position in `BASIC` is the code of 3GPP TS 23.038 §6.2.1 (from memory),
so edit it only against that table. 160 septets, 153 each when joined, and what costs two: domain §6.
"""

import unicodedata
from typing import Final

BASIC: Final = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞ\x1bÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
"""The default alphabet in code order; code 0x1B escapes to the extension table and is no character."""

EXTENSION: Final = "^{}\\[]~|€\f"
"""Characters of the extension table, each sent as escape and a second septet."""

SINGLE: Final = 160
"""Septets in one short message: 140 octets (domain §6)."""

JOINED: Final = 153
"""Septets left in each part of a joined message, after its header (domain §6)."""

_COST: Final = {c: 1 for c in BASIC if c != "\x1b"} | dict.fromkeys(EXTENSION, 2)

# What a nurse would write instead, where decomposition gives nothing useful.
_INSTEAD: Final = {
    "‘": "'", "’": "'", "‚": "'", "“": '"', "”": '"', "„": '"', "`": "'", "´": "'",
    "‐": "-", "‑": "-", "–": "-", "—": "-", "−": "-", "…": "...", "•": "*", "·": ".",
    "→": "->", "←": "<-", "≤": "<=", "≥": ">=", "×": "x", "÷": "/", "±": "+/-", "°": " deg", "µ": "u",
    "œ": "oe", "Œ": "OE",
    "ø": "o", "Ø": "O", "æ": "ae", "Æ": "AE", "ß": "ss", "ł": "l", "Ł": "L", "đ": "d", "Đ": "D",
    "€": "EUR", "£": "GBP", "¥": "JPY", "§": "par. ", "¿": "?", "¡": "!",
}  # fmt: skip


def septets(text: str) -> int:
    """Length of the text in septets; raises ValueError at the first character that GSM 7-bit lacks."""
    total = 0
    for character in text:
        cost = _COST.get(character)
        if cost is None:
            raise ValueError(f"not a GSM 7-bit character: {character!a}")
        total += cost
    return total


def messages(text: str) -> int:
    """How many short messages it takes: one up to 160 septets, else parts of 153; raises as `septets`."""
    if septets(text) <= SINGLE:
        return 1
    parts, used = 1, 0
    for character in text:
        cost = _COST[character]
        # An escape and its second septet stay in one part (3GPP TS 23.040 §9.2.3.24.1, from memory).
        if used + cost > JOINED:
            parts, used = parts + 1, 0
        used += cost
    return parts


def fit(text: str, limit: int = SINGLE, *, ascii_only: bool = False) -> str:
    """The text as one GSM 7-bit line of at most `limit` septets, ending in `..` where it was cut.

    Line ends and runs of white space become one blank, control characters go, what the alphabet lacks is
    decomposed (NFKD) and else becomes `?`. With `ascii_only` the characters outside ASCII are replaced too.
    Raises ValueError for a negative limit.
    """
    if limit < 0:
        raise ValueError("the limit must not be negative")
    composed = unicodedata.normalize("NFC", text)
    line = " ".join("".join(_replacement(c, ascii_only) for c in composed).split())
    if septets(line) <= limit:
        return line
    if limit < len(".."):
        return _head(line, limit)
    return _head(line, limit - len("..")).rstrip() + ".."


def _head(line: str, limit: int) -> str:
    """The longest beginning of the line that is no longer than the limit."""
    used = 0
    for index, character in enumerate(line):
        used += _COST[character]
        if used > limit:
            return line[:index]
    return line


def _replacement(character: str, ascii_only: bool) -> str:
    """What stands for one character: itself, a plainer spelling, nothing for a control, or `?`."""
    if character.isspace():
        return " "
    if unicodedata.category(character) in ("Cc", "Cf"):
        return ""
    if _sendable(character, ascii_only):
        return character
    if character in _INSTEAD:
        return _INSTEAD[character]
    pieces = unicodedata.normalize("NFKD", character)
    plain = "".join(
        piece if _sendable(piece, ascii_only) else _INSTEAD.get(piece, " " if piece.isspace() else "?")
        for piece in pieces
        if not unicodedata.combining(piece)
    )
    return plain or "?"


def _sendable(character: str, ascii_only: bool) -> bool:
    """Whether the alphabet has the character and the wire may carry it."""
    return character in _COST and (not ascii_only or character.isascii())
