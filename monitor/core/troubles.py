"""What can be wrong with Second Bell itself: the sorts of trouble, and the record of one.

Editing rules: a new sort is a row of `SORTS`, and its words stand in `trouble_words`. Nothing here decides when anybody
is told: that is `technical`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from monitor.core.instants import DAY, HOUR, MINUTE

CANNOT_STORE: Final = "cannot-store"
CANNOT_SEND: Final = "cannot-send"
REFUSES: Final = "carrier-refuses"
BACK: Final = "back-after-a-gap"
TRAIL_DOUBTFUL: Final = "trail-doubtful"
QUARANTINE_FULL: Final = "quarantine-full"
CLOCK_STEPPED: Final = "clock-stepped"
ROTA_UNREAD: Final = "rota-unread"
ROTA_ENDS: Final = "rota-runs-out"
SITE_UNREAD: Final = "site-file-unread"
UNSIGNED: Final = "record-not-signed"


class Sort(NamedTuple):
    """How one kind of trouble is told.

    `again`: ms in which it is told at most once (and, where it `lasts` and is `repeated`, told again for as long as it
    stands). `urgency` is a mail's Importance and its turn at a busy carrier: low, so that no notice about a pump waits
    for it, but where none of those is sent. All common practice, no source.
    """

    again: int
    urgency: str
    lasts: bool  # begins and ends, and the end is told too; otherwise it is told once, and that is all
    repeated: bool = False


SORTS: Final[Mapping[str, Sort]] = {
    CANNOT_STORE: Sort(10 * MINUTE, "high", lasts=True, repeated=True),  # nobody is told anything meanwhile
    CANNOT_SEND: Sort(30 * MINUTE, "low", lasts=True),
    REFUSES: Sort(4 * HOUR, "low", lasts=True),
    BACK: Sort(30 * MINUTE, "low", lasts=False),
    TRAIL_DOUBTFUL: Sort(4 * HOUR, "low", lasts=False),
    QUARANTINE_FULL: Sort(4 * HOUR, "low", lasts=False),
    CLOCK_STEPPED: Sort(30 * MINUTE, "low", lasts=False),
    ROTA_UNREAD: Sort(DAY, "low", lasts=True, repeated=True),  # each day the known rota is a day shorter
    ROTA_ENDS: Sort(DAY, "high", lasts=True, repeated=True),
    SITE_UNREAD: Sort(4 * HOUR, "low", lasts=True),
    UNSIGNED: Sort(7 * DAY, "low", lasts=True, repeated=True),  # no pump is watched less for it
}


class Trouble:
    """One trouble: its sort, what it is about (a carrier, or "carrier person"), since when, and what was told of it.

    `over` is when it ended. `facts` are what its words need. `owed` is what somebody has still to be told: "begun",
    "over" or nothing; from `due` on. `told_at` is when somebody last heard of it, `said` whether in this spell.
    """

    FIELDS = (
        "sort", "about", "since", "over", "facts", "owed", "due", "said", "told_at", "tellings",
        "attempts", "tried", "closed", "first_try", "sending", "threads",
    )  # fmt: skip
    VERSION = 1
    __slots__ = FIELDS

    def __init__(self, sort: str, about: str, since: int) -> None:
        self.sort, self.about, self.since = sort, about, since
        self.over: int | None = None
        self.facts: dict[str, Any] = {}
        self.owed: str | None = None
        self.due: int | None = None
        self.said = False
        self.told_at: int | None = None
        self.tellings = 0
        self.attempts = 0  # of what is being told now
        self.tried: dict[str, int] = {}  # by "person/way"
        self.closed: list[str] = []  # such as do not take it
        self.first_try: int | None = None
        self.sending: list[Any] | None = None  # [notice, person, way, "begun" or "over"] in flight
        self.threads: dict[str, str] = {}  # the first mail's Message-ID, by person

    @property
    def key(self) -> str:
        """Under which it is stored."""
        return f"{self.sort} {self.about}".rstrip()

    @property
    def how(self) -> Sort:
        """How its sort is told."""
        return SORTS[self.sort]

    def dump(self) -> dict[str, Any]:
        """The record as JSON values."""
        return {field: getattr(self, field) for field in self.FIELDS}

    @classmethod
    def load(cls, state: Mapping[str, Any]) -> Trouble:
        """The record from what `dump` gave."""
        trouble = cls("", "", 0)
        for field in cls.FIELDS:
            setattr(trouble, field, state[field])
        return trouble
