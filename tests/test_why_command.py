"""`secondbell why`: one page about a concern from its trail, found by id, by its beginning, or by a code."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.adapters.lockfile import site_key
from monitor.adapters.store import SqliteStore
from monitor.adapters.store_schema import FILE_NAME
from monitor.core.changes import Changes
from monitor.core.plans import UTC
from monitor.core.trail import entry
from monitor.settings import load
from monitor.testing import START, Bench, alarm
from monitor.why_command import page, tell
from tests.commands import Run
from tests.sitefile.site_text import written

OWN = '\n[rules.unattended]\npatience = "4 min"\n'


def night(folder: Path, pumps: int = 1) -> tuple[Path, Bench]:
    """A stored night: an alarm that nobody answered, taken and mended; then batteries that nobody plugs in."""
    path = written(folder, more=OWN)
    settings = load(path, key=b"")
    bench = Bench(settings.with_key(site_key(settings.state_dir)).site)
    bench.snapshot("pump-1", activity="feeding")
    bench.pass_by("1 s")
    bench.snapshot("pump-1", activity="stopped", alarms=[alarm("downstream-occlusion")])
    bench.at("00:04:30")
    bench.accept("nurse", "pump-1", "unattended")
    bench.snapshot("pump-1", activity="feeding", alarms=[])
    bench.at("00:10:00")
    for number in range(2, 2 + pumps):
        bench.snapshot(f"pump-{number}", mains=False, battery_percent=19.6)
    bench.at("00:13:00")
    kept = bench.kept
    with_names = {key: (kind, name) for key, (kind, name) in kept.names.items()}
    rows = {(kind, key): text for kind, rows in kept.rows.items() for key, text in rows.items()}
    store = SqliteStore.open(settings.state_dir, site="larkfield")
    store.commit(Changes(rows=rows, entries=kept.entries, frontier=kept.frontier, names=with_names))  # type: ignore[arg-type]
    store.close()
    return path, bench


def test_a_page_says_what_was_seen_and_against_which_limit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Messages, values, since when, the limit with its file, line and reason, priority, times, who was told."""
    path, bench = night(tmp_path)
    concern = bench.concern("pump-1", "unattended")
    line = path.read_text().splitlines().index('patience = "4 min"') + 1
    with Run(capsys) as run:
        status, out, _ = run("why", concern.id, "--site", str(path))
    assert status == 0
    lines = out.splitlines()
    assert lines[0] == f"Concern {concern.id}: unattended, pump-1, medium priority"
    assert "has been sounding and nobody has answered it" in lines[1]
    assert "it feeds again, no alarm. Times in Europe/London." in lines[2]
    assert "1. raised 2026-03-13 22:04:01, since 2026-03-13 22:00:01, medium priority" in lines
    assert "  Why: line blocked after the pump (downstream), sounding, for 4 min (limit 4 min)." in lines
    assert any(each.startswith("  Seen in message m-0") and "urn:bridge:north-7" in each for each in lines)
    assert "    activity: stopped" in lines
    assert "    alarm: downstream-occlusion (feed), medium, enabled, since 2026-03-13 22:00:01" in lines
    assert f"  Limit patience: 4 min (site.toml:{line})" in lines
    assert "    this site's own value; shipped is 5 min, for this reason:" in lines
    assert any(each.startswith("    Source: Vitoux 2018") for each in lines)
    assert "  2026-03-13 22:04:08  night nurse (nurse) by pager (raised)" in lines
    assert "  2026-03-13 22:04:30  accepted by night nurse (nurse)" in lines


