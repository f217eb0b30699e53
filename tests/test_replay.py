"""`replay`: lines, merging, the end, what comes out and in which order (design: Commands, Time)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.cli import main
from monitor.core.instants import parse, show
from tests.core.definition import HOUR, MINUTE, SECOND, Alarm, Snap
from tests.core.traces import message

START = parse("2026-03-14T20:00:00Z")
KEYS = ["at", "event", "rule", "device", "concern", "priority", "detail"]
MUTED = (Alarm("occlusion", "", "medium", "audio-paused", START),)


def recorded(
    received: int, snap: Snap, *, unit: str = "ward-a", device: str = "pump-1", **more: Any
) -> dict[str, Any]:
    """A line of a recording, received at an offset from START."""
    topic = f"secondbell/v1/north/{unit}/{device}/state"
    return {
        "received": show(START + received),
        "topic": topic,
        "message": message(snap, device=device, **more),
    }


def written(folder: Path, name: str, *lines: dict[str, Any] | str) -> str:
    """A trace file; text is written as it is."""
    path = folder / name
    path.write_text(
        "".join((x if isinstance(x, str) else json.dumps(x)) + "\n" for x in lines), encoding="utf-8"
    )
    return str(path)


def run(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> list[dict[str, Any]]:
    """What `replay --only-rules --format jsonl` prints."""
    assert main(["replay", *arguments, "--only-rules", "--format", "jsonl"]) == status
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def brief(found: list[dict[str, Any]]) -> list[tuple[int, str, str]]:
    """Offset, event, rule."""
    return [(parse(event["at"]) - START, event["event"], event["rule"]) for event in found]


def at(offset: int, **said: Any) -> Snap:
    """A snapshot at an offset from START."""
    return Snap(START + offset, **said)


def plain(*snaps: Snap, device: str = "pump-1", first: int = 1) -> list[dict[str, Any]]:
    """Plain device-state messages with rising sequence."""
    return [message(snap, sequence=number, device=device) for number, snap in enumerate(snaps, first)]


def test_one_object_a_line_with_exactly_these_keys(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The whole object, times with ms in UTC."""
    snaps = [
        at(0),
        at(MINUTE, activity="stopped", alarms=MUTED),
        at(2 * MINUTE, activity="stopped", alarms=MUTED),
    ]
    trace = written(tmp_path, "a", *plain(*snaps, at(5 * MINUTE + 1)))
    found = run(capsys, trace, "--until", "2026-03-14T21:06:00+01:00")
    assert [list(event) for event in found] == [KEYS] * len(found)
    assert found[0] == {
        "at": "2026-03-14T20:05:00.000Z",
        "event": "holds",
        "rule": "muted-too-long",
        "device": "pump-1",
        "concern": None,
        "priority": "medium",
        "detail": {"since": "2026-03-14T20:01:00.000Z"},
    }
    assert brief(found) == [
        (5 * MINUTE, "holds", "muted-too-long"),
        (5 * MINUTE, "holds", "out-of-sight"),
        (5 * MINUTE + 1, "ends", "out-of-sight"),
        (5 * MINUTE + 1 + 30 * SECOND, "ends", "muted-too-long"),
    ]


