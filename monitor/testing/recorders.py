"""A clock moved by hand, carriers and a store that keep what they are given: for whole services and for the bench."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.adapters.carriers import Attempt, Outcome, Parcel
from monitor.adapters.clock import SteppedClock
from monitor.core.changes import ASIDE, KINDS, Changes, Quarantined, TrailEntry
from monitor.core.instants import parse_duration
from monitor.core.parts import Loaded
from monitor.core.trail import Frontier


class ManualClock(SteppedClock):
    """A clock for a whole service that moves only when told, by durations such as "4 min"."""

    def pass_by(self, duration: str) -> int:
        """Let time pass; returns the instant that it is then (ms UTC)."""
        self.enter(self.now() + parse_duration(duration))
        self.complete()
        return self.now()


class RecordingCarrier:
    """A carrier that keeps what it was given; it can be told to fail, for one address or for all."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.sent: list[Parcel] = []
        self.attempts: list[Parcel] = []
        self._answers: dict[str, Attempt] = {}

    def fails(self, outcome: Outcome | str, *, address: str = "", text: str = "421 not now") -> None:
        """From now on attempts end in this `outcome`; `works` ends that. `address` "" means every one."""
        self._answers[address] = Attempt(outcome=Outcome(outcome), text=text)

    def works(self) -> None:
        """Let every attempt succeed again."""
        self._answers.clear()

    def attempt(self, parcel: Parcel) -> Attempt:
        """One attempt, recorded."""
        self.attempts.append(parcel)
        answer = self._answers.get(parcel.address) or self._answers.get("")
        if answer is not None:
            return answer
        self.sent.append(parcel)
        return Attempt(outcome=Outcome.SENT, text="250 taken")

    async def send(self, parcel: Parcel) -> Attempt:
        """The same, as a service calls it."""
        return self.attempt(parcel)

    async def close(self) -> None:
        """Nothing is kept open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A notice that reached a person: `items` are its (concern id, why), `text` is a page or a mail's body."""

    at: int
    person: str
    carrier: str
    items: tuple[tuple[str, str], ...]
    subject: str
    text: str
    notice: str
    message_id: str
    thread: str | None


@dataclass(slots=True)
class Kept:
    """What a store would hold: state rows by kind and key, the trail with its frontier, names, quarantine."""

    rows: dict[str, dict[str, str]] = field(default_factory=dict)
    entries: list[TrailEntry] = field(default_factory=list)
    frontier: str | None = None
    names: dict[str, tuple[str, str]] = field(default_factory=dict)
    quarantined: list[Quarantined] = field(default_factory=list)

    def commit(self, changes: Changes) -> None:
        """Keep one transaction; what is put aside stays with its kind, as readers of a store see it."""
        for (stored, key), text in changes.rows.items():
            assert stored in KINDS, f"{stored}: a kind of row that no store gives back"
            kind = next((kind for kind, aside in ASIDE.items() if aside == stored), stored)
            if text is None:
                self.rows.get(kind, {}).pop(key, None)
            else:
                self.rows.setdefault(kind, {})[key] = text
        self.entries += changes.entries
        self.frontier = changes.frontier or self.frontier
        self.names |= changes.names
        self.quarantined += changes.quarantined

    def head(self) -> Frontier:
        """The trail's frontier."""
        return Frontier.from_text(self.frontier) if self.frontier else Frontier()

    def load(self) -> Loaded:
        """What an engine begins from; its rows come in no order."""
        return Loaded(rows=self.rows, frontier=self.head(), size=len(self.entries))
