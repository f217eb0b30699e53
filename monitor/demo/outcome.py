"""What a simulated night came to."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from monitor.demo.morning import Morning


@dataclass(slots=True)
class Outcome:
    """What the night came to."""

    folder: Path
    messages: int = 0
    pages: int = 0
    mails: int = 0
    events: Counter[str] = field(default_factory=Counter)
    troubles: int = 0
    morning: Morning | None = None
    a_concern: str | None = None

    @property
    def good(self) -> bool:
        """Whether the trail is whole and the change in its copy was found."""
        found = self.morning
        return found is not None and found.finding is None and (found.copy is None or found.found != "whole")
