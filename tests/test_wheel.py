"""The wheel, built and installed as a user would, and used outside the checkout."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from tests.night import MINUTE, TEN, alarm, state

CHECKOUT = Path(__file__).parent.parent

pytestmark = [pytest.mark.long, pytest.mark.timeout(300)]  # both fetch from a package index


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel of this checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", str(folder), str(CHECKOUT)],
        check=True, capture_output=True,
    )  # fmt: skip
    [built] = folder.glob("*.whl")
    return built


def test_the_wheel_holds_the_two_packages_and_what_they_ship(wheel: Path) -> None:
    """At its top are monitor, simulators and the metadata; rules, samples and scenarios lie within."""
    names = set(zipfile.ZipFile(wheel).namelist())
    top = {name.split("/")[0] for name in names}
    assert {name for name in top if not name.endswith(".dist-info")} == {"monitor", "simulators"}
    for source, target in (
        ("rules", "monitor/rules"),
        ("config", "monitor/config"),
        ("simulators/scenarios", "simulators/scenarios"),
        ("simulators/worlds", "simulators/worlds"),
        ("monitor/web/templates", "monitor/web/templates"),
    ):
        shipped = {f"{target}/{path.name}" for path in (CHECKOUT / source).iterdir() if path.is_file()}
        assert shipped
        assert shipped <= names
    assert any(name.endswith("licenses/LICENSE") for name in names)


def test_it_works_where_there_is_no_checkout(wheel: Path, tmp_path: Path) -> None:
    """Installed into a new environment: init, check, simulate and replay; the demo says what it lacks."""
    subprocess.run([sys.executable, "-m", "venv", str(tmp_path / "env")], check=True)
    programs = tmp_path / "env" / "bin"
    subprocess.run([programs / "pip", "install", "--quiet", str(wheel)], check=True, capture_output=True)
    place = tmp_path / "somewhere"
    place.mkdir()
    environment = {"PATH": os.environ["PATH"], "HOME": str(place), "PYTHONWARNINGS": "error"}

    def secondbell(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [programs / "secondbell", *arguments],
            cwd=place, env=environment, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip

    assert secondbell("init", "site").returncode == 0
    checked = secondbell("check", "--site", "site/site.toml")
    assert (checked.returncode, checked.stderr) == (0, "")
    assert "Nothing is wrong." in checked.stdout
    lines = [state(TEN + n * MINUTE, alarms=[alarm(TEN)])[1].decode() + "\n" for n in range(4)]
    (place / "trace.jsonl").write_text("".join(lines))
    replayed = secondbell("replay", "trace.jsonl", "--only-rules")
    assert (replayed.returncode, replayed.stderr) == (0, "")
    assert "unattended" in replayed.stdout
    simulated = secondbell("simulate", "demo-night", "--hours", "0.1", "--to", "-")
    assert (simulated.returncode, len(simulated.stdout.splitlines()) > 20) == (0, True)
    demo = secondbell("demo")
    assert (demo.returncode, "pip install 'secondbell[demo]'" in demo.stderr) == (2, True)
