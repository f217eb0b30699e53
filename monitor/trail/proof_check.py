"""Checks a proof from the audit trail of Second Bell. Needs nothing but this file and Python 3.9 or newer.

    python check_proof.py PROOF.json --key trail.pub [--key …]

A proof says that an entry stands in a trail of which a head was signed, or that a later head goes on from an earlier
one with nothing changed. Both rest on the public key: it has to come from somebody you trust, not with the proof.
Exit status: 0 proved, 1 not proved, 2 usage or a file that is no proof.

Sources: RFC 9162 §2.1.3.2 and §2.1.4.2 (proofs), RFC 8032 §5.1.7 (Ed25519), RFC 8410 §4 (the key's file).
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import json
import re
import sys
from typing import Any

INCLUSION, CONSISTENCY = "secondbell.trail-proof.v1", "secondbell.trail-consistency.v1"
HEAD = "secondbell.trail-head.v1"
EMPTY = hashlib.sha256(b"").digest()


class NotProved(Exception):
    """The proof does not hold; says where."""


class NoProof(Exception):
    """The file is not what was expected; says how."""


# ---- Ed25519, RFC 8032 §5.1 --------------------------------------------------------------------------------------

P = 2**255 - 19
L = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P
ROOT_OF_MINUS_1 = pow(2, (P - 1) // 4, P)
Point = (
    "tuple[int, int, int, int]"  # extended coordinates X, Y, Z, T with x = X/Z, y = Y/Z, xy = T/Z (§5.1.4)
)


def _add(p: Any, q: Any) -> Any:
    a, b = (p[1] - p[0]) * (q[1] - q[0]) % P, (p[1] + p[0]) * (q[1] + q[0]) % P
    c, d = 2 * p[3] * q[3] * D % P, 2 * p[2] * q[2] % P
    e, f, g, h = b - a, d - c, d + c, b + a
    return e * f % P, g * h % P, f * g % P, e * h % P


def _times(number: int, point: Any) -> Any:
    found = (0, 1, 1, 0)
    while number:
        if number & 1:
            found = _add(found, point)
        point, number = _add(point, point), number >> 1
    return found


def _point(data: bytes) -> Any:
    """Decode a point (§5.1.3); None if it is none."""
    y = int.from_bytes(data, "little")
    sign, y = y >> 255, y & (1 << 255) - 1
    if y >= P:
        return None
    square = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    x = pow(square, (P + 3) // 8, P)
    if (x * x - square) % P:
        x = x * ROOT_OF_MINUS_1 % P
    if (x * x - square) % P or (x == 0 and sign):
        return None
    if x & 1 != sign:
        x = P - x
    return x, y, 1, x * y % P


BASE = _point((4 * pow(5, P - 2, P) % P).to_bytes(32, "little"))


def signed_by(public: bytes, signature: bytes, message: bytes) -> bool:
    """Whether this is the key's Ed25519 signature over the message (§5.1.7)."""
    if len(public) != 32 or len(signature) != 64:
        return False
    a, r, s = _point(public), _point(signature[:32]), int.from_bytes(signature[32:], "little")
    if a is None or r is None or s >= L:
        return False
    k = int.from_bytes(hashlib.sha512(signature[:32] + public + message).digest(), "little") % L
    left, right = _times(s, BASE), _add(r, _times(k, a))
    # Equal as fractions; without the cofactor, as most implementations have it (§5.1.7 allows it).
    return not (
        (left[0] * right[2] - right[0] * left[2]) % P or (left[1] * right[2] - right[1] * left[2]) % P
    )


# ---- the tree, RFC 9162 §2.1 -------------------------------------------------------------------------------------


def _node(left: bytes, right: bytes) -> bytes:
    return hashlib.sha256(b"\x01" + left + right).digest()


def included(leaf: bytes, index: int, size: int, path: list[bytes], root: bytes) -> bool:
    """Whether the path leads from the leaf to the root (§2.1.3.2)."""
    if not 0 <= index < size:
        return False
    fn, sn, r = index, size - 1, leaf
    for p in path:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            r = _node(p, r)
            while not fn & 1 and fn:
                fn, sn = fn >> 1, sn >> 1
        else:
            r = _node(r, p)
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and r == root


