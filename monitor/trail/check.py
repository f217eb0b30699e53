"""Whether an audit trail is what it was: its entries and tree, its heads and keys, heads kept elsewhere, names.

Only what is right in itself is held against the rest: a head whose signature is wrong says nothing about entries.
"""

from __future__ import annotations

import json
import re
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from pathlib import Path
from typing import Any, Literal

from monitor.adapters.store_errors import StoreDamaged
from monitor.adapters.store_reader import StoreReader
from monitor.adapters.trail_keys import verified
from monitor.core.changes import TrailEntry
from monitor.core.heads import (
    FORGOTTEN,
    KEY_CHANGED,
    KEY_LOST,
    PRUNED,
    Head,
    WrongHead,
    key_change,
    key_id,
    key_of,
    read,
)
from monitor.core.instants import DAY, show
from monitor.core.trail import Finding, check

Opaque = Callable[[str, str], str]
_KEYS = re.compile(rb'"([pd]:[0-9a-f]{16})"')
_HEAD_LINE = re.compile(r'^\{"head":.*\}\s*$', re.MULTILINE)
_LONGEST = 1_000_000  # bytes of a head's file that are looked at
_KEPT = 100 * DAY  # the shortest that a site file may keep texts
_CLOCK = DAY  # by which an entry's instant and a head's may disagree: late messages, clocks put right


@dataclass(slots=True, kw_only=True)
class Verdict:
    """What was found, the most concrete first, and what the trail is."""

    findings: list[Finding] = field(default_factory=list)
    size: int = 0
    root: bytes = b""
    heads: list[Head] = field(default_factory=list)
    pruned: int = 0
    forgotten: int = 0
    names_checked: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class _Key:
    """A key that signed from after an entry on; `how` the trail came to it."""

    public: bytes
    after: int
    how: Literal["first", "changed", "lost"]

    @property
    def id(self) -> str:
        return key_id(self.public)


def read_head(path: Path) -> Head:
    """The signed head in a file: its line alone, or a saved mail; OSError, or ValueError naming the file."""
    with path.open("rb") as file:
        raw = file.read(_LONGEST)
    text = raw.decode("utf-8", "replace")
    if not (found := _HEAD_LINE.search(text)):  # a mail may be written as quoted-printable
        with suppress(LookupError, ValueError, KeyError):
            body = message_from_bytes(raw, policy=policy.default).get_body(("plain",))
            text = body.get_content() if body is not None else text
        found = _HEAD_LINE.search(text)
    try:
        return read(found[0] if found else text)
    except WrongHead as error:
        raise ValueError(f"{path}: {error}") from None


def verify(
    reader: StoreReader,
    *,
    outside: Sequence[tuple[str, Head]] = (),
    trusted: Sequence[bytes] = (),
    opaque: Opaque | None = None,
    progress: Callable[[int, int], None] | None = None,
    now: int | None = None,
) -> Verdict:
    """Check everything; `outside` are heads kept elsewhere with their files' names, `trusted` public keys given.

    `opaque` makes the key of a name, where the site's secret can be read; `now`, ms UTC, if it can be told.
    """
    verdict = Verdict(names_checked=opaque is not None)
    found = [Finding(n=0, wrong="meta", sentence=doubt) for doubt in reader.doubts()]
    try:
        frontier = reader.frontier()
    except StoreDamaged as error:
        verdict.findings = [Finding(n=0, wrong="tree", sentence=str(error)), *found]
        return verdict
    verdict.size, verdict.root = frontier.size, frontier.root()
    good = _Heads(reader, found)
    verdict.heads = good.heads
    good.hold_against(outside, trusted)
    passing = _Passing(reader.reported(progress, frontier.size))
    pruned = _pruned(reader, good.heads, found, now)
    first = check(passing, frontier, pruned=pruned, roots=good.roots)
    if first is None:
        found += _names(reader, passing, opaque)
    verdict.findings = [*([first] if first is not None else []), *found]
    verdict.pruned, verdict.forgotten = passing.blank, len(passing.forgotten)
    return verdict


