"""The pictures of a study; matplotlib is needed for these alone (the extra `plots`).

Editing rules: readable in grey and on A4: what differs, differs in shape or lightness, never in hue alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from monitor.study.findings import CAUTION, Findings
from monitor.study.labels import Box, Point, place
from monitor.study.measures import BY_KEY
from monitor.study.summing import COMPARED, NOBODY, SHIPPED, Estimate, WorldSums
from simulators.worlds import WorldFile

MISSING: Final = "pictures need matplotlib, which is not there: pip install 'secondbell[plots]'"
INK, GREY, PALE = "#111111", "#6b6b6b", "#a8a8a8"
ACCENT: Final = "#1f4e79"
WIDE: Final = 9.0  # inches; with texts of 9 points it stands at 75 % on A4
DPI: Final = 140
FORWARDED: Final = "forwarded"  # begins the names of those that differ by how long they wait alone
MANY_CALLS: Final = (
    25  # a nurse-night; beyond, an even axis would press all that differs against its left end
)
LED_FROM: Final = 16  # pixels between a point and its name, from which a line leads there
STYLE: Final[dict[Any, Any]] = {
    "svg.fonttype": "none",  # words stay words: to be found, read aloud, copied
    "svg.hashsalt": "secondbell study",  # the same figures, the same bytes
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": GREY,
    "axes.titlesize": 10,
    "axes.titlelocation": "left",
    "axes.labelsize": 9,
    "xtick.color": INK,
    "ytick.color": INK,
}

Spots = Mapping[str, tuple[Estimate, Estimate]]
"""Where each strategy lies."""


def require() -> str | None:
    """What to say if no picture can be made, None if they can."""
    try:
        import matplotlib  # noqa: F401 (only to say so before the study, which takes long)
    except ImportError:
        return MISSING
    return None


def draw(findings: Findings, folder: Path) -> dict[str, Path]:
    """Write all pictures as PNG and SVG; the SVG of each by its name. Raises OSError."""
    from matplotlib import rc_context

    from monitor.study import sweep_plots

    made: dict[str, Path] = {}
    with rc_context(STYLE):
        worlds = list(zip(findings.worlds, findings.asked.worlds, strict=True))
        if len(findings.of_group("side by side")) > 1:
            made["frontier"] = _write(frontier(findings, worlds), folder, "frontier")
        for world, _ in worlds:
            if findings.of_group("left out") and world.changes:
                made[f"rules-{world.name}"] = _write(left_out(findings, world), folder, f"rules-{world.name}")
        for rule, key in findings.sweeps():
            name = f"sweep-{rule}-{key}"
            made[name] = _write(sweep_plots.swept(findings, (rule, key)), folder, name)
    return made


def _write(figure: Any, folder: Path, name: str) -> Path:
    for ending in ("png", "svg"):
        figure.savefig(
            folder / f"{name}.{ending}", dpi=DPI, metadata={"Date": None} if ending == "svg" else None
        )
    return folder / f"{name}.svg"


def new_figure(wide: float, tall: float) -> Any:
    """A figure without a window."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(wide, tall), layout="constrained")
    FigureCanvasAgg(figure)
    figure.supxlabel(CAUTION, fontsize=7.5, color=GREY)
    return figure


def frontier(findings: Findings, shown: Sequence[tuple[WorldSums, WorldFile]]) -> Any:
    """Feed lost to trouble against calls, a panel a world; the lower and the more to the left a point, the better."""
    figure = new_figure(WIDE, 0.5 + 4.5 * len(shown))
    axes = figure.subplots(len(shown), squeeze=False)[:, 0]
    named = [_spread(findings, world, file, axis) for (world, file), axis in zip(shown, axes, strict=True)]
    for axis, (names, at) in zip(axes, named, strict=True):
        _label(figure, axis, names, at)
    return figure


