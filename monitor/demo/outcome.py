"""What a simulated night came to."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(slots=True)
class Outcome:
    """What the night came to."""

    folder: Path
    messages: int = 0
    pages: int = 0
    mails: int = 0
    events: Counter[str] = field(default_factory=Counter)
    troubles: int = 0
    entries: int = 0
    finding: str | None = None
    a_concern: str | None = None
