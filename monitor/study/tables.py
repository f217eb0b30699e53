"""The figures of a study as tables for a terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Final

from rich import box
from rich.console import Console
from rich.table import Table

from monitor.study.findings import CAUTION, Findings
from monitor.study.measures import BY_KEY, MEASURES, Measure
from monitor.study.summing import COMPARED, Estimate, WorldSums
from monitor.study.words import bounds, number, span, value, verdict

WIDE: Final = 160  # characters of a table that goes into a file
ROOM, MORE_ROOM = 110, 150  # characters from which there is room for intervals: beneath a figure, beside it
NARROW: Final = 9  # characters of "forwarded"
FIT: Final = 6  # strategies of that width beside each other in 80 characters
STAR: Final = "* the exact bound; – nothing to make a figure of."


def print_findings(findings: Findings, console: Console) -> None:
    """Each world: targets, strategies side by side, what each rule adds, sweeps."""
    for world, file in zip(findings.worlds, findings.asked.worlds, strict=True):
        seeds, pumps = len(world.seeds), findings.pumps(world.name)
        console.print(
            f"{world.name}: {pumps} pumps, {seeds} {'night' if seeds == 1 else 'nights'}. {file.about}",
            markup=False,
        )
        for one in findings.targets[world.name]:
            console.print(f"  {verdict(one)}", markup=False)
        for table in _tables(findings, world, file.setting, console.width):
            console.print(table)
    if console.width < MORE_ROOM:
        console.print("All intervals are in study.csv; a wider terminal has room for them.")
    for text in (findings.how, STAR, CAUTION):
        console.print(text, markup=False)


def _tables(findings: Findings, world: WorldSums, setting: str, width: int) -> Iterator[Table]:
    yield _side_by_side(findings, world, "\n{}" if width >= ROOM else "")
    beside = " ({})" if width >= MORE_ROOM else ""
    if left_out := findings.of_group("left out"):
        names = {one.name: one.left_out or one.name for one in left_out if one.name in world.changes}
        yield _listed(
            "left out: change\nagainst as shipped",
            names,
            world.changes,
            lambda found, _: _change(found, beside),
        )
    for swept, several in findings.sweeps().items():
        shipped = findings.shipped_value(swept, setting)
        names = {one.name: str(one.swept[2]) for one in several if one.swept is not None}
        yield _listed(
            f"{swept[0]}:\n{swept[1]} ({shipped} shipped)", names, world.estimates,
            lambda found, measure: _cell(found, measure, beside),
        )  # fmt: skip


def _side_by_side(findings: Findings, world: WorldSums, under: str) -> Table:
    """A row for each measure, as there are fewer strategies."""
    table = _table("measure")
    strategies = findings.of_group("side by side")
    narrow = NARROW if not under and len(strategies) <= FIT else None
    for strategy in strategies:
        table.add_column(strategy.name, justify="right", overflow="fold", width=narrow)
    for measure in MEASURES:
        found = [world.estimates[strategy.name][measure.key] for strategy in strategies]
        table.add_row(f"{measure.title}\n{measure.unit}", *(_cell(one, measure, under) for one in found))
    return table


def _listed(
    heading: str,
    names: Mapping[str, str],
    figures: Mapping[str, Mapping[str, Estimate]],
    cell: Callable[[Estimate, Measure], str],
) -> Table:
    """A row for each strategy, of the few measures by which rules and thresholds are judged."""
    table = _table(heading)
    measures = [BY_KEY[key] for key in COMPARED]
    for measure in measures:
        table.add_column(f"{measure.title.lower()}\n{measure.unit}", justify="right", overflow="fold")
    for name, shown in names.items():
        table.add_row(shown, *(cell(figures[name][measure.key], measure) for measure in measures))
    return table


def _table(heading: str) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column(heading, overflow="fold")
    return table


def _cell(found: Estimate, measure: Measure, form: str) -> str:
    """A figure; `form` is how its interval stands by it, "" for without."""
    shown, ends = value(found, measure), bounds(found, measure)
    return shown + form.format(ends) if ends and form else shown


def _change(found: Estimate, form: str) -> str:
    shown, ends = number(found.value, signed=True), span(found.interval, signed=True)
    return shown + form.format(ends) if ends and form else shown
