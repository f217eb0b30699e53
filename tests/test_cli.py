"""The command line: its help, its exit statuses, and a clear line instead of a stack trace for whatever goes wrong."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.adapters.store_schema import FILE_NAME
from monitor.cli import _parser
from monitor.core.instants import show
from monitor.shipped import shipped
from tests.commands import Run, shell
from tests.night import MINUTE, TEN, alarm, secondbell, state


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Iterator[Run]:
    """Runs a command in this process."""
    with Run(capsys) as run:
        yield run


def commands() -> Iterator[tuple[str, ...]]:
    """Every command, and what it may be followed by."""
    yield ()

    def below(parser: argparse.ArgumentParser, path: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
        for action in parser._actions:
            if isinstance(action, argparse._SubParsersAction):
                for name, sub in action.choices.items():
                    yield (*path, name)
                    yield from below(sub, (*path, name))

    yield from below(_parser(), ())


@pytest.mark.parametrize("command", list(commands()), ids=" ".join)
def test_every_command_explains_itself(command: tuple[str, ...], run: Run) -> None:
    """--help says what it is for and exits with 0; nonsense after it is usage, exit 2."""
    status, out, err = run(*command, "--help")
    assert (status, err) == (0, "")
    assert out.startswith("usage: secondbell")
    status, out, err = run(*command, "--nonsense")
    assert (status, out) == (2, "")
    assert "usage: secondbell" in err


def test_the_commands_of_the_readme_are_there() -> None:
    """Whatever the README lets a reader type exists."""
    readme = (Path(__file__).parent.parent / "README.md").read_text()
    known = {command[0] for command in commands() if command}
    told = {line.split()[1] for line in readme.splitlines() if line.startswith("secondbell ")}
    assert told <= known, told - known
    assert {"run", "check", "init", "replay", "simulate", "accept", "trail"} & told


def test_the_commands_of_the_handbook_are_there() -> None:
    """Each command that config/README.md lets a reader type exists, with the options that stand after it."""
    handbook = (Path(__file__).parent.parent / "config" / "README.md").read_text()
    parsers = _parser()._subparsers
    assert parsers is not None
    [listed] = parsers._group_actions
    assert isinstance(listed, argparse._SubParsersAction)
    begins = r"(?:^ {4}|bin/|`)secondbell ([a-z][a-z-]*)([^`\n#]*)"
    told = re.findall(begins, handbook, re.MULTILINE)
    assert {"init", "check", "rota", "drill", "watch", "returned", "contract"} <= {name for name, _ in told}
    for name, rest in told:
        known = listed.choices[name]._option_string_actions
        assert {option for option in re.findall(r"--[a-z]+", rest) if option not in known} == set(), name


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    """A trace in which one pump's high alarm sounds unanswered."""
    path = tmp_path / "trace.jsonl"
    lines = [
        state(TEN + n * MINUTE, activity="stopped", alarms=[alarm(TEN)])[1].decode() + "\n" for n in range(6)
    ]
    path.write_text("".join(lines))
    return path


def test_replay_tells_what_happened(run: Run, trace: Path) -> None:
    """JSON lines sorted by instant, device and rule; text for people; the rules alone with --only-rules."""
    status, out, err = run("replay", str(trace), "--format", "jsonl")
    assert (status, err) == (0, "")
    told = [json.loads(line) for line in out.splitlines()]
    assert {"at", "event", "rule", "device", "concern", "priority", "detail"} == set(told[0])
    keys = [(line["at"], line["device"] or "", line["rule"] or "") for line in told]
    assert keys == sorted(keys)
    assert ("raised", "unattended", show(TEN + 2 * MINUTE)) in [
        (t["event"], t["rule"], t["at"]) for t in told
    ]
    status, out, _ = run("replay", str(trace))
    assert status == 0
    assert "unattended" in out
    status, out, _ = run("replay", str(trace), "--only-rules", "--format", "jsonl")
    assert {json.loads(line)["event"] for line in out.splitlines()} == {"holds"}


