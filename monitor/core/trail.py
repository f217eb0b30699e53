"""The audit trail: canonical entries, hashed into the tree of `tree.py`, and the check of a whole one.

An entry is a JSON object in the canonical form of RFC 8785. Its number `n` counts from 0 and is inside the
hashed text, so that an entry cannot be moved. Persons and devices appear by opaque keys only; names live
elsewhere and can be erased without touching a hash. The frontier is stored together with its entries.

Editing rules: the text of an entry is for ever, every trail in the field is checked against it; a new field
is simply a new key.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, NoReturn

import rfc8785

from monitor.core.changes import TrailEntry
from monitor.core.tree import (
    EMPTY_ROOT,
    Frontier,
    consistency_proof,
    inclusion_path,
    leaf_of,
    root,
    verify_consistency,
    verify_inclusion,
)

__all__ = [
    "EMPTY_ROOT",
    "Finding",
    "Frontier",
    "canonical",
    "check",
    "consistency_proof",
    "entry",
    "inclusion_path",
    "leaf_of",
    "root",
    "verify_consistency",
    "verify_inclusion",
]

_LARGEST = 2**53 - 1  # RFC 8785 §3.2.2.3 by way of I-JSON (RFC 7493 §2.2): exact in a binary double
_LONG_NUMBER = re.compile(rb"[0-9]{16}")
_PLAIN = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False)
_HIGH = re.compile(rb"[\xee-\xf4]")  # how UTF-8 begins U+E000 and all beyond (RFC 3629 §3)


def canonical(entry: Mapping[str, object]) -> bytes:
    """The entry's RFC 8785 text.

    Raises ValueError naming the key of a value that has no such text: NaN or infinity, a lone surrogate, an
    integer beyond 2^53 - 1, anything that is not JSON.
    """
    try:
        return rfc8785.dumps(dict(entry))  # type: ignore[arg-type]  # what is not JSON is refused below by its key
    except (ValueError, AttributeError) as error:
        _refuse(dict(entry), "entry")
        raise ValueError(f"entry: {error}") from error


def _refuse(value: object, key: str) -> None:
    """Raise ValueError if there is no canonical text for the value, naming the innermost key at fault."""
    match value:
        case None | bool():
            return
        case str():
            if any("\ud800" <= char <= "\udfff" for char in value):
                raise ValueError(f"{key}: a lone surrogate cannot be written as UTF-8")
        case int():
            if abs(value) > _LARGEST:
                raise ValueError(f"{key}: {value} is beyond the integers that JSON keeps exactly (2^53 - 1)")
        case float():
            if value != value or value in (float("inf"), float("-inf")):
                raise ValueError(f"{key}: {value} is no JSON number")
        case dict():
            for inner, item in value.items():
                if not isinstance(inner, str):
                    raise ValueError(f"{key}: the key {inner!r} is not text")
                _refuse(inner, f"{key}: key {inner!r}")
                _refuse(item, inner if key == "entry" else f"{key}.{inner}")
        case list() | tuple():
            for place, item in enumerate(value):
                _refuse(item, f"{key}[{place}]")
        case _:
            raise ValueError(f"{key}: {type(value).__name__} is not a JSON value")


def entry(
    *,
    n: int,
    at: int,
    event: str,
    concern: str | None = None,
    device: str | None = None,
    person: str | None = None,
    rule: str | None = None,
    priority: str | None = None,
    detail: Mapping[str, object] | None = None,
) -> TrailEntry:
    """The trail's entry number `n`, of instant `at` (ms UTC); what is None is left out of its text."""
    told: dict[str, object] = {"n": n, "at": at, "event": event}
    optional = {
        "concern": concern,
        "device": device,
        "person": person,
        "rule": rule,
        "priority": priority,
    }
    told |= {key: value for key, value in optional.items() if value is not None}
    if detail is not None:
        told["detail"] = dict(detail)
    text = canonical(told)
    return TrailEntry(n=n, at=at, event=event, concern=concern, text=text, leaf=leaf_of(text))


