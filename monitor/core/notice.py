"""The record of one notice: what it tells of to whom, where it stands, and its text once it has one."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Any, NamedTuple


class Notice:
    """`items` are [concern, why]; gathering, held (by the load limit or quiet hours), sending, waiting, sent, failed
    or dropped."""

    FIELDS = (
        "id", "person", "way", "items", "rank", "created", "due", "state", "attempts", "first_try", "message_id",
        "thread", "subject", "body", "ended",
        "group", "kind", "loud", "drill", "held", "counted",
    )  # fmt: skip
    VERSION = 2
    SINCE_2 = frozenset({"group", "kind", "loud", "drill", "held", "counted"})  # what version 1 does not have
    __slots__ = (*(field for field in FIELDS if field != "items"), "said")

    def __init__(self, *, id: str, person: str, way: int, rank: int, created: int, due: int) -> None:
        self.id = id
        self.person = person
        self.way = way  # which of the person's carriers
        self.said: dict[str, str] = {}  # concern -> why, in the order in which they were put
        self.rank = rank
        self.created = created
        self.due: int | None = due
        self.state = "gathering"
        self.attempts = 0
        self.first_try: int | None = None
        self.message_id = ""
        self.thread: str | None = None
        self.subject = ""
        self.body = ""
        self.ended: int | None = None
        self.group = ""  # the group that it is about
        self.kind = ""  # of a group's: what its reasons have in common
        self.loud = False  # it tells of a high concern: quiet hours do not count
        self.drill = False
        self.held = ""  # why it was held back, if it was: it is a summary then
        self.counted: int | None = None  # when it was counted for the load limit

    @property
    def items(self) -> list[list[str]]:
        """What it tells of, as [concern, why]."""
        return [[concern, why] for concern, why in self.said.items()]

    def say(self, concern: str, why: str) -> None:
        """Tell of a concern, once: what is said of it last is what counts."""
        self.said.pop(concern, None)
        self.said[concern] = why

    def tells_of(self, concern: str) -> bool:
        """Whether it tells of this concern."""
        return concern in self.said

    def mail_id(self, site: str) -> str:
        """Its Message-ID, the same in every attempt (RFC 5322 §3.6.4; the domain is reserved by RFC 2606)."""
        return f"<{self.id}@{site}.secondbell.invalid>"

    def dump(self) -> dict[str, Any]:
        """The record as JSON values."""
        return {field: getattr(self, field) for field in self.FIELDS}

    @classmethod
    def load(cls, state: dict[str, Any]) -> Notice:
        """The record from what `dump` gave, of this version or an older one."""
        notice = cls(id="", person="", way=0, rank=1, created=0, due=0)
        for field in cls.FIELDS:
            if field == "items":
                notice.said = dict(state["items"])
            elif field in state or field not in cls.SINCE_2:
                setattr(notice, field, state[field])
        return notice


# Fills in subject, body and thread when the time has come to send; False if there is nothing left to say.
Compose = Callable[[Notice, str, int], bool]
# Whether anything of what a notice says is still so, before it is tried again.
News = Callable[[Notice], bool]
# Told of a notice that was sent or failed for good.
Ended = Callable[[Notice, bool, int], None]


class Bucket(NamedTuple):
    """What is gathered into one notice: to whom, by which way; of a group, only reasons of one kind."""

    person: str
    way: int
    group: str
    kind: str


def bucket_of(notice: Notice) -> Bucket:
    """Where a notice is gathered."""
    return Bucket(notice.person, notice.way, notice.group, notice.kind)


def notice_id(concern: str, why: str, person: str, way: int, now: int, occasion: str) -> str:
    """The id of a notice, from what it was begun for: the same on every run."""
    told = f"{concern}|{why}|{person}|{way}|{now}|{occasion}"
    return hashlib.sha256(told.encode()).hexdigest()[:20]