def test_replay_until(run: Run, trace: Path) -> None:
    """--until before the deadline says nothing; exactly at it the rule holds."""
    before = run("replay", str(trace), "--only-rules", "--until", show(TEN + 2 * MINUTE - 1))
    assert before == (0, "", "")
    status, out, _ = run("replay", str(trace), "--only-rules", "--until", show(TEN + 2 * MINUTE))
    assert (status, out.count("\n")) == (0, 1)


def test_replay_of_nothing(run: Run, tmp_path: Path) -> None:
    """An empty trace is no error and says nothing."""
    (tmp_path / "empty").write_text("\n\n")
    assert run("replay", str(tmp_path / "empty"), "--until", "2026-03-14T22:00:00Z") == (0, "", "")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"}{\n", "line 1"),
        (b"\x00\xff\xfe\n", "line 1"),
        (b"[]\n", "line 1"),
        (b'{"time": "yesterday"}\n', "line 1: time"),
        (b'{"time": "2026-03-14T22:00:00"}\n', "line 1: time"),
        (b'{"received": 7, "topic": "t"}\n', "line 1: received"),
        (b'{"received": "2026-03-14T22:00:00Z", "topic": 7}\n', "line 1: topic"),
        (b"[" * 100_000 + b"\n", "line 1"),
    ],
    ids=lambda value: str(value)[:24],
)
def test_replay_names_the_line_that_it_cannot_place(
    run: Run, tmp_path: Path, content: bytes, said: str
) -> None:
    """A line without an instant ends it before it begins: file, line, what was expected, exit 2."""
    path = tmp_path / "bad.jsonl"
    path.write_bytes(content)
    status, out, err = run("replay", str(path))
    assert (status, out) == (2, "")
    assert f"{path}: {said}" in err


@pytest.mark.parametrize("bad", ["tomorrow", "2026-03-14T22:00:00", "2026-13-01T00:00:00Z", "", "1e9"])
def test_a_time_that_is_none(run: Run, trace: Path, bad: str) -> None:
    """--until and --stepped-clock want RFC 3339 with an offset, and say so."""
    status, _, err = run("replay", str(trace), f"--until={bad}")
    assert status == 2
    assert f"--until {bad!r}" in err


@pytest.fixture
def wrong_files(tmp_path: Path) -> dict[str, Path]:
    """Files that no command can use."""
    (tmp_path / "folder").mkdir()
    (tmp_path / "text").write_text("this is no TOML, no JSON and no database\n" * 200)
    (tmp_path / "empty").touch()
    (tmp_path / "bytes").write_bytes(bytes(range(256)) * 64)
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    names = ("missing", "folder", "text", "empty", "bytes", "loop", "text/below-a-file", "n" * 300)
    return {name: tmp_path / name for name in names}


@pytest.mark.parametrize(
    "command",
    [
        ("check", "--site", "@"),
        ("run", "--site", "@"),
        ("run", "--site", "@", "--stepped-clock", "2026-03-14T22:00:00Z"),
        ("replay", "@.trace", "--site", "@"),
        ("accept", "AAAAAA", "--as", "nurse-1", "--site", "@"),
        ("trail", "verify", "--site", "@"),
        ("trail", "show", "list", "--site", "@"),
        ("trail", "export", "--site", "@"),
        ("simulate", "@", "--to", "-"),
    ],
    ids=" ".join,
)
def test_a_file_that_is_none(
    run: Run, wrong_files: dict[str, Path], trace: Path, command: tuple[str, ...]
) -> None:
    """Missing, a folder, no TOML, empty, bytes, a loop, a name too long: exit 2 and a line that names it."""
    for name, path in wrong_files.items():
        arguments = [str(trace) if part == "@.trace" else part.replace("@", str(path)) for part in command]
        status, out, err = run(*arguments)
        wanted = 1 if (command[0], name) == ("check", "empty") else 2  # readable, and everything is missing
        assert status == wanted, (name, out, err)
        shown = out + err
        assert path.name in shown, (name, shown)
        assert len(shown.splitlines()) < 20, (name, shown)