def _spread(findings: Findings, world: WorldSums, file: WorldFile, axis: Any) -> tuple[list[str], Spots]:
    """One world's points; their names and where they lie."""
    names = [
        one.name
        for one in findings.of_group("side by side")
        if world.value(one.name, "calls") is not None and world.value(one.name, "trouble_ml") is not None
    ]
    at = {name: (world.estimates[name]["calls"], world.estimates[name]["trouble_ml"]) for name in names}
    forwarded = [name for name in names if name.startswith(FORWARDED)]
    most = max((one.value or 0 for one, _ in at.values()), default=1.0)
    if most > MANY_CALLS:
        axis.set_xscale("symlog", linthresh=1, linscale=0.35)
        ticks = [
            tick for tick in (0, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000) if tick <= 1.6 * most
        ]
        axis.set_xticks(ticks, [f"{tick:,}" for tick in ticks])
        axis.minorticks_off()
        axis.set_xlim(-0.25, most * 3.2)
    else:
        axis.set_xlim(-0.03 * most, most * 1.25)
    top = 1.15 * max((_high(one) for _, one in at.values()), default=1.0) or 1.0
    axis.set_ylim(-0.06 * top, top)  # room for names below what lost almost nothing
    axis.axhline(0, color=PALE, linewidth=0.8, zorder=1)
    axis.plot(
        [at[name][0].value for name in forwarded], [at[name][1].value for name in forwarded],
        color=PALE, linestyle=(0, (4, 3)), linewidth=1, zorder=1,
    )  # fmt: skip
    for name in names:
        _point(axis, *at[name], **_look(name))
    axis.set(
        xlabel="Calls a nurse-night" + (" (logarithmic above 1)" if most > MANY_CALLS else ""),
        ylabel="Feed due in trouble, not given\nmL a pump-day",
        title=f"{file.name}: {findings.pumps(world.name)} pumps, {len(world.seeds)} simulated nights",
    )
    axis.grid(visible=True, color="0.92", linewidth=0.7)
    axis.set_axisbelow(True)
    axis.annotate(
        "better", (0.012, 0.075), xycoords="axes fraction", xytext=(34, 26), textcoords="offset points", fontsize=8,
        color=GREY, va="bottom", ha="left", arrowprops={"arrowstyle": "->", "color": GREY, "linewidth": 0.9},
    )  # fmt: skip
    return names, at


def _look(name: str) -> dict[str, Any]:
    if name == SHIPPED:
        return {"marker": "D", "color": ACCENT, "markersize": 9, "zorder": 5}
    if name == NOBODY:
        return {"marker": "o", "color": INK, "markerfacecolor": "white", "markersize": 8, "zorder": 4}
    if name.startswith(FORWARDED):
        return {"marker": "s", "color": GREY, "markersize": 6, "zorder": 3}
    return {"marker": "^", "color": INK, "markersize": 9, "zorder": 5}  # a site's own


def _point(axis: Any, across: Estimate, up: Estimate, **look: Any) -> None:
    bar = {"ecolor": look["color"], "elinewidth": 1, "capsize": 2}
    axis.errorbar(
        [across.value], [up.value], xerr=_bars(across), yerr=_bars(up), linestyle="none", **bar, **look
    )


def _bars(found: Estimate) -> list[list[float]] | None:
    """What an interval adds below and above, or the exact bound of a share near nothing or all."""
    span = found.exact or found.interval
    if span is None or found.value is None:
        return None
    return [[max(0.0, found.value - span.low)], [max(0.0, span.high - found.value)]]


def _high(found: Estimate) -> float:
    return max(found.value or 0.0, found.interval.high if found.interval else 0.0)


def _label(figure: Any, axis: Any, names: list[str], at: Spots) -> None:
    """Name each point beside it."""
    figure.draw_without_rendering()
    renderer = figure.canvas.get_renderer()
    frame = axis.get_window_extent(renderer)
    points: list[Point] = []
    texts = []
    for name in names:
        text = axis.text(
            0, 0, name, fontsize=9, fontweight="bold" if name == SHIPPED else "normal", zorder=6, va="bottom",
            color=ACCENT if name == SHIPPED else INK,
        )  # fmt: skip
        size = text.get_window_extent(renderer)
        x, y = axis.transData.transform([one.value for one in at[name]])
        points.append(Point(x, y, size.width + 4, size.height + 2))
        texts.append(text)
    arrow = Box(frame.x0, frame.y0, frame.x0 + 110, frame.y0 + 70)
    taken = [*_taken(axis, names, at), arrow]
    boxes = place(points, taken, Box(frame.x0, frame.y0, frame.x1, frame.y1), gap=13)
    back = axis.transData.inverted().transform
    for text, point, box in zip(texts, points, boxes, strict=True):
        text.set_position(back((box.left + 2, box.bottom + 2)))
        own = box.distance(point.x, point.y)
        if own > LED_FROM or any(
            box.distance(p.x, p.y) < own + LED_FROM / 2 for p in points if p is not point
        ):
            ends = zip(back((point.x, point.y)), back(box.nearest(point.x, point.y)), strict=True)
            axis.plot(*ends, color=GREY, linewidth=0.7, zorder=2)


