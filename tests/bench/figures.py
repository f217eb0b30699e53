"""What is measured: a figure with what it must reach, its values over the repetitions, the verdict, the table."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any


@dataclass(slots=True, kw_only=True)
class Figure:
    """One line of the table; without `limit` it is told for information only.

    `at_least` says whether the limit is a floor or a ceiling; `note` what one must know to read the values.
    """

    name: str
    unit: str
    limit: float | None = None
    at_least: bool = False
    values: list[float] = field(default_factory=list)
    note: str = ""

    @property
    def median(self) -> float | None:
        """The median of the values, None without any."""
        return statistics.median(self.values) if self.values else None

    @property
    def verdict(self) -> str:
        """Whether the median reaches the limit."""
        if self.median is None:
            return "not measured"
        if self.limit is None:
            return "-"
        reached = self.median >= self.limit if self.at_least else self.median <= self.limit
        return "reached" if reached else "MISSED"

    @property
    def must(self) -> str:
        """What it must reach, in words."""
        if self.limit is None:
            return "-"
        return f"{'≥' if self.at_least else '≤'} {shown(self.limit)} {self.unit}".rstrip()

    def as_json(self) -> dict[str, Any]:
        """The figure as JSON values."""
        return {
            "figure": self.name,
            "unit": self.unit,
            "must": self.must,
            "median": self.median,
            "min": min(self.values, default=None),
            "max": max(self.values, default=None),
            "values": self.values,
            "verdict": self.verdict,
            "note": self.note,
        }


def shown(value: float) -> str:
    """A number with as many digits as say something."""
    if abs(value) >= 1000:
        return f"{value:,.0f}"
    return f"{value:.3g}" if abs(value) < 100 else f"{value:.0f}"


def table(figures: Sequence[Figure]) -> str:
    """All figures as a Markdown table, with notes below it."""
    rows = [("figure", "must reach", "median [min–max]", "verdict")]
    notes: list[str] = []
    for figure in figures:
        name = figure.name
        if figure.note:
            if figure.note not in notes:
                notes.append(figure.note)
            name += f" ({notes.index(figure.note) + 1})"
        spread = "-"
        if figure.median is not None:
            ends = f"[{shown(min(figure.values))}–{shown(max(figure.values))}]"
            spread = f"{shown(figure.median)} {ends} {figure.unit}".rstrip()
        rows.append((name, figure.must, spread, figure.verdict))
    widths = [max(len(row[column]) for row in rows) for column in range(4)]
    lines = [
        "| " + " | ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) + " |" for row in rows
    ]
    lines.insert(1, "|" + "|".join("-" * (width + 2) for width in widths) + "|")
    lines += [""] + [f"({number}) {note}" for number, note in enumerate(notes, 1)]
    return "\n".join(lines)