def test_deadlines_at_exactly_the_end_fire(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --until, and at the last message of another device."""
    trace = written(tmp_path, "a", *plain(at(0)))
    assert run(capsys, trace) == []
    assert run(capsys, trace, "--until", show(START + 3 * MINUTE - 1)) == []
    assert brief(run(capsys, trace, "--until", show(START + 3 * MINUTE))) == [
        (3 * MINUTE, "holds", "out-of-sight")
    ]
    other = written(tmp_path, "b", *plain(at(3 * MINUTE, activity="idle"), device="pump-2"))
    found = run(capsys, trace, other)
    assert [(event["device"], event["at"]) for event in found] == [("pump-1", show(START + 3 * MINUTE))]


def test_messages_after_until_are_left_out_and_one_at_it_is_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A message at exactly the end still prevents a silence."""
    trace = written(tmp_path, "a", *plain(at(0), at(3 * MINUTE), at(10 * MINUTE)))
    assert run(capsys, trace, "--until", show(START + 3 * MINUTE)) == []
    found = run(capsys, trace, "--until", show(START + 7 * MINUTE))
    assert brief(found) == [(6 * MINUTE, "holds", "out-of-sight")]
    assert run(capsys, trace, "--until", show(START - 1)) == []


def test_an_empty_file_is_an_empty_night(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing, blank lines, with or without an end: no output, status 0."""
    empty, blank = written(tmp_path, "a"), written(tmp_path, "b", "", "   ")
    assert run(capsys, empty) == []
    assert run(capsys, empty, blank, "--until", show(START)) == []


def test_files_merge_by_time(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One trace split over two files, in either order, or out of order in one: all the same."""
    lines = plain(at(0), at(2 * MINUTE), at(4 * MINUTE, activity="held"), at(20 * MINUTE))
    whole = run(capsys, written(tmp_path, "whole", *lines))
    assert brief(whole) == [
        (7 * MINUTE, "holds", "out-of-sight"),
        (14 * MINUTE, "holds", "idle-past-limit"),
        (20 * MINUTE, "ends", "out-of-sight"),
    ]
    odd, even = written(tmp_path, "odd", *lines[::2]), written(tmp_path, "even", *lines[1::2])
    assert run(capsys, odd, even) == whole
    assert run(capsys, even, odd) == whole
    assert run(capsys, written(tmp_path, "backwards", *reversed(lines))) == whole


def test_recordings_merge_with_plain_lines(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recording goes by `received`, a plain line by its own time."""
    early = written(tmp_path, "a", recorded(10 * SECOND, at(0), sequence=1))
    late = written(tmp_path, "b", *plain(at(2 * MINUTE, activity="idle"), first=2))
    until = ("--until", show(START + 6 * MINUTE))
    expected = [(5 * MINUTE, "holds", "out-of-sight")]  # idle now, but feed is still due
    assert brief(run(capsys, late, early, *until)) == expected


def test_a_recording_is_run_as_it_was_received(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Acts at its own time; silence counts from receipt; late, duplicate and retained ones change nothing."""
    lines = [
        recorded(20 * SECOND, at(0), sequence=1),
        recorded(80 * SECOND, at(MINUTE, activity="stopped", alarms=MUTED), sequence=2),
        recorded(90 * SECOND, at(30 * SECOND), sequence=1, id="late"),
        recorded(100 * SECOND, at(MINUTE, activity="stopped", alarms=MUTED), sequence=2),
    ]
    found = run(capsys, written(tmp_path, "a", *lines), "--until", show(START + 5 * MINUTE))
    assert brief(found) == [
        (80 * SECOND + 3 * MINUTE, "holds", "out-of-sight"),
        (5 * MINUTE, "holds", "muted-too-long"),
    ]


def test_what_comes_after_a_fired_deadline_acts_a_millisecond_after_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """In a replay the lateness is 0: fired at start + T, and overtaken by a snapshot from before."""
    lines = [
        recorded(0, at(0, activity="stopped", alarms=MUTED), sequence=1),
        recorded(2 * MINUTE, at(2 * MINUTE, activity="stopped", alarms=MUTED), sequence=2),
        recorded(4 * MINUTE + 5, at(4 * MINUTE - 5), sequence=3),
    ]
    found = run(capsys, written(tmp_path, "a", *lines), "--until", show(START + 6 * MINUTE))
    assert brief(found) == [
        (4 * MINUTE, "holds", "muted-too-long"),
        (4 * MINUTE + 1 + 30 * SECOND, "ends", "muted-too-long"),
    ]


def test_equal_times(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The higher sequence acts 1 ms later: 4 min less the last millisecond is not enough, one more is."""
    start = at(0, activity="stopped", alarms=MUTED)
    seen = [
        at(2 * MINUTE, activity="stopped", alarms=MUTED),
        at(4 * MINUTE, activity="stopped", alarms=MUTED),
    ]
    lines = plain(start, *seen, at(4 * MINUTE), at(4 * MINUTE, activity="held"))
    found = run(capsys, written(tmp_path, "a", *lines), "--until", show(START + 5 * MINUTE))
    assert brief(found) == [
        (4 * MINUTE, "holds", "muted-too-long"),
        (4 * MINUTE + 1 + 30 * SECOND, "ends", "muted-too-long"),
    ]
    lines = plain(start, seen[0], at(4 * MINUTE), seen[1])
    lines[2]["data"]["sequence"] = 9  # the one that clears it is the newer one: the other is late
    assert run(capsys, written(tmp_path, "b", *lines), "--until", show(START + 5 * MINUTE)) == []


@pytest.mark.parametrize("off", [3 * HOUR, -3 * HOUR])
def test_a_device_whose_clock_is_three_hours_off(
    off: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It acts when received; corrected in mid-alarm it goes on by its own clock."""
    alarms = (Alarm("occlusion", "", "medium", "audio-paused", START + off),)
    lines = [
        recorded(0, Snap(START + off, "stopped", alarms), sequence=1),
        recorded(2 * MINUTE, Snap(START + off + 2 * MINUTE, "stopped", alarms), sequence=2),
        recorded(3 * MINUTE + 200, at(3 * MINUTE, activity="stopped", alarms=alarms), sequence=3),
    ]
    found = run(capsys, written(tmp_path, "a", *lines), "--until", show(START + 5 * MINUTE))
    assert brief(found) == [(4 * MINUTE, "holds", "muted-too-long")]


@pytest.mark.parametrize(("ahead", "acts"), [(90 * SECOND, 90 * SECOND), (90 * SECOND + 1, 0)])
def test_the_clock_tolerance(
    ahead: int, acts: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ahead by 90 s it acts at its own time, by more on receipt; and the same behind."""
    lines = [recorded(0, at(ahead, activity="stopped", alarms=MUTED), sequence=1)]
    lines.append(recorded(150 * SECOND, at(150 * SECOND, activity="stopped", alarms=MUTED), sequence=2))
    found = run(capsys, written(tmp_path, "a", *lines), "--until", show(START + 330 * SECOND))
    assert (acts + 4 * MINUTE, "holds", "muted-too-long") in brief(found)
    behind = [recorded(0, at(-ahead, activity="stopped", alarms=MUTED), sequence=1)]
    behind.append(recorded(150 * SECOND, at(150 * SECOND, activity="stopped", alarms=MUTED), sequence=2))
    found = run(capsys, written(tmp_path, "b", *behind), "--until", show(START + 330 * SECOND))
    assert (4 * MINUTE - acts, "holds", "muted-too-long") in brief(found)


def test_the_output_is_sorted_by_instant_device_and_rule(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Events of one instant: by device, then by rule, whatever the order of the lines."""
    alarms = (Alarm("occlusion", "", "high", "enabled", START),)
    snaps = [at(n * MINUTE, activity="stopped", alarms=alarms) for n in range(6)]
    lines = [one for device in ("pump-9", "pump-1", "pump-10") for one in plain(*snaps, device=device)]
    found = run(capsys, written(tmp_path, "a", *lines), "--until", show(START + 8 * MINUTE))
    order = [(event["at"], event["device"], event["rule"]) for event in found]
    assert order == sorted(order)
    assert len(order) == len(set(order)) == 9


def test_only_rules_tells_nothing_else(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Doubtful clocks, fields put aside, quarantine, unlisted devices and moves are no events of rules."""
    odd = recorded(MINUTE, at(MINUTE), sequence=2, unit="ward-b")
    odd["message"]["data"]["power"] = {"battery_percent": 300}
    unreadable = recorded(2 * MINUTE, at(2 * MINUTE), sequence=3)
    unreadable["message"]["data"] = "nothing"
    misplaced = {**recorded(2 * MINUTE, at(2 * MINUTE)), "topic": "elsewhere"}
    lines = [recorded(0, at(-HOUR), sequence=1), odd, unreadable, misplaced]
    trace = written(tmp_path, "a", *lines)
    until = ("--until", show(START + 5 * MINUTE))
    assert brief(run(capsys, trace, *until)) == [(4 * MINUTE, "holds", "out-of-sight")]
    assert main(["replay", trace, *until, "--format", "jsonl"]) == 0
    told = {json.loads(line)["event"] for line in capsys.readouterr().out.splitlines()}
    assert {"clock-doubtful", "fields-dropped", "quarantined", "raised", "told"} <= told


def test_every_device_of_a_trace_is_known(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without --site there is no unlisted device, in whatever unit and site it was recorded."""
    lines = [recorded(0, at(0), sequence=1, unit="anywhere", device=f"pump-{n}") for n in range(3)]
    trace = written(tmp_path, "a", *lines, *plain(at(0), device="pump-7"))
    assert main(["replay", trace, "--format", "jsonl"]) == 0
    assert capsys.readouterr().out == ""


def test_a_withdrawn_plan_is_an_empty_message(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recording holds every input: a plan with a glucose risk makes `out-of-sight` high, until it is withdrawn."""
    plan = {
        "specversion": "1.0", "id": "p1", "source": "urn:bridge:north-7", "type": "secondbell.plan.v1",
        "subject": "pump-1", "time": show(START), "datacontenttype": "application/json",
        "data": {"windows": [{"from": "00:00", "to": "24:00"}], "target_ml": 5000, "glucose_risk": True},
    }  # fmt: skip
    topic = "secondbell/v1/north/ward-a/pump-1/plan"
    lines: list[dict[str, Any]] = [
        {"received": show(START), "topic": topic, "message": plan},
        recorded(1, at(1), sequence=1),
    ]
    until = ("--until", show(START + 10 * MINUTE))
    (event,) = run(capsys, written(tmp_path, "a", *lines), *until)
    assert (event["rule"], event["priority"]) == ("out-of-sight", "high")
    lines.insert(1, {"received": show(START), "topic": topic, "message": None})
    (event,) = run(capsys, written(tmp_path, "b", *lines), *until)
    assert (event["rule"], event["priority"]) == ("out-of-sight", "medium")


def test_concerns_are_raised_told_and_settled(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without --only-rules the same engine tells concerns; every object has the same keys."""
    snaps = [at(n * MINUTE, activity="stopped", alarms=MUTED) for n in range(6)]
    snaps += [at(n * MINUTE) for n in range(6, 10)]
    assert main(["replay", written(tmp_path, "a", *plain(*snaps)), "--format", "jsonl"]) == 0
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [list(event) for event in found] == [KEYS] * len(found)
    assert found[0]["at"] == show(START + 4 * MINUTE)
    told = [(event["event"], event["rule"], event["priority"]) for event in found]
    assert ("raised", "muted-too-long", "medium") in told
    settled = [event for event in found if event["event"] == "settled"]
    assert [event["at"] for event in settled] == [show(START + 7 * MINUTE)]
    assert settled[0]["concern"] == next(e["concern"] for e in found if e["event"] == "raised")


def test_the_order_of_hashes_changes_nothing(tmp_path: Path) -> None:
    """Two runs with other seeds for Python's hashes print the same bytes, concerns and ladders included."""
    lines = []
    for number in range(8):
        alarms = (
            Alarm("occlusion", "", "high", "audio-off", START),
            Alarm("x", "flush", "medium", "enabled", START),
        )
        snaps = [at(n * MINUTE + number, activity="stopped", alarms=alarms) for n in range(8)]
        lines += plain(*snaps, at(9 * MINUTE), device=f"pump-{number}")
    trace = written(tmp_path, "a", *lines)
    command = [
        sys.executable,
        "-m",
        "monitor",
        "replay",
        trace,
        "--format",
        "jsonl",
        "--until",
        show(START + HOUR),
    ]
    folder = Path(__file__).parent.parent
    printed = {
        subprocess.run(
            command, env={**os.environ, "PYTHONHASHSEED": seed}, check=True, capture_output=True, cwd=folder
        ).stdout
        for seed in ("1", "2")
    }
    assert len(printed) == 1
    assert printed != {b""}


def test_a_bridge_that_is_gone_makes_no_device_silent(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """While it is offline, deadlines of its devices rest; the silence counts anew from its return."""
    topic = "secondbell/v1/north/bridge/north-7/presence"
    gone = {"received": show(START + MINUTE), "topic": topic, "message": {"online": False}}
    back = {"received": show(START + HOUR), "topic": topic, "message": {"online": True}}
    trace = written(tmp_path, "a", recorded(0, at(0), sequence=1), gone, back)
    found = run(capsys, trace, "--until", show(START + HOUR + 3 * MINUTE))
    devices = [event for event in found if event["device"] == "pump-1"]
    assert brief(devices) == [(HOUR + 3 * MINUTE, "holds", "out-of-sight")]
    assert {event["event"] for event in found} <= {"holds", "ends", "priority-raised"}
