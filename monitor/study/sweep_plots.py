"""One threshold at several values: recall, precision and calls side by side, a row for each world."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from monitor.core.rulebook import Quantity
from monitor.study import plots
from monitor.study.findings import Findings, Swept, swept_at
from monitor.study.measures import BY_KEY
from monitor.study.summing import Estimate
from monitor.study.targets import TARGETS

PANELS: Final = ("recall", "precision", "calls")
_MINUTE, _SECOND = 60_000, 1_000
_BOUNDS: Final = {target.measure: target.bound for target in TARGETS if target.against is None}


def swept(findings: Findings, of: Swept) -> Any:
    """The picture of one sweep."""
    several = findings.sweeps()[of]
    figure = plots.new_figure(plots.WIDE, 0.9 + 2.2 * len(findings.worlds))
    rows: Any = figure.subplots(len(findings.worlds), len(PANELS), sharex=True, squeeze=False)
    scale, unit = scale_of([one.swept[2] for one in several if one.swept is not None])
    at = [swept_at(one) / scale for one in several]
    for panels, world, file in zip(rows, findings.worlds, findings.asked.worlds, strict=True):
        shipped = findings.shipped_value(of, file.setting)
        for panel, key in zip(panels, PANELS, strict=True):
            found = [world.estimates[one.name][key] for one in several]
            _curve(panel, at, found)
            measure = BY_KEY[key]
            panel.set_title(
                f"{world.name}: {measure.title.lower()}{',' if measure.unit == '%' else ''} {measure.unit}",
                fontsize=9,
            )
            _heights(panel, key, found)
            if shipped is not None:
                _mark_shipped(panel, Quantity.parse(shipped).number / scale)
            panel.grid(visible=True, color="0.92", linewidth=0.7)
            panel.set_axisbelow(True)
            panel.margins(x=0.08)
    for panel in rows[-1]:
        panel.set_xlabel(of[1] if of[1] == unit else f"{of[1]} ({unit})")
    figure.suptitle(f"{of[0]}: {of[1]}", fontsize=10.5, x=0.01, ha="left")
    return figure


def _curve(panel: Any, at: list[float], found: list[Estimate]) -> None:
    known = [(x, one) for x, one in zip(at, found, strict=True) if one.value is not None]
    if not known:
        panel.text(0.5, 0.5, "no value", transform=panel.transAxes, ha="center", color=plots.GREY)
        return
    values = [one.value or 0.0 for _, one in known]
    spans = [one.exact or one.interval for _, one in known]
    bars = [
        [max(0.0, y - span.low) if span else 0.0 for y, span in zip(values, spans, strict=True)],
        [max(0.0, span.high - y) if span else 0.0 for y, span in zip(values, spans, strict=True)],
    ]
    panel.errorbar(
        [x for x, _ in known], values, yerr=bars, color=plots.ACCENT, marker="o", markersize=4.5, linewidth=1.4,
        elinewidth=1, capsize=2,
    )  # fmt: skip


def _heights(panel: Any, key: str, found: list[Estimate]) -> None:
    """From nothing up; of a share as much as differs, with its target and never above all."""
    ends = [
        end
        for one in found
        if one.value is not None
        for end in (one.value, *(one.exact or one.interval or ()))
    ]
    if (bound := _BOUNDS.get(key)) is None:
        panel.set_ylim(0, 1.15 * max(ends, default=1.0) or 1.0)
        return
    lowest = min([*ends, bound])
    panel.set_ylim(max(0.0, lowest - 0.12 * (100 - lowest) - 0.2), 100 + 0.06 * (100 - lowest) + 0.1)
    panel.axhline(bound, color=plots.GREY, linewidth=0.9, linestyle=(0, (4, 3)))
    panel.annotate(
        f"wanted\n{bound:g}", (1, bound), xycoords=("axes fraction", "data"), xytext=(3, 0),
        textcoords="offset points", ha="left", va="center", fontsize=7.5, color=plots.GREY,
    )  # fmt: skip


def _mark_shipped(panel: Any, at: float) -> None:
    panel.axvline(at, color=plots.INK, linestyle=":", linewidth=1.1, zorder=1)
    panel.annotate(
        "shipped", (at, 0), xycoords=("data", "axes fraction"), xytext=(3, 3), textcoords="offset points", fontsize=7.5,
        color=plots.INK,
    )  # fmt: skip


def scale_of(values: Sequence[str | int]) -> tuple[float, str]:
    """What a step of the axis is, and its unit."""
    unit = Quantity.parse(values[0]).unit
    if unit != "ms":
        return 1, unit
    return (_MINUTE, "min") if Quantity.parse(values[-1]).number >= 2 * _MINUTE else (_SECOND, "s")