def consistent(first: int, first_root: bytes, second: int, second_root: bytes, path: list[bytes]) -> bool:
    """Whether the second tree only added to the first (§2.1.4.2)."""
    if not 0 <= first <= second:
        return False
    if first == second or first == 0:
        return not path and (first_root == second_root if first == second else first_root == EMPTY)
    if first & (first - 1) == 0:
        path = [first_root, *path]
    if not path:
        return False
    fn, sn = first - 1, second - 1
    while fn & 1:
        fn, sn = fn >> 1, sn >> 1
    fr = sr = path[0]
    for c in path[1:]:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            fr, sr = _node(c, fr), _node(c, sr)
            while not fn & 1 and fn:
                fn, sn = fn >> 1, sn >> 1
        else:
            sr = _node(sr, c)
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and fr == first_root and sr == second_root


# ---- files -------------------------------------------------------------------------------------------------------


def read_key(text: str) -> bytes:
    """The public key of a PEM file (RFC 8410 §4): 12 fixed bytes, then the 32 of the key."""
    found = re.search(r"-----BEGIN PUBLIC KEY-----(.*?)-----END PUBLIC KEY-----", text, re.DOTALL)
    data = base64.b64decode(found[1]) if found else b""
    if len(data) != 44 or data[:12].hex() != "302a300506032b6570032100":
        raise NoProof("not a public key for heads of a trail (Ed25519, PEM)")
    return data[12:]


def _canonical(told: Any) -> bytes:
    """RFC 8785 of a head: for its plain keys, whole numbers and ASCII texts the standard library writes just that."""
    return json.dumps(told, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def check_head(signed: Any, keys: list[bytes]) -> dict[str, Any]:
    """What a signed head says; NotProved if none of the keys has signed it."""
    head: dict[str, Any] = signed["head"]
    if head["type"] != HEAD:
        raise NoProof(f"a head of the kind {HEAD} was expected, not {head['type']!r}")
    signature = base64.b64decode(signed["signature"], validate=True)
    if not any(signed_by(key, signature, _canonical(head)) for key in keys):
        raise NotProved(
            f"the head of {head['at']!r} is not signed with the key that was given (it names the key {head['key']!r})"
        )
    return head


def check(proof: Any, keys: list[bytes]) -> list[str]:
    """What the proof proves, as lines; NotProved if it does not, NoProof if it is none."""
    path = [bytes.fromhex(step) for step in proof["path"]]
    if proof["type"] == INCLUSION:
        head = check_head(proof["head"], keys)
        text = proof["entry"].encode()
        leaf = hashlib.sha256(b"\x00" + text).digest()
        if not included(leaf, proof["index"], head["size"], path, bytes.fromhex(head["root"])):
            raise NotProved(f"this entry is not number {proof['index']} of the trail that was signed")
        return [
            f"proved: this is entry {proof['index']} of {head['size']} of the trail of {head['site']!r}, "
            f"whose head was signed at {head['at']}:",
            proof["entry"],
        ]
    if proof["type"] == CONSISTENCY:
        first, second = check_head(proof["first"], keys), check_head(proof["second"], keys)
        roots = bytes.fromhex(first["root"]), bytes.fromhex(second["root"])
        if first["site"] != second["site"] or not consistent(
            first["size"], roots[0], second["size"], roots[1], path
        ):
            raise NotProved(f"the head of {second['at']} does not go on from that of {first['at']}")
        return [
            f"proved: the trail of {first['site']!r} signed at {second['at']} ({second['size']} entries) goes on from "
            f"the one signed at {first['at']} ({first['size']} entries): none of those was changed or removed"
        ]
    raise NoProof(f"a proof of an unknown kind: {proof['type']!r}")


def main(arguments: list[str] | None = None) -> int:
    """Check one proof; the exit status."""
    parser = argparse.ArgumentParser(prog="check_proof.py", description="Checks a proof from an audit trail.")
    parser.add_argument("proof", metavar="PROOF.json")
    parser.add_argument(
        "--key",
        action="append",
        required=True,
        metavar="FILE",
        help="the public key, from somebody you trust",
    )
    args = parser.parse_args(arguments)
    name = ""
    try:
        keys = []
        for name in args.key:
            with open(name, encoding="ascii", errors="replace") as file:
                keys.append(read_key(file.read(10_000)))
        name = args.proof
        with open(name, encoding="utf-8") as file:
            lines = check(json.load(file), keys)
    except NotProved as error:
        print(f"NOT proved: {error}")
        return 1
    except OSError as error:
        print(f"{name}: {error.strerror}", file=sys.stderr)
        return 2
    except NoProof as error:
        print(f"{name}: {error}", file=sys.stderr)
        return 2
    except (ValueError, TypeError, KeyError, IndexError, AttributeError, OverflowError, RecursionError):
        print(f"{name}: not a proof of an audit trail", file=sys.stderr)
        return 2
    print("\n".join(lines))
    return 0


if __name__ == "__main__":
    sys.exit(main())