class _Heads:
    """The heads that stand in the store, and the keys that signed them."""

    def __init__(self, reader: StoreReader, found: list[Finding]) -> None:
        self.site, self.found = reader.site, found
        self.heads: list[Head] = []
        self.roots: dict[int, bytes] = {}
        self._texts: set[str] = set()
        for number, (n, text) in enumerate(reader.heads()):
            try:
                head = self._read(number, n, text)
            except WrongHead as error:
                self._wrong("head", f"signed head {number} {error}")
                break
            self.heads.append(head)
            self._texts.add(head.text)
        self.keys = self._history(reader)
        for number, head in enumerate(self.heads):
            key = [key for key in self.keys if key.after < head.size][-1]
            if head.public != key.public:
                self._wrong(
                    "key",
                    f"signed head {number} is signed with the key {head.key}, the trail's was {key.id} then",
                )
                break
            if head.size:
                self.roots[head.size] = head.root

    def _wrong(self, what: Literal["head", "key"], sentence: str, n: int | None = None) -> None:
        at = (self.heads[-1].size if self.heads else 0) if n is None else n
        self.found.append(Finding(n=at, wrong=what, sentence=sentence))

    def _read(self, number: int, n: object, text: object) -> Head:
        if n != number:
            raise WrongHead("is missing")
        head = read(text if isinstance(text, bytes) else b"")
        if head.text.encode() != text:
            raise WrongHead("has something beside its text")
        before = self.heads[-1] if self.heads else None
        if head.site != self.site:
            raise WrongHead(f"is of another site: {head.site!r}")
        if head.previous != (before.digest if before else None):
            raise WrongHead("does not follow the one before it")
        if before is not None and head.size < before.size:
            raise WrongHead(f"has {head.size} entries, fewer than the one before it")
        if not verified(head.public, head.signature, head.signed):
            raise WrongHead("has a wrong signature")
        return head

    def _history(self, reader: StoreReader) -> list[_Key]:
        """The first head's key, and those that entries of the trail put in its place."""
        if not self.heads:
            return []
        keys = [_Key(public=self.heads[0].public, after=-1, how="first")]
        for entry in reader.entries(events=(KEY_CHANGED, KEY_LOST)):
            try:
                detail: dict[str, Any] = json.loads(entry.text)["detail"]
                public, signature = key_of(detail)
                named = (detail.get("old"), detail.get("new")) == (keys[-1].id, key_id(public))
            except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
                named, public, signature = False, b"", b""
            changed = entry.event == KEY_CHANGED
            if not named or (
                changed
                and not verified(keys[-1].public, signature, key_change(self.site, keys[-1].id, public))
            ):
                self._wrong(
                    "key", f"entry {entry.n} gives the trail another key without its old one's word", entry.n
                )
                return keys
            keys.append(_Key(public=public, after=entry.n, how="changed" if changed else "lost"))
        return keys

    def hold_against(self, outside: Sequence[tuple[str, Head]], trusted: Sequence[bytes]) -> None:
        """Compare with what lies elsewhere."""
        since_lost = max((i for i, key in enumerate(self.keys) if key.how == "lost"), default=0)
        vouched = any(key.public in trusted for key in self.keys[since_lost:])
        if trusted and not vouched:
            has = f"its key is {self.keys[-1].id}" if self.keys else "it has no signed head"
            given = ", ".join(key_id(public) for public in trusted)
            self._wrong("key", f"nothing of it is signed with the key that was given ({given}): {has}", 0)
        elif since_lost and not vouched:
            key = self.keys[since_lost]
            self._wrong(
                "key",
                f"from entry {key.after} on it is signed with another key ({key.id}), said to be there because the old "
                "one was lost; if you know that this is so, give its public key: --key",
                key.after,
            )
        known = {key.public for key in self.keys}
        for name, head in outside:
            if not verified(head.public, head.signature, head.signed):
                self._wrong("head", f"{name}: this head has a wrong signature", 0)
            elif head.public not in known and head.public not in trusted:
                ids = ", ".join(key.id for key in self.keys) or "none"
                self._wrong(
                    "key",
                    f"{name}: this head of {show(head.at)} is signed with the key {head.key}, the trail's are: {ids}. "
                    "One of the two is not genuine; a key that you know to be right can be given: --key",
                    0,
                )
                self.roots.setdefault(head.size, head.root)
            else:
                if head.text not in self._texts:
                    self._wrong(
                        "head",
                        f"{name}: this head of {show(head.at)} is not among those in the store",
                        head.size,
                    )
                self.roots[head.size] = head.root
        self.roots.pop(0, None)


