"""The benchmark still fits the service: every measurement runs, with numbers too small to say anything of speed."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from tests.bench.__main__ import main
from tests.bench.figures import Figure, table
from tests.bench.throughput import SUB


@pytest.mark.long
@pytest.mark.timeout(300)
def test_every_measurement_runs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each figure is measured and stands in the table and in the JSON; nothing is asked of its value."""
    out = tmp_path / "bench.json"
    assert main(["--quick", "--json", str(out), "--folder", str(tmp_path)]) == 0
    said = json.loads(out.read_text())
    printed = capsys.readouterr().out
    without_sub = shutil.which(SUB) is None
    for figure in said["figures"]:
        assert figure["figure"] in printed
        if not (without_sub and SUB in figure["figure"]):
            assert figure["values"], figure["figure"]
    assert len([figure for figure in said["figures"] if figure["must"] != "-"]) >= 7
    assert [path.name for path in tmp_path.iterdir()] == ["bench.json"]


def test_verdicts() -> None:
    """A floor is reached from above, a ceiling from below, at the limit too; without a limit there is none."""
    floor = Figure(name="a", unit="", limit=0.8, at_least=True, values=[0.7, 0.8, 0.9])
    ceiling = Figure(name="b", unit="ms", limit=25, values=[25.1, 30, 1])
    told = Figure(name="c", unit="s", values=[2])
    nothing = Figure(name="d", unit="s", limit=1, note="no program")
    assert [f.verdict for f in (floor, ceiling, told, nothing)] == ["reached", "MISSED", "-", "not measured"]
    assert "(1) no program" in table([floor, nothing])
