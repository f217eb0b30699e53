"""The curves of a sweep as a picture; matplotlib is needed for this alone (the extra `plots`)."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from monitor.backtest.sweep import Swept
from monitor.core.load import BANDS, HOUR
from monitor.core.rulebook import Quantity

MISSING: Final = "the plot needs matplotlib, which is not there: pip install 'secondbell[plots]'"
_MINUTE, _SECOND = 60_000, 1_000
_ROOM: Final = 1.22  # above the highest point, for the legend
_LINE: Final = {"color": "#1f4e79", "marker": "o", "linestyle": "-", "linewidth": 1.6, "markersize": 5}
_OTHER: Final = {"color": "#b35900", "marker": "s", "linestyle": "--", "linewidth": 1.6, "markersize": 5}


class PlotsMissing(Exception):
    """The library for plots is not installed."""


def require() -> None:
    """PlotsMissing, with what to do, if no plot can be made."""
    try:
        import matplotlib  # noqa: F401 (only to say so before the replay, which takes long)
    except ImportError:
        raise PlotsMissing(MISSING) from None


def draw(swept: Swept, stem: Path) -> list[Path]:
    """Write the picture as PNG and as SVG beside each other; their paths. Raises OSError."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    asked = swept.wanted
    figure = Figure(figsize=(11, 8), layout="constrained")
    FigureCanvasAgg(figure)
    axes: Any = figure.subplots(2, 2, sharex=True).flatten()
    scale, unit = _scale(asked.values)
    at = [Quantity.parse(value).number / scale for value in asked.values]
    measures = [found for _, found in swept.points()]
    rules = [found.of(asked.rule.id) for found in measures]

    _curve(axes[0], at, [found.per_device_day(asked.rule.id) for found in measures])
    axes[0].set(title="Concerns", ylabel="per device-day")
    _curve(axes[1], at, [None if found.soon is None else 100 * found.soon for found in rules])
    axes[1].set(title="Settled by themselves within 2 min", ylabel="% of concerns", ylim=(-4, 104))
    _curve(axes[2], at, [_minutes(found.delay) for found in rules], label="from the rule's holding")
    begun = [_minutes(found.begun) for found in rules]
    _curve(axes[2], at, begun, **_OTHER, label="from the trouble's beginning")
    axes[2].set(title="Time to the first notice, median", ylabel="min")
    _legend(axes[2], max((value for value in begun if value is not None), default=1.0))
    _loads(axes[3], at, swept)
    for axis in axes:
        axis.grid(visible=True, color="0.88", linewidth=0.8)
        axis.set_axisbelow(True)
        if axis is axes[0]:
            axis.set_ylim(bottom=0)
        axis.set_title(axis.get_title(), fontsize=11.5, pad=15)
        _mark(axis, Quantity.parse(asked.shipped).number / scale, "shipped", ":")
        if asked.site != asked.shipped:
            _mark(axis, Quantity.parse(asked.site).number / scale, "this site", "-.")
    for axis in axes[2:]:
        axis.set_xlabel(f"{asked.key} ({unit})")
    first = measures[0]
    figure.suptitle(
        f"{asked.rule.id}: {asked.key} from {asked.values[0]} to {asked.values[-1]}\n"
        f"{first.devices} devices, {first.device_days:.1f} device-days, {first.messages:,} messages",
        fontsize=12,
    )
    figure.supxlabel(
        "Design evidence from recorded messages, not a clinical claim. People's answers are not simulated: nobody "
        "accepts, so ladders climb to their end.",
        fontsize=8.5,
        color="0.3",
    )
    written = [stem.with_name(stem.name + ending) for ending in (".png", ".svg")]
    with rc_context({"svg.fonttype": "none"}):  # words stay words: to be found, read aloud, copied
        for path in written:
            figure.savefig(path, dpi=130)
    return written


def _curve(axis: Any, at: list[float], values: list[float | None], **style: Any) -> None:
    axis.plot(
        at,
        [float("nan") if value is None else value for value in values],
        **{**_LINE, **style},
    )
    if all(value is None for value in values):
        axis.text(0.5, 0.5, "no concern at any value", transform=axis.transAxes, ha="center", color="0.35")


def _loads(axis: Any, at: list[float], swept: Swept) -> None:
    """What each nurse-hour had, against the bands."""
    asked = [found.asked() for _, found in swept.points()]
    acceptable, manageable = BANDS[HOUR]
    first = [found.first_per_nurse_hour for found in asked]
    every = [found.all_per_nurse_hour for found in asked]
    _curve(axis, at, first, label="first notices")
    _curve(axis, at, every, **_OTHER, label="all, nobody accepting")
    highest = max([manageable * 1.1, *(value for value in (*first, *every) if value is not None)])
    top = _ROOM * highest
    axis.axhspan(acceptable, manageable, color="0.93", zorder=0)
    axis.axhspan(manageable, top, color="0.84", zorder=0)
    for height, text in ((acceptable, "above: manageable"), (manageable, "above: over")):
        axis.axhline(height, color="0.45", linewidth=0.9)
        axis.annotate(
            f"{height} an hour, {text}", (0.99, height), xycoords=("axes fraction", "data"),
            xytext=(0, 3), textcoords="offset points", ha="right", fontsize=8, color="0.2",
        )  # fmt: skip
    axis.set(title="Notices of all rules, with ISA-18.2 bands", ylabel="per nurse-hour")
    _legend(axis, highest)


def _legend(axis: Any, highest: float) -> None:
    """Above the curves, where there is room made for it."""
    axis.set_ylim(0, _ROOM * highest)
    axis.legend(loc="upper center", ncols=2, fontsize=8, framealpha=1)


def _minutes(ms: int | None) -> float | None:
    return None if ms is None else ms / _MINUTE


def _mark(axis: Any, at: float, text: str, style: str) -> None:
    axis.axvline(at, color="0.25", linestyle=style, linewidth=1.2)
    axis.annotate(
        text, (at, 1), xycoords=("data", "axes fraction"), xytext=(0, 2), textcoords="offset points",
        ha="center", fontsize=8, color="0.15",
    )  # fmt: skip


def _scale(values: tuple[str | int, ...]) -> tuple[float, str]:
    """What a step of the axis is, and its unit."""
    unit = Quantity.parse(values[0]).unit
    if unit != "ms":
        return 1, unit
    return (_MINUTE, "min") if Quantity.parse(values[-1]).number >= 2 * _MINUTE else (_SECOND, "s")