def _pruned(reader: StoreReader, heads: Sequence[Head], found: list[Finding], now: int | None) -> int:
    """Below which number texts may be gone: as entries say that the signed heads, and the policy, do not belie.

    Whoever can write to the store can add such an entry, for the service to sign: it must not hide a young text.
    """
    highest = 0
    sizes = [head.size for head in heads]  # they do not go back: each follows the one before it
    for entry in reader.entries(events=(PRUNED,)):
        with suppress(ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError):
            detail = json.loads(entry.text)["detail"]
            before, old = int(detail["before"]), entry.at - max(int(detail["keep"]), _KEPT)
            # Signed when the last of those texts was not there yet; and the first after it was said.
            earlier = heads[: bisect_left(sizes, before)][-1:]
            later = heads[bisect_right(sizes, entry.n) :][:1]
            if (
                (now is not None and entry.at > now + _CLOCK)
                or before > entry.n
                or any(head.at > old + _CLOCK for head in earlier)
                or any(head.at < entry.at - _CLOCK for head in later)
            ):
                sentence = (
                    f"entry {entry.n} says that the texts before entry {before} were old enough to be taken away; "
                    "the signed heads, or the clock, say that they were not"
                )
                found.append(Finding(n=entry.n, wrong="signed", sentence=sentence))
            else:
                highest = max(highest, before)
    return highest


class _Passing:
    """The entries as they pass, and what is gathered of them on the way."""

    def __init__(self, entries: Iterator[TrailEntry]) -> None:
        self._entries = entries
        self.keys: set[bytes] = set()
        self.forgotten: set[str] = set()
        self.blank = 0

    def __iter__(self) -> Iterator[TrailEntry]:
        for entry in self._entries:
            yield entry  # it has been checked when this goes on
            if not entry.text:
                self.blank += 1
                continue
            keys = _KEYS.findall(entry.text)
            self.keys.update(keys)
            if self.forgotten:  # whoever is listed again has a name again
                self.forgotten.difference_update(key.decode() for key in keys)
            if entry.event == FORGOTTEN:
                with suppress(ValueError, TypeError, KeyError):
                    self.forgotten.add(str(json.loads(entry.text)["detail"]["key"]))


def _names(reader: StoreReader, passing: _Passing, opaque: Opaque | None) -> Iterator[Finding]:
    """Names beside the tree: each must be the one of its key, and none may have gone but by `forget`."""
    names = reader.names()
    for key, (kind, name) in names.items():
        if opaque is not None and opaque(kind, name) != key:
            yield Finding(
                n=0, wrong="name", sentence=f"the name behind {key} is not the one that it was made of"
            )
            return
        if key in passing.forgotten:
            yield Finding(
                n=0, wrong="name", sentence=f"the name behind {key} was to be forgotten, and is there"
            )
            return
    gone = sorted({key.decode() for key in passing.keys} - names.keys() - passing.forgotten)
    if gone:
        more = f" and {len(gone) - 1} more" if len(gone) > 1 else ""
        yield Finding(
            n=0,
            wrong="name",
            sentence=f"the name behind {gone[0]}{more} is gone, and no entry says that it was erased",
        )
