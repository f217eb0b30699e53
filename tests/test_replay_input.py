"""`replay` with bad input: every line that cannot be used is named at once, and nothing ends in a stack trace."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.cli import main
from tests.test_replay import at, plain, recorded, written

BAD_LINES = {
    "not JSON": ("{", "line 2", "one JSON object a line"),
    "not UTF-8": ("\udcff", "line 2", "one JSON object a line"),
    "no object": ("[1]", "line 2", "one JSON object a line"),
    "no time": ("{}", "line 2: time = None", "an instant as in RFC 3339"),
    "no zone": ('{"time": "2026-03-14T20:00:00"}', "line 2: time", "an instant as in RFC 3339"),
    "a number": ('{"time": 5}', "line 2: time = 5", "an instant as in RFC 3339"),
    "an object": ('{"time": {"a": 1}}', "line 2: time", "an instant as in RFC 3339"),
    "never": ('{"received": "9999-12-31T23:59:59Z", "message": {}}', "line 2: received", "2000 to 2100"),
    "no receipt": (
        '{"received": "now", "message": {}}',
        "line 2: received = 'now'",
        "an instant as in RFC 3339",
    ),
    "no topic": ('{"received": "2026-03-14T20:00:00Z", "topic": 1}', "line 2: topic = 1", "text"),
}


@pytest.mark.parametrize("kind", BAD_LINES)
def test_a_bad_line_is_named(kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """File, line and what was expected; status 2; nothing is run."""
    text, where, expected = BAD_LINES[kind]
    path = tmp_path / "trace"
    path.write_bytes((json.dumps(plain(at(0))[0]) + "\n" + text + "\n").encode(errors="surrogateescape"))
    assert main(["replay", str(path), "--only-rules", "--format", "jsonl"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert f"{path}: {where}" in said.err
    assert expected in said.err


def test_all_bad_lines_of_all_files_are_told_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Three problems in two files and one that is not there."""
    first, second = written(tmp_path, "a", "{", "[]"), written(tmp_path, "b", "{}")
    missing = str(tmp_path / "missing")
    assert main(["replay", first, second, missing]) == 2
    said = capsys.readouterr().err
    for where in (f"{first}: line 1", f"{first}: line 2", f"{second}: line 1", f"{missing}: "):
        assert where in said


def test_half_a_surrogate_in_a_recording_is_no_stack_trace(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """JSON can escape what UTF-8 cannot hold: that message is quarantined, as it would have been live."""
    line = json.dumps(recorded(0, at(0), id="IDENTIFIER")).replace("IDENTIFIER", "\\ud800")
    trace = written(tmp_path, "a", line)
    assert main(["replay", trace, "--format", "jsonl"]) == 0
    (event,) = (json.loads(text) for text in capsys.readouterr().out.splitlines())
    assert (event["event"], event["detail"]["reason"]) == ("quarantined", "wrong-envelope")


def test_a_bad_until_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A time without a zone is none."""
    assert main(["replay", written(tmp_path, "a"), "--until", "2026-03-14T20:00"]) == 2
    assert "--until" in capsys.readouterr().err