def test_values_have_units_and_shipped_limits_their_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A battery at 19.6 % against 20 %: the value, the limit, and the line of the shipped file."""
    path, bench = night(tmp_path)
    concern = bench.concern("pump-2", "low-power-unplugged")
    with Run(capsys) as run:
        status, out, _ = run("why", concern.id, "--site", str(path))
    assert status == 0
    assert "  Not settled. Times in Europe/London." in out.splitlines()
    assert "    mains: no" in out.splitlines()
    assert "    battery_percent: 19.6 %" in out.splitlines()
    text = (Path(__file__).parents[1] / "rules" / "low-power-unplugged.toml").read_text().splitlines()
    line = text.index("[thresholds.low]") + 2
    assert f"  Limit low: 20 % (rules/low-power-unplugged.toml:{line})" in out.splitlines()
    assert "this site's own" not in out


def test_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same as values, for a program."""
    path, bench = night(tmp_path)
    concern = bench.concern("pump-2", "low-power-unplugged")
    with Run(capsys) as run:
        status, out, _ = run("why", concern.id, "--site", str(path), "--format", "json")
    told = json.loads(out)
    assert status == 0
    assert (told["concern"], told["device"], told["settled"]) == (concern.id, "pump-2", None)
    (began,) = told["began"]
    assert began["evidence"] == concern.evidence
    low = next(each for each in began["limits"] if each["name"] == "low")
    assert (low["value"], low["unit"], low["file"], low["own"]) == (
        20,
        "%",
        "rules/low-power-unplugged.toml",
        False,
    )
    assert low["reason"]


def test_found_by_code_and_by_beginning(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A code as it stands on a pager, in small letters too; the beginning of an id if one only begins so."""
    path, bench = night(tmp_path)
    concern = bench.concern("pump-1", "unattended")
    code = bench.site.code(concern.id, "nurse")
    with Run(capsys) as run:
        for reference in (code, code.lower(), concern.id[:6], concern.id.upper()):
            status, out, err = run("why", reference, "--site", str(path))
            assert (status, err) == (0, ""), reference
            assert out.startswith(f"Concern {concern.id}: ")
        status, out, err = run("why", "no-such", "--site", str(path))
        assert (status, out) == (1, "")
        assert "trail show list" in err
        status, _, err = run("why", "", "--site", str(path))
        assert status == 1
        status, out, _ = run("why", concern.id, "--state", str(load(path, key=b"").state_dir))
        assert (status, "Times in UTC." in out) == (0, True)


def test_a_beginning_of_several_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two concerns that begin alike are named, and none is chosen."""
    path, bench = night(tmp_path, pumps=33)  # more concerns than there are letters in an id (base32)
    ids = sorted(bench.engine.responsibility.concerns)
    shared = next(one[0] for one, other in pairwise(ids) if one[0] == other[0])
    with Run(capsys) as run:
        status, _, err = run("why", shared, "--site", str(path))
    assert status == 2
    assert "concerns begin so" in err


@pytest.mark.parametrize("named", ["none.toml", "folder", "empty.toml"])
def test_a_site_that_cannot_be_read_is_bad_input(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], named: str
) -> None:
    """No such file, a folder, a file without a site, or one whose service never ran: exit 2 and a line."""
    (tmp_path / "folder").mkdir()
    (tmp_path / "empty.toml").write_text("")
    with Run(capsys) as run:
        status, out, err = run("why", "abc", "--site", str(tmp_path / named))
        assert (status, out) == (2, "")
        assert named in err
        status, out, err = run("why", "abc", "--site", str(written(tmp_path)))
        assert (status, out) == (2, "")
        assert "there is no store" in err
    assert not (tmp_path / "state").exists(), "looking makes nothing"


def test_an_entry_that_somebody_changed_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The rest of the page is told all the same."""
    path, bench = night(tmp_path)
    concern = bench.concern("pump-1", "unattended")
    with contextlib.closing(sqlite3.connect(load(path, key=b"").state_dir / FILE_NAME)) as db:
        changed = "UPDATE trail SET text = '{' WHERE event = 'accepted' AND concern = ?"
        assert db.execute(changed, (concern.id,)).rowcount == 1
        db.commit()
    with Run(capsys) as run:
        status, out, _ = run("why", concern.id, "--site", str(path))
    assert status == 0
    assert "secondbell trail verify" in out.splitlines()[-1]
    assert "Answered:" not in out


def test_evidence_of_an_older_version_is_told_as_far_as_it_goes() -> None:
    """Entries of before have limits without places: "file not recorded", and no sentence."""
    old = entry(
        n=0, at=START, event="raised", concern="abc", device="d:1", rule="unattended", priority="medium",
        detail={"evidence": {"message": "m-1", "activity": "stopped", "thresholds": {"patience": [300_000, "ms"]}}},
    )  # fmt: skip
    text = page(tell([old], {}, {}), UTC, "UTC", {})
    assert "  Limit patience: 5 min (file not recorded)" in text
    assert "This rule is not in the rule book now." in text
    assert "Why" not in text
