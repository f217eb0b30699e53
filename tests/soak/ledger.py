"""What was published against what the service has counted, kind by kind, in every stretch of the night.

A broker sends again what was not acknowledged before one of the two was killed: so after a kill, and only then, the
service may count more than was published. It knows such a message again: of what acts, nothing is ever counted twice.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

from tests.soak.traffic import (
    ANSWER,
    ANSWER_AGAIN,
    DUPLICATE,
    FRESH,
    LATE,
    PLAN,
    PRESENCE,
    REJECTED,
    Traffic,
)

EXACT = ("snapshots", "answers", "sequence gaps")
NEVER = ("nothing", "contested", "cleared")


@dataclass(slots=True)
class Ledger:
    """The account of one night; `again` is how many messages were counted more often than they were published."""

    traffic: Traffic
    again: Counter[str] = field(default_factory=Counter)
    may_repeat: int = (
        0  # messages that were in flight at a kill, or were sent again after one: the bound of `again`
    )

    def disturbed(self, messages: int) -> None:
        """So many messages may have been taken and not acknowledged, and so come again."""
        self.may_repeat += messages

    def check(self, counters: Mapping[str, int]) -> list[str]:
        """What does not agree, in words. Whatever came again was in flight at a kill since the last check."""
        wrong = []
        counted, published = self._counted(counters), self._published()
        for kind in sorted({*counted, *published}):
            more = counted[kind] - published[kind]
            if kind in EXACT and more:
                wrong.append(f"{kind}: {published[kind]} published, {counted[kind]} counted")
            elif more < self.again[kind]:
                wrong.append(f"{kind}: {published[kind]} published, {counted[kind]} counted: some are lost")
            else:
                self.again[kind] = more
        came_again = sum(self.again.values())
        if came_again > self.may_repeat:
            wrong.append(
                f"{came_again} came again, and {self.may_repeat} at most were in flight: {self.again}"
            )
        self.may_repeat = came_again
        wrong += [f"{kind}: {counters[kind]} counted" for kind in NEVER if counters.get(kind)]
        total = sum(number for kind, number in counted.items() if kind != "sequence gaps")
        if counters.get("messages", 0) != total:
            wrong.append(f"messages: {counters.get('messages', 0)} taken, {total} by kind")
        return wrong

    def _published(self) -> Counter[str]:
        published = self.traffic.published
        found = Counter(
            {
                "snapshots": published[FRESH],
                "late or duplicate": published[LATE] + published[DUPLICATE],
                "presences": published[PRESENCE],
                "plans": published[PLAN],
                "answers": published[ANSWER],
                "answers repeated": published[ANSWER_AGAIN],
                "sequence gaps": self.traffic.gaps,
            }
        )
        found.update({kind: number for kind, number in published.items() if kind.startswith(REJECTED)})
        return found

    def _counted(self, counters: Mapping[str, int]) -> Counter[str]:
        def of(*names: str) -> int:
            return sum(counters.get(name, 0) for name in names)

        found = Counter(
            {
                "snapshots": of("snapshots"),
                "late or duplicate": of("late", "duplicate"),
                "presences": of("presences", "presences unchanged"),
                "plans": of("plans", "plans unchanged"),
                "answers": of("answers"),
                "answers repeated": of("answers repeated"),
                "sequence gaps": of("sequence-gaps"),
            }
        )
        found.update({kind: number for kind, number in counters.items() if kind.startswith(REJECTED)})
        return found

    def table(self, counters: Mapping[str, int]) -> list[str]:
        """Published, counted, come again: a line for each kind."""
        counted, published = self._counted(counters), self._published()
        lines = [f"{'messages':<28}{'published':>12}{'counted':>12}{'came again':>12}"]
        lines += [
            f"{kind:<28}{published[kind]:>12,}{counted[kind]:>12,}{self.again[kind]:>12,}"
            for kind in sorted({*counted, *published})
        ]
        return lines
