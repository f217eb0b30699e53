"""HTTP Message Signatures (RFC 9421) with HMAC-SHA-256, and Content-Digest (RFC 9530): what signing a POST needs.

Editing rules: an exact subset, no parser. Component values are given as they stand in the message, field names in lower
case; a value with a line end in it is refused, as it could pass for another component (RFC 9421 §2.5, §7.5.6).
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Iterable, Mapping


def content_digest(body: bytes) -> str:
    """The value of Content-Digest (RFC 9530 §2), a dictionary of one byte sequence (RFC 8941 §3.3.5)."""
    return f"sha-256=:{base64.b64encode(hashlib.sha256(body).digest()).decode()}:"


def parameters(names: Iterable[str], *, created: int, key_id: str, algorithm: str | None = None) -> str:
    """What is signed and how (RFC 9421 §2.3); `created` is in seconds since 1970-01-01 UTC."""
    listed = " ".join(_quoted(name) for name in names)
    named = "" if algorithm is None else f";alg={_quoted(algorithm)}"
    return f"({listed});created={created};keyid={_quoted(key_id)}{named}"


def base(values: Mapping[str, str], signed: str) -> bytes:
    """The signature base (RFC 9421 §2.5): one line a component, in the order of `signed`, the parameters last."""
    lines = [*values.items(), ("@signature-params", signed)]
    if any(sign in value for _, value in lines for sign in "\r\n"):
        raise ValueError("a signed value has a line end in it")
    return "\n".join(f"{_quoted(name)}: {value}" for name, value in lines).encode("ascii")


def signature(secret: bytes, signed: bytes) -> str:
    """The signature as a byte sequence (RFC 9421 §3.3.3; RFC 8941 §3.3.5)."""
    return f":{base64.b64encode(hmac.digest(secret, signed, 'sha256')).decode()}:"


def _quoted(text: str) -> str:
    """A string of structured fields (RFC 8941 §3.3.3): ASCII, with backslash and quotation mark escaped."""
    if not (text.isascii() and text.isprintable()):
        raise ValueError("not printable ASCII")
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
