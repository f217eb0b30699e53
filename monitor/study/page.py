"""The study as one HTML page that stands alone and prints on A4, for people who decide."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, NamedTuple

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from monitor.core.guidance import CAUTION as NOT_RELIED_ON
from monitor.core.instants import show
from monitor.study.findings import CAUTION, Findings
from monitor.study.inline_svg import inline
from monitor.study.measures import BY_KEY, MEASURES, Measure
from monitor.study.summing import AT_ONCE, COMPARED, NOBODY, SHIPPED, Estimate, WorldSums
from monitor.study.targets import Checked
from monitor.study.words import bounds, measured, number, percent, span, value
from simulators.figures import Figure

COLUMNS: Final = (
    "recall", "accepted", "notices", "calls", "aware", "worst", "precision", "to_know", "needless", "trouble_ml",
    "glucose_min", "battery_min",
)  # fmt: skip
MORE: Final = (
    "told_median", "told_p95", "accepted_median", "accepted_p95", "wakings", "lost_ml", "lost_kcal", "trouble_kcal",
)  # fmt: skip
"""What stands in the second table of a world."""
MOST_MISSED: Final = 12
WAITED: Final = "forwarded after 5 min"


class Cell(NamedTuple):
    """A figure in a table, and its interval."""

    value: str
    bounds: str


def html(findings: Findings, pictures: Mapping[str, Path], made: int, *, without: str | None = None) -> str:
    """The page; `made` is when, ms UTC, `without` why there are no pictures."""
    return (
        _environment()
        .get_template("study.html")
        .render(
            findings=findings,
            made=show(made)[:16].replace("T", " ") + " UTC",
            caution=CAUTION,
            not_relied_on=NOT_RELIED_ON,
            answer=answer(findings),
            seeds=f"{findings.asked.seeds[0]} to {findings.asked.seeds[-1]}",
            nights=len(findings.asked.seeds),
            worlds=list(zip(findings.worlds, findings.asked.worlds, strict=True)),
            columns=[BY_KEY[key] for key in COLUMNS],
            more=[BY_KEY[key] for key in MORE],
            compared=[BY_KEY[key] for key in COMPARED],
            told_of=lambda world: lambda name, measure: cell(world.estimates[name][measure.key], measure),
            change_of=lambda world: lambda name, measure: changed(world.changes[name][measure.key]),
            measured=measured,
            wanted=wanted,
            measures=MEASURES,
            figures=figures,
            number=number,
            missed=missed,
            by_rule=by_rule,
            by_kind=by_kind,
            picture=lambda name, title: _picture(pictures, name, title),
            without=without,
            sweeps=[(f"sweep-{rule}-{key}", rule, key) for rule, key in findings.sweeps()],
            shipped=SHIPPED,
            speed=findings.speed(),
        )
    )


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("monitor.study"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        auto_reload=False,
    )
    style = files("monitor.reports") / "templates" / "style.css"  # as all reports
    made.filters |= {
        "zipped": lambda names: [(name, name) for name in names],
        "names_without": lambda several: [(one.name, one.left_out or one.name) for one in several],
        "swept_values": lambda several: [(one.name, one.swept[2]) for one in several],
    }
    made.globals["style"] = Markup(style.read_text(encoding="utf-8"))
    return made


def answer(findings: Findings) -> tuple[str, ...]:
    """What it comes to, in three sentences, and what was wanted and not reached."""
    worlds = [world for world in findings.worlds if SHIPPED in world.nights]
    if not worlds:
        return (f"{SHIPPED} was not among the strategies, so there is nothing to hold it against.",)

    def each(key: str) -> str:
        measure = BY_KEY[key]
        return _and(
            f"{value(world.estimates[SHIPPED][key], measure)}{' %' if measure.unit == '%' else ''} ({world.name})"
            for world in worlds
        )

    burden = _against(
        worlds, "notices", AT_ONCE, "; the notices were {} of those of forwarding every alarm at once"
    )
    waited = _against(worlds, "calls", WAITED, ", and {} of the calls of forwarding what lasts 5 minutes")
    feed = _against(worlds, "lost_ml", NOBODY, "All feed not given was {} of that when nobody is told")
    in_trouble = _against(worlds, "trouble_ml", NOBODY, ", and what was due in trouble and not given {}")
    targets = [one for world in worlds for one in findings.targets[world.name]]
    unmet = sum(one.met is False for one in targets)
    return (
        f"Of the simulated troubles that needed somebody and outlasted 15 minutes, {SHIPPED} reached somebody for "
        f"{each('recall')}.",
        f"For that it called a nurse {each('calls')} times a night, and {each('precision')} of those calls were about "
        f"a trouble that needed somebody{burden}{waited}.",
        f"{feed}{in_trouble}." if feed else f"All feed not given was {each('lost_ml')} mL a pump-day.",
        *(
            [f"Of the {len(targets)} targets below, {unmet} {'is' if unmet == 1 else 'are'} not met."]
            if unmet
            else []
        ),
    )


def _against(worlds: list[WorldSums], key: str, other: str, said: str) -> str:
    parts = []
    for world in worlds:
        mine, theirs = world.value(SHIPPED, key), world.value(other, key)
        if mine is None or not theirs:
            return ""
        parts.append(f"{percent(100 * mine / theirs)} % ({world.name})")
    return said.format(_and(parts))


def _and(parts: Any) -> str:
    *first, last = parts
    return f"{', '.join(first)} and {last}" if first else last


def cell(found: Estimate, measure: Measure) -> Cell:
    """A figure for a table."""
    return Cell(value(found, measure), bounds(found, measure))


def changed(found: Estimate) -> Cell:
    """A change for a table."""
    return Cell(number(found.value, signed=True), span(found.interval, signed=True))


def wanted(one: Checked) -> str:
    """A target in words."""
    return f"{'at least' if one.target.at_least else 'at most'} {one.target.bound:g} % {one.target.says}"


def figures(every: Mapping[str, Figure]) -> list[tuple[str, list[tuple[str, Figure]]]]:
    """A world's figures: what is assumed first, then what has a source."""
    assumed = [(name, figure) for name, figure in every.items() if figure.assumption is not None]
    sourced = [(name, figure) for name, figure in every.items() if figure.assumption is None]
    return [("Assumptions", assumed), ("From published sources", sourced)]


