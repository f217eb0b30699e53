"""What one transaction stores: the core hands it out, a store writes it whole or not at all.

Editing rules: no behaviour in here but `empty`; a new kind of row is a new word in `KINDS`; whoever changes
the shape of any stored state raises `STATE_VERSION`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

STATE_VERSION: Final = 4
"""The version of the JSON in every row; a store refuses rows of a newer one."""

KINDS: Final = (
    "device", "concern", "notice", "engine", "answer", "unit", "technical", "group", "load", "sent-mail",
    "hold", "place", "drill", "rota", "configuration",
    "notice-day", "quarantine-place", "quarantine-day", "notice-over", "seen",
)  # fmt: skip
"""What a row may be about."""

ASIDE: Final = {"notice": "notice-over"}
"""Kinds whose rows are put aside under another kind when they are over: readers find both, a start loads neither."""

REPORTED: Final = frozenset({*ASIDE.values(), "seen"})
"""Kinds that are for readers alone: there may be months of them, and no start loads them."""

QUARANTINE_KEEPS: Final = 65_536
"""How many bytes of an unreadable message are kept (the contract's 64 KiB)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrailEntry:
    """One entry of the audit trail: number (from 0), what it is looked up by, canonical text, leaf hash.

    `at` is in milliseconds UTC. The first four stand in the hashed text too; the text decides.
    """

    n: int
    at: int
    event: str
    concern: str | None
    text: bytes
    leaf: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Quarantined:
    """One unreadable message: its first 64 KiB, and why; (day, reason, topic, slot) is its place."""

    day: str
    reason: str
    topic: str
    slot: int
    at: int
    length: int
    sha256: str
    payload: bytes
    detail: str


@dataclass(slots=True, kw_only=True)
class Changes:
    """Everything that a batch of messages, answers and deadlines did.

    `rows` maps (kind, key) to the state's JSON text, None deletes. `frontier` is the trail's after `entries`.
    `names` maps an opaque key to what it names, (what it is, name); a stored name stays; the name
    "" erases it.
    """

    rows: dict[tuple[str, str], str | None] = field(default_factory=dict)
    entries: list[TrailEntry] = field(default_factory=list)
    frontier: str | None = None
    names: dict[str, tuple[Literal["person", "device"], str]] = field(default_factory=dict)
    quarantined: list[Quarantined] = field(default_factory=list)

    def empty(self) -> bool:
        """Whether there is nothing to store."""
        return not (self.rows or self.entries or self.names or self.quarantined)
