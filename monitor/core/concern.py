"""One concern's record: what it is about, where it stands, who was told, who has it, when something is due."""

from __future__ import annotations

import base64
import hashlib
from typing import Any

from monitor.core.concerns import State
from monitor.core.rulebook import PRIORITY


def concern_id(site: str, subject: str, rule: str, at: int) -> str:
    """The id of the concern that a rule raised at an instant: the same on every run, so the core needs no chance."""
    digest = hashlib.sha256(f"{site}|{subject}|{rule}|{at}".encode()).digest()
    return base64.b32encode(digest).decode().lower()[:12]


class Concern:
    """The record. Instants in ms UTC; `at` fields are rule time, the others the engine's now."""

    FIELDS = (
        "id", "subject", "unit", "rule", "about", "rank", "state", "raised_at", "since", "opened", "holding",
        "rule_changed", "times", "rung", "called", "called_at", "call_began", "refused", "wait", "wait_at",
        "waits_from_send",
        "holder", "last_holder", "recheck_at", "told", "told_at", "settled_at", "settled", "held_back", "late_by",
        "round_at", "evidence",
        "measure",
    )  # fmt: skip
    VERSION = 2
    SINCE_2 = frozenset({"measure"})  # what a record of version 1 does not have
    __slots__ = (*FIELDS, "queued")

    def __init__(
        self, *, id: str, subject: str, unit: str, rule: str, about: str, rank: int, at: int
    ) -> None:
        self.id = id
        self.subject = subject  # a device, or "unit:NAME"
        self.unit = unit
        self.rule = rule
        self.about = about
        self.rank = rank
        self.state = State.NONE
        self.raised_at = at
        self.since: int | None = None  # when the run, onsets or silence behind it began
        self.opened = at
        self.holding = True  # the rule holds now
        self.rule_changed = False  # the rule's meaning changed while it held
        self.times = 1  # how often the rule has held within this concern
        self.rung = -1  # the rung reached; the ladder's length is past the last
        self.called: list[str] = []  # the persons of the present call
        self.called_at: int | None = None  # what began after this (rule time) is new since the last call
        self.call_began: int | None = None
        self.refused: list[str] = []  # of the present round
        self.wait = 0
        self.wait_at: int | None = None
        self.waits_from_send = False  # a notice of the present call has been sent: the wait runs from then
        self.holder: str | None = None
        self.last_holder: str | None = None
        self.recheck_at: int | None = None
        # person -> [first told, Message-ID of the first mail or None, how many notices were sent]
        self.told: dict[str, list[Any]] = {}
        self.told_at: int | None = None
        self.settled_at: int | None = None
        self.settled: str | None = None  # why
        self.held_back: list[Any] | None = None  # [since when, why]: told once the backlog has been read
        self.late_by: int | None = None
        self.round_at: int | None = None  # when a ladder last went past its end
        self.evidence: dict[str, Any] = {}
        self.measure: list[float | None] | None = None  # how bad it was when somebody was last told
        self.queued: int | None = None  # the instant at which the engine's heap has it

    @property
    def priority(self) -> str:
        """high, medium or low."""
        return PRIORITY[self.rank]

    @property
    def begun(self) -> int:
        """When the trouble began: its run, first onset or silence, else when the rule began to hold."""
        return self.raised_at if self.since is None else self.since

    @property
    def live(self) -> bool:
        """Whether it still needs somebody."""
        return self.state in (State.OPEN, State.ACCEPTED)

    def due(self) -> int | None:
        """The next instant at which something happens to it by itself."""
        return (
            self.wait_at
            if self.state is State.OPEN
            else self.recheck_at
            if self.state is State.ACCEPTED
            else None
        )

    def dump(self) -> dict[str, Any]:
        """The record as JSON values."""
        return {field: getattr(self, field) for field in self.FIELDS}

    @classmethod
    def load(cls, state: dict[str, Any]) -> Concern:
        """The record from what `dump` gave."""
        concern = cls(id="", subject="", unit="", rule="", about="", rank=1, at=0)
        for field in cls.FIELDS:
            if field in state or field not in cls.SINCE_2:
                setattr(concern, field, state[field])
        concern.state = State(concern.state)
        return concern