Wrong = Literal[
    "gap", "misplaced", "edited", "not-canonical", "lookup", "tree", "inserted", "truncated", "signed", "head", "key",
    "name", "meta",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """The first place where a trail is wrong: the entry's number, what is wrong, and that as a sentence."""

    n: int
    wrong: Wrong
    sentence: str


def check(
    entries: Iterable[TrailEntry],
    frontier: Frontier,
    *,
    pruned: int = 0,
    roots: Mapping[int, bytes] | None = None,
) -> Finding | None:
    """The first wrong place of a trail in the order of its numbers, None if it is whole.

    Each entry is checked by itself (number, leaf hash, canonical text, what it is looked up by), each perfect
    subtree against the frontier, then the length. An edit with a fitting leaf hash is found by its subtree.
    Below `pruned` the text may be gone, by policy: its leaf hash still has to be that of the tree. `roots` are what
    signed heads say, size -> root: what was changed together with the stored tree is found between two of them.
    """
    seen = Frontier()
    ends = _ends(frontier)
    signed, good = roots or {}, 0
    for item in entries:
        if seen.size >= frontier.size:
            sentence = f"entry {seen.size} is there, but the tree ends before it: {frontier.size} entries"
            return Finding(n=seen.size, wrong="inserted", sentence=sentence)
        finding = _check_entry(item, seen.size, pruned)
        if finding is not None:
            return finding
        seen.append(item.leaf)
        if (wanted := signed.get(seen.size)) is not None:
            if seen.root() != wanted:
                return _not_signed(good, seen.size)
            good = seen.size
        start = ends.get(seen.size)
        if start is not None and seen.roots[-1] != frontier.roots[len(seen.roots) - 1]:
            return Finding(
                n=start,
                wrong="tree",
                sentence=f"entries {start} to {seen.size - 1} are not what the tree was built from",
            )
    longest = max([frontier.size, *signed])
    if seen.size < longest:
        said = "" if longest == frontier.size else ": a signed head has them"
        sentence = f"entries {seen.size} to {longest - 1} are missing at the end{said}"
        return Finding(n=seen.size, wrong="truncated", sentence=sentence)
    return None


def _not_signed(good: int, size: int) -> Finding:
    sentence = f"entries {good} to {size - 1} are not those that were signed"
    fits = f": the signed head of {good} entries still fits, that of {size} does not" if good else ""
    return Finding(n=good, wrong="signed", sentence=sentence + fits)


def _ends(frontier: Frontier) -> dict[int, int]:
    """Where each perfect subtree ends, and where it starts."""
    ends: dict[int, int] = {}
    start = 0
    for bit in reversed(range(frontier.size.bit_length())):
        if frontier.size >> bit & 1:
            ends[start + (1 << bit)] = start
            start += 1 << bit
    return ends


def _check_entry(item: TrailEntry, expected: int, pruned: int) -> Finding | None:
    def finding(wrong: Wrong, sentence: str) -> Finding:
        return Finding(n=expected, wrong=wrong, sentence=sentence)

    if item.n > expected:
        last = item.n - 1
        return finding("gap", f"missing: entry {expected}" + (f" to {last}" if last > expected else ""))
    if item.n < expected:
        return finding("misplaced", f"number {item.n} stands where {expected} belongs")
    if item.text == b"" and expected < pruned:  # by policy: only its leaf hash is left, for the tree to judge
        if (item.at, item.event, item.concern) != (0, "", None) or len(item.leaf) != 32:
            return finding(
                "lookup", f"entry {expected} was taken away by policy, yet something else is left of it"
            )
        return None
    if item.leaf != leaf_of(item.text):
        return finding("edited", f"entry {expected} was edited: its text does not give its hash")
    try:
        told = _parse(item.text)
    except (ValueError, RecursionError) as error:
        return finding("not-canonical", f"entry {expected} is not in canonical form: {error}")
    if told.get("n") != expected:
        return finding("misplaced", f"entry {expected} says it is number {told.get('n')}")
    if (told.get("at"), told.get("event"), told.get("concern")) != (item.at, item.event, item.concern):
        return finding("lookup", f"entry {expected} is filed under a time, event or concern not its own")
    return None


def _parse(text: bytes) -> dict[str, object]:
    """The entry's object; ValueError if the text is not its RFC 8785 text."""
    odd: list[str] = []

    def fraction(number: str) -> float:
        if "e" in number or "E" in number or number.endswith(".0"):
            odd.append(number)
        return float(number)

    long = _LONG_NUMBER.search(text) is not None
    told = json.loads(
        text.decode("utf-8"),
        parse_float=fraction,
        parse_int=_whole if long else None,
        parse_constant=_no_constant,
    )
    if not isinstance(told, dict):
        raise ValueError("not an object")
    # The standard library writes the same text but for exponents, ".0", long integers and the order of keys from
    # U+E000 on (RFC 8785 §3.2.3 sorts UTF-16 code units): without those it decides, and far faster.
    quick = not odd and not long and _HIGH.search(text) is None
    if quick and _PLAIN.encode(told).encode() == text:
        return told
    if canonical(told) != text:
        raise ValueError("written in another way than RFC 8785 says")
    return told


def _whole(number: str) -> int | float:
    value = int(number)
    return (
        value if abs(value) <= _LARGEST else float(number)
    )  # how a large double is written, RFC 8785 app. B


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON number")
