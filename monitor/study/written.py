"""The figures as files: study.csv, a line for each figure, and study.json with all that the page says."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Any, Final

from monitor.study.findings import CAUTION, Findings
from monitor.study.measures import MEASURES
from monitor.study.summing import Estimate
from monitor.study.targets import Checked

COLUMNS: Final = (
    "world", "strategy", "group", "measure", "unit", "value", "low", "high", "exact_low", "exact_high", "number", "of",
    "nights",
)  # fmt: skip


def as_csv(findings: Findings) -> str:
    """A line for each world, strategy and measure; low and high bound the 95 % interval."""
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(COLUMNS)
    for world in findings.worlds:
        for strategy in findings.asked.chosen:
            for measure in MEASURES:
                found = world.estimates[strategy.name][measure.key]
                out.writerow(
                    [
                        world.name, strategy.name, strategy.group, measure.key, measure.unit, _number(found.value),
                        *_ends(found.interval), *_ends(found.exact), *(found.counted or ("", "")), len(world.seeds),
                    ]
                )  # fmt: skip
    return text.getvalue()


def as_json(findings: Findings) -> dict[str, Any]:
    """All figures as JSON values."""
    return {
        "caution": CAUTION,
        "version": findings.version,
        "intervals": findings.how,
        "seeds": [findings.asked.seeds[0], findings.asked.seeds[-1]],
        "settings": dict(findings.asked.settings),
        "measures": {
            measure.key: {"title": measure.title, "unit": measure.unit, "says": measure.says}
            for measure in MEASURES
        },
        "worlds": {
            world.name: {
                "about": file.about,
                "digest": file.digest,
                "nights": len(world.seeds),
                "pumps": findings.pumps(world.name),
                "targets": [_target(one) for one in findings.targets[world.name]],
                "strategies": {
                    strategy.name: {
                        "group": strategy.group,
                        "says": strategy.says,
                        "swept": list(strategy.swept) if strategy.swept else None,
                        "measures": _estimates(world.estimates[strategy.name]),
                        "change_against_as_shipped": _estimates(world.changes.get(strategy.name, {})),
                        "calls_by_rule": findings.calls_by_rule(world.name, strategy.name),
                    }
                    for strategy in findings.asked.chosen
                },
                "figures": {
                    name: figure.model_dump(exclude_none=True) for name, figure in file.figures.items()
                },
            }
            for world, file in zip(findings.worlds, findings.asked.worlds, strict=True)
        },
        "speed": findings.speed(),
    }


def _target(one: Checked) -> dict[str, Any]:
    target = one.target
    return {
        "says": target.says,
        "measure": target.measure,
        "against": target.against,
        "bound_percent": target.bound,
        "at_least": target.at_least,
        "met": one.met,
        "whole_interval": one.surely,
        **_estimate(one.found),
    }


def _estimates(found: Mapping[str, Estimate]) -> dict[str, Any]:
    return {key: _estimate(one) for key, one in found.items()}


def _estimate(found: Estimate) -> dict[str, Any]:
    made: dict[str, Any] = {"value": found.value, "interval": found.interval and list(found.interval)}
    if found.exact is not None:
        made["clopper_pearson"] = list(found.exact)
    if found.counted is not None:
        made["number"], made["of"] = found.counted
    return made


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _ends(found: tuple[float, float] | None) -> tuple[str, str]:
    return ("", "") if found is None else (_number(found[0]), _number(found[1]))