@pytest.mark.parametrize("what", [("verify",), ("show", "list"), ("export",)], ids=" ".join)
def test_a_state_directory_that_is_none(
    run: Run, wrong_files: dict[str, Path], what: tuple[str, ...]
) -> None:
    """No store, somebody else's file, no directory: exit 2 and a line that names it."""
    for name, path in wrong_files.items():
        status, _, err = run("trail", *what, "--state", str(path))
        assert status == 2, name
        assert str(path) in err
    folder = wrong_files["folder"]
    for name in ("text", "empty", "bytes"):
        shutil.copy(wrong_files[name], folder / FILE_NAME)
        status, _, err = run("trail", *what, "--state", str(folder))
        assert (status, str(folder) in err) == (2, True), name


def test_an_answer_needs_to_know_which_service(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without --site, --state or SECONDBELL_SITE it is usage; with both of the first too."""
    monkeypatch.delenv("SECONDBELL_SITE", raising=False)
    status, _, err = run("accept", "AAAAAA", "--as", "nurse-1")
    assert (status, "SECONDBELL_SITE" in err) == (2, True)
    status, _, err = run("accept", "AAAAAA", "--as", "nurse-1", "--site", "a", "--state", "b")
    assert (status, "not allowed with" in err) == (2, True)
    status, _, err = run("accept", "AAAAAA")
    assert (status, "--as" in err) == (2, True)


def test_no_command_is_usage(run: Run) -> None:
    """Without a command, or with one that is none, it exits with 2."""
    assert run()[0] == 2
    assert run("acept")[0] == 2


def test_the_contract_parses(run: Run) -> None:
    """JSON Schema and AsyncAPI are JSON, and say what they are."""
    status, out, _ = run("contract")
    assert (status, json.loads(out)["$schema"].startswith("https://json-schema.org/")) == (0, True)
    status, out, _ = run("contract", "--format", "asyncapi")
    assert (status, json.loads(out)["asyncapi"].startswith("3.")) == (0, True)


@pytest.mark.parametrize("setting", ["ward", "home"])
def test_init_makes_a_folder_that_checks(run: Run, tmp_path: Path, setting: str) -> None:
    """What init writes is read without an error; the shipped sample too; a second init overwrites nothing."""
    folder = tmp_path / "site"
    status, out, _ = run("init", str(folder), "--setting", setting)
    assert (status, str(folder / "site.toml") in out) == (0, True)
    assert run("check", "--site", str(folder / "site.toml"))[0] == 0
    assert run("check", "--site", str(shipped("config") / f"{setting}.toml"))[0] == 0
    (folder / "site.toml").write_text("mine")
    status, _, err = run("init", str(folder))
    assert (status, "nothing was written" in err) == (2, True)
    assert (folder / "site.toml").read_text() == "mine"


def test_init_where_no_folder_can_be(run: Run, wrong_files: dict[str, Path]) -> None:
    """Below a file, in a loop of links, with a name too long: exit 2, one line."""
    for name in ("text", "text/below-a-file", "loop", "n" * 300):
        status, _, err = run("init", str(wrong_files[name]))
        assert (status, err.count("\n")) == (2, 1), (name, err)


def test_check_finds_what_is_wrong(run: Run, tmp_path: Path) -> None:
    """A readable file with errors is exit 1, every error in a line with file and key."""
    path = tmp_path / "site.toml"
    text = (shipped("config") / "ward.toml").read_text()
    path.write_text(
        text.replace('last_resort = "ward-manager"', "").replace('setting = "ward"', 'setting = "moon"')
    )
    status, out, _ = run("check", "--site", str(path))
    assert status == 1
    assert "site.toml: site.last_resort" in out
    assert "moon" in out
    status, _, err = run("run", "--site", str(path))
    assert (status, "site.last_resort" in err) == (2, True)


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (["demo-night"], 2, "nothing to write to"),
        (["no-such-night", "--to", "-"], 2, "no-such-night"),
        (["demo-night", "--to", "http://x"], 2, "mqtt://"),
        (["demo-night", "--to", "mqtt://127.0.0.1:99999"], 2, "mqtt://"),
        (["demo-night", "--to", "-", "--speed", "-1"], 2, "speed"),
        (["demo-night", "--to", "-", "--speed", "nan"], 2, "speed"),
        (["demo-night", "--to", "-", "--hours", "-3"], 2, "hours"),
        (["demo-night", "--to", "-", "--hours", "inf"], 2, "hours"),
        (["demo-night", "--to", "mqtt://127.0.0.1:1"], 1, "no broker at"),
        (
            ["demo-night", "--to", "-", "--hours", "0.1", "--truth", "/no/such/folder/t"],
            1,
            "/no/such/folder/t",
        ),
    ],
    ids=lambda value: " ".join(value)[:50] if isinstance(value, list) else None,
)
def test_simulate_refuses_in_words(run: Run, arguments: list[str], status: int, said: str) -> None:
    """What cannot be simulated or reached is a line and an exit status."""
    found, _, err = run("simulate", *arguments)
    assert found == status, err
    assert said in err


@pytest.mark.parametrize("hours", ["0", "-1", "nan", "inf", "soon"])
def test_the_demo_wants_hours(run: Run, tmp_path: Path, hours: str) -> None:
    """A night of no or endless length is usage, before anything is started."""
    status, _, err = run("demo", f"--hours={hours}", "--folder", str(tmp_path / "night"))
    assert (status, "--hours" in err) == (2, True)
    assert not (tmp_path / "night").exists()


def test_the_demo_wants_a_folder(run: Run, wrong_files: dict[str, Path]) -> None:
    """A folder that is a file, or that holds a night already, is refused."""
    status, _, err = run("demo", "--hours", "0.1", "--folder", str(wrong_files["text"]))
    assert (status, str(wrong_files["text"]) in err) == (2, True)
    (wrong_files["folder"] / "state").mkdir()
    status, _, err = run("demo", "--hours", "0.1", "--folder", str(wrong_files["folder"]))
    assert (status, "a night in it already" in err) == (2, True)


# ---- as a process --------------------------------------------------------------------------------------------


def test_a_pipe_that_closes_early_is_no_error(trace: Path) -> None:
    """`| head -1` and `| true` end every printing command with 0 and without a word."""
    big = trace.with_name("big.jsonl")
    big.write_text("".join(
        state(TEN + n * MINUTE, f"pump-{n:04d}", activity="stopped", alarms=[alarm(TEN)])[1].decode() + "\n"
        for n in range(600)
    ))  # fmt: skip
    for line in ("contract | head -1", "--help | true", f"replay {big} --only-rules | head -1"):
        said = shell(f"secondbell {line}")
        assert (said.returncode, said.stderr) == (0, ""), line


def test_a_full_disk_behind_the_output() -> None:
    """Output that cannot be written is one line and exit 1."""
    said = shell("secondbell contract > /dev/full")
    assert (said.returncode, said.stderr) == (1, "secondbell: output: No space left on device\n")


def test_a_terminal_without_our_letters() -> None:
    """Where only ASCII can be written, it is written."""
    said = secondbell("contract", environment={"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})
    assert (said.returncode, said.stderr) == (0, "")
    assert said.stdout.isascii()


def test_ctrl_c_ends_a_command_in_a_line(tmp_path: Path) -> None:
    """SIGINT in the middle of its work: "interrupted", exit status 130, no stack trace."""
    pipe = tmp_path / "never-ending.jsonl"
    os.mkfifo(pipe)
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor", "replay", str(pipe)], stderr=subprocess.PIPE, text=True
    )
    with pipe.open("w") as writing:  # opens when it has opened the other end
        writing.write(state(TEN)[1].decode() + "\n")
        writing.flush()
        for _ in range(
            6
        ):  # one that falls into a finaliser is lost, by Python's own rule: people press it again
            process.send_signal(signal.SIGINT)
            with contextlib.suppress(subprocess.TimeoutExpired):
                _, err = process.communicate(timeout=10)
                break
    assert (process.returncode, err) == (130, "secondbell: interrupted\n")


def test_the_site_file_may_be_named_by_the_environment(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a command wants one, $SECONDBELL_SITE will do; the option goes before it."""
    absent, other = tmp_path / "absent.toml", tmp_path / "other.toml"
    for command in ("check", "rota", "run"):
        monkeypatch.delenv("SECONDBELL_SITE", raising=False)
        status, _, err = run(command)
        assert (status, "--site" in err) == (2, True)
        monkeypatch.setenv("SECONDBELL_SITE", str(absent))
        for named, meant in (((), absent), (("--site", str(other)), other)):
            status, out, err = run(command, *named)
            assert (status, meant.name in out + err) == (2, True)
