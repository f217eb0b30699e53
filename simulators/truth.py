"""Ground truth: what really went wrong when, and from when on somebody else was needed.

A *trouble* is a cause, not an alarm: a blocked line, a pump off its socket. It is kept only if nobody at the
bedside dealt with it. `needed_from` is the first instant from which that was so: the onset of an alarm that
nobody answers within `IN_HAND_MS`, the first mute of an alarm that is only ever muted, the moment at which a
carer leaves a line that is not mended, a plug that is not in, a feed that is not running. The simulator knows
it because it knows what its carers are about to do; no rule does.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from simulators.instants import MINUTE, rfc3339

Kind = Literal[
    "line-blocked",
    "container-empty",
    "unplugged",
    "left-idle",
    "device-fault",
    "out-of-sight",
    "bridge-lost",
    "behind-plan",
    "rate-too-high",
    "charger-fault",
    "tube-out",
    "unfed-at-risk",
]
How = Literal["mended-by-nurse", "mended-at-bedside", "came-back", "open"]

# What somebody has to know of, but can only watch over, or has seen already: no notice makes it shorter.
TO_KNOW: frozenset[Kind] = frozenset({"behind-plan", "tube-out", "unfed-at-risk"})

# Yu 2021 (Appl Clin Inform 12:528) takes 4 min as the line beyond which a pump alarm has not been dealt with.
IN_HAND_MS = 4 * MINUTE


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """One trouble that needed somebody; *device* may be a bridge; *ended* is None while it lasts."""

    device: str
    kind: Kind
    began: int
    needed_from: int
    ended: int | None
    how: How


@dataclass(slots=True, kw_only=True)
class _Open:
    kind: Kind
    began: int
    needed_from: int | None


class Ledger:
    """The troubles of one device or bridge, open and ended."""

    def __init__(self, device: str) -> None:
        self._device = device
        self._open: dict[Kind, _Open] = {}
        self._ended: list[Trouble] = []

    def begin(self, kind: Kind, at: int, *, needed_from: int | None = None) -> object:
        """Note a cause, unless one of its kind lasts already; return the token for `lasts`."""
        return self._open.setdefault(kind, _Open(kind=kind, began=at, needed_from=needed_from))

    def need(self, kind: Kind, at: int) -> None:
        """Note that from *at* on nobody at the bedside was dealing with it; the first such instant counts."""
        trouble = self._open.get(kind)
        if trouble is not None and trouble.needed_from is None:
            trouble.needed_from = at

    def end(self, kind: Kind, at: int, how: How) -> None:
        """Note that the cause is gone; one that was dealt with in time is forgotten."""
        trouble = self._open.pop(kind, None)
        if trouble is not None and trouble.needed_from is not None and trouble.needed_from < at:
            self._ended.append(self._entry(trouble, at, how))

    def token(self, kind: Kind) -> object | None:
        """Return the token of the cause of this kind that is there now."""
        return self._open.get(kind)

    def lasts(self, token: object) -> bool:
        """Say whether the cause of *token* is still there."""
        return any(trouble is token for trouble in self._open.values())

    def kinds(self) -> tuple[Kind, ...]:
        """Return the causes that are there now."""
        return tuple(self._open)

    def troubles(self, at: int) -> list[Trouble]:
        """Return all troubles up to *at*."""
        lasting = [
            self._entry(trouble, None, "open")
            for trouble in self._open.values()
            if trouble.needed_from is not None and trouble.needed_from <= at
        ]
        return self._ended + lasting

    def _entry(self, trouble: _Open, ended: int | None, how: How) -> Trouble:
        needed_from = trouble.needed_from
        assert needed_from is not None
        return Trouble(
            device=self._device,
            kind=trouble.kind,
            began=trouble.began,
            needed_from=needed_from,
            ended=ended,
            how=how,
        )


def to_json_lines(troubles: Iterable[Trouble]) -> str:
    """Write troubles as JSON lines, instants in RFC 3339."""
    lines = []
    for trouble in troubles:
        entry = {
            "device": trouble.device,
            "kind": trouble.kind,
            "began": rfc3339(trouble.began),
            "needed_from": rfc3339(trouble.needed_from),
            "ended": None if trouble.ended is None else rfc3339(trouble.ended),
            "how": trouble.how,
        }
        lines.append(json.dumps(entry, separators=(",", ":")) + "\n")
    return "".join(lines)