def by_rule(findings: Findings, world: WorldSums) -> list[tuple[str, str, str]]:
    """As shipped: each rule's calls a nurse-night, and how many of them were real."""
    nurses = sum(night.nurse_nights for night in world.nights[SHIPPED])
    return [
        (
            rule,
            number(calls / nurses) if nurses else number(None),
            percent(100 * real / calls) if calls else "",
        )
        for rule, (calls, real) in findings.calls_by_rule(world.name, SHIPPED).items()
    ]


def by_kind(world: WorldSums) -> list[tuple[str, int, int]]:
    """As shipped: of each kind of trouble that outlasted 15 minutes, how many there were, and were told."""
    found: dict[str, list[int]] = {}
    for night in world.nights[SHIPPED]:
        for kind, (lasting, reached) in night.fate_of.items():
            sums = found.setdefault(kind, [0, 0])
            sums[0] += lasting
            sums[1] += reached
    return [(kind, lasting, reached) for kind, (lasting, reached) in sorted(found.items()) if lasting]


def missed(findings: Findings, world: WorldSums) -> list[tuple[str, int, str]]:
    """As shipped: what nobody was told of, by kind, with where to look for it."""
    return [
        (kind, len(several), ", ".join(f"seed {seed} {one.device}" for seed, one in several[:3]))
        for kind, several in list(findings.missed(world.name, SHIPPED).items())[:MOST_MISSED]
    ]


def _picture(pictures: Mapping[str, Path], name: str, title: str) -> Markup | str:
    if (path := pictures.get(name)) is None:
        return ""
    return inline(path.read_text(encoding="utf-8"), name=re.sub(r"\W", "-", name), title=title)
