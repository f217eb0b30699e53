"""The figures for a terminal, and as files."""

from __future__ import annotations

import csv
import io
import json

import pytest
from rich.console import Console

from monitor.study.findings import Findings
from monitor.study.measures import MEASURES
from monitor.study.summing import SHIPPED
from monitor.study.tables import WIDE, print_findings
from monitor.study.targets import TARGETS
from monitor.study.written import COLUMNS, as_csv, as_json
from tests.study.shown import one_night, study


def printed(findings: Findings, width: int = WIDE) -> str:
    """What a terminal shows."""
    out = io.StringIO()
    print_findings(findings, Console(file=out, width=width, highlight=False))
    return out.getvalue()


@pytest.mark.parametrize("width", [80, WIDE, 200])
def test_a_terminal_shows_everything(width: int) -> None:
    """Each world with its targets, measures, strategies, rules and sweeps, and what it is not; nothing is cut short."""
    said = printed(study(), width)
    read = " ".join(said.split())
    assert "ward: 24 pumps, 6 nights" in read
    assert read.count("reach somebody (wanted") == 2
    for one in study().of_group("left out"):
        assert said.count(f"\n {one.left_out} ") == 2 or width == 80, one.name
    for measure in MEASURES:
        assert said.count(f"\n {measure.title.split()[0]}") >= 2
    assert said.count("min shipped)") >= 6 or width == 80
    ward = next(line for line in said.splitlines() if line.startswith(" Somebody")).split()
    assert len(ward) >= 2 + len(study().of_group("side by side")), "no column is lost"
    assert "not a clinical claim" in read
    assert "…" not in said
    assert max(map(len, said.splitlines())) <= width
    assert "1 night." in printed(one_night())


def test_the_csv_has_a_line_for_each_figure() -> None:
    """With both ends, and of shares how many of how many."""
    rows = list(csv.DictReader(io.StringIO(as_csv(study()))))
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == len(study().worlds) * len(study().asked.chosen) * len(MEASURES)
    [row] = [
        row for row in rows if (row["world"], row["strategy"], row["measure"]) == ("ward", SHIPPED, "recall")
    ]
    found = study().worlds[0].estimates[SHIPPED]["recall"]
    assert found.value is not None
    assert found.counted is not None
    assert abs(float(row["value"]) - found.value) < 1e-3
    assert (row["number"], row["of"], row["nights"], row["unit"]) == (*map(str, found.counted), "6", "%")
    nobody = next(row for row in rows if row["strategy"] == "nobody told" and row["measure"] == "precision")
    assert (nobody["value"], nobody["low"]) == ("", "")


def test_the_json_has_all_that_the_page_says() -> None:
    """It can be written as JSON, with the caution, targets, changes, figures and speed."""
    found = json.loads(json.dumps(as_json(study()), allow_nan=False))
    assert found["caution"].startswith("Design evidence from simulated nights")
    assert found["seeds"] == [1, 6]
    ward = found["worlds"]["ward"]
    assert len(ward["targets"]) == len(TARGETS)
    assert set(ward["targets"][0]) >= {"says", "met", "value", "interval", "bound_percent"}
    shipped = ward["strategies"][SHIPPED]
    assert set(shipped["measures"]) == {measure.key for measure in MEASURES}
    assert shipped["change_against_as_shipped"] == {}
    left = ward["strategies"]["without unattended"]
    assert left["change_against_as_shipped"]["recall"]["interval"] is not None
    assert all("source" in one or "assumption" in one for one in ward["figures"].values())
    assert found["speed"]["messages_per_second"] == 20_000
    assert as_json(one_night())["speed"]["messages_per_second"] is None