def _taken(axis: Any, names: list[str], at: Spots) -> Iterator[Box]:
    """What no name should cover: points, their bars, and the line between those that are forwarded."""
    to_pixels = axis.transData.transform
    line: list[Any] = []
    for name in names:
        across, up = at[name]
        x, y = to_pixels((across.value, up.value))
        yield Box(x - 9, y - 9, x + 9, y + 9)
        if across.interval is not None:
            (left, _), (right, _) = (to_pixels((end, up.value)) for end in across.interval)
            yield Box(left - 2, y - 2, right + 2, y + 2)
        if up.interval is not None:
            (_, low), (_, high) = (to_pixels((across.value, end)) for end in up.interval)
            yield Box(x - 3, low - 2, x + 3, high + 2)
        if name.startswith(FORWARDED):
            line.append((x, y))
    for (x, y), (to_x, to_y) in pairwise(line):
        steps = max(1, int(math.hypot(to_x - x, to_y - y) / 8))
        for step in range(steps):
            part = step / steps
            here, there = x + part * (to_x - x), y + part * (to_y - y)
            yield Box(here - 1, there - 1, here + 1, there + 1)


def left_out(findings: Findings, world: WorldSums) -> Any:
    """What changes against as shipped with each rule left out: one row a rule, one panel a measure."""
    left = [one for one in findings.of_group("left out") if one.name in world.changes]
    rules = [one.left_out or one.name for one in left]
    figure = new_figure(WIDE, 1.7 + 0.28 * len(rules))
    panels: Any = figure.subplots(1, len(COMPARED), sharey=True)
    rows = range(len(rules) - 1, -1, -1)
    for panel, key in zip(panels, COMPARED, strict=True):
        measure = BY_KEY[key]
        panel.axvline(0, color=INK, linewidth=0.9)
        for row, one in zip(rows, left, strict=True):
            found = world.changes[one.name][key]
            if found.value is None:
                panel.text(0, row, " –", va="center", color=GREY)
                continue
            sure = found.interval is not None and not found.interval.low <= 0 <= found.interval.high
            panel.errorbar(
                [found.value], [row], xerr=_bars(found), color=ACCENT if sure else GREY, marker="o", markersize=5,
                markerfacecolor=ACCENT if sure else "white", elinewidth=1.1, linestyle="none", zorder=3,
            )  # fmt: skip
        unit = "percentage points" if measure.unit == "%" else measure.unit
        panel.set_title(_wrapped(measure.title), fontsize=8.5)
        panel.set_xlabel(_wrapped(unit), fontsize=8)
        panel.tick_params(labelsize=7.5)
        panel.grid(visible=True, axis="y", color="0.92", linewidth=0.7)
        panel.set_axisbelow(True)
        panel.margins(x=0.15)
        low, high = panel.get_xlim()
        widest = max(abs(low), abs(high), 0.05)
        panel.set_xlim(min(low, -0.25 * widest), max(high, 0.25 * widest))
        panel.locator_params(axis="x", nbins=3)
    panels[0].set_yticks(list(rows), rules, fontsize=8)
    panels[0].set_ylim(-0.6, len(rules) - 0.4)
    figure.suptitle(
        f"{world.name}: change against as shipped with one rule left out (filled: the 95 % interval is off zero)",
        fontsize=10, x=0.01, ha="left",
    )  # fmt: skip
    return figure


def _wrapped(text: str, most: int = 19) -> str:
    lines = [""]
    for word in text.split():
        if len(lines[-1]) + len(word) > most and lines[-1]:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)
