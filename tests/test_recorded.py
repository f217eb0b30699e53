"""The files of a recording: lines that give every byte again, members that follow a kill, what is torn, a full disk."""

from __future__ import annotations

import gzip
import json
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import get_type_hints

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.decode import decode
from monitor.core.engine import Engine
from monitor.core.instants import HOUR, MINUTE, SECOND, parse
from monitor.core.messages import PAYLOAD_MAX, Reason, Rejection
from monitor.core.parts import Rejected
from monitor.core.problems import Problem, ProblemsFound
from monitor.recorded import (
    MEMBER,
    NAMES,
    Input,
    Line,
    Recorded,
    input_line,
    message_line,
    read_file,
    read_line,
)
from monitor.recording import Recorder, message_as_line
from monitor.replay import Traces, replay
from tests.fuzz.soundness import ANSWER, FEEDING, PLAN, SITE, STATE, VALID, event, read

TEN = parse("2026-03-14T22:00:00Z")


@pytest.fixture
def recorder(tmp_path: Path) -> Iterator[Recorder]:
    """A recorder into a new folder."""
    made = Recorder(tmp_path / "kept", pause=0)
    yield made
    made.close()


def held(path: Path) -> tuple[list[Recorded], list[str]]:
    """What a file holds, and its tears; a line that cannot be used fails the test."""
    problems: list[Problem] = []
    tears: list[str] = []
    found = list(read_file(path, problems, tears.append))
    assert problems == []
    return found, tears


def advance(at: int) -> Input:
    """An input of no other meaning than its instant."""
    return Input(at, "advance", {})


# ---- lines -------------------------------------------------------------------------------------------------------

ODD = (
    b"", b"{}", b"{ }", b" {}", b"{}\n", b'{"a":1,"a":2}', b'{"a":NaN}', b'{"a":1e400}', b'{"a":' + b"9" * 5000 + b"}",
    b'{"a":"\\ud800"}', b'{"a":"\xff"}', b"\xef\xbb\xbf{}", b"\x00", b"[1]", b"{" * 9000, b'{"a":1},"b":{}',
    b'{"online":\r\ntrue}', '{"a":"\u2028é🍼"}'.encode(),
)  # fmt: skip


@pytest.mark.parametrize("payload", [payload for _, payload in VALID] + list(ODD))
@pytest.mark.parametrize("retain", [True, False])
def test_a_message_comes_back_byte_for_byte(payload: bytes, retain: bool, tmp_path: Path) -> None:
    """Whatever the bytes are; and each line is one object of strict JSON for whoever else reads it."""
    line = Line(TEN, STATE, payload, retain)
    text = message_line(line)
    assert text.endswith(b"}\n")
    assert text.count(b"\n") == 1
    json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
    (tmp_path / "x").write_bytes(gzip.compress(text))
    own = tmp_path / "own"
    made = Recorder(own)
    made.record(line)
    made.flush()
    made.close()
    assert [held(file)[0] for file in own.iterdir()] == [[line]]
    [again] = held(tmp_path / "x")[0]
    assert isinstance(again, Line)
    assert (again.received, again.topic, again.retain) == line[:2] + line[3:]
    assert read(STATE, again.payload) == read(STATE, payload), "packed by another program it means the same"


@given(st.text(max_size=50), st.binary(max_size=80) | st.sampled_from([p for _, p in VALID]), st.booleans())
def test_any_message_comes_back(topic: str, payload: bytes, retain: bool) -> None:
    """Any topic and any bytes, by the reader that knows nothing of who wrote the line."""
    found = read_line(message_line(Line(TEN, topic, payload, retain)))
    assert isinstance(found, Line)
    assert (found.topic, found.retain) == (topic, retain)
    if not payload.startswith(b"{"):
        assert found.payload == payload


def test_a_message_that_is_too_long_is_kept_in_part() -> None:
    """So much of it that it is refused again for its length."""
    found = read_line(message_line(Line(TEN, STATE, b" " * 1_000_000)))
    assert isinstance(found, Line)
    assert len(found.payload) == PAYLOAD_MAX + 1
    refused = read(STATE, found.payload)
    assert isinstance(refused, Rejection)
    assert refused.reason is Reason.TOO_LARGE


@pytest.mark.parametrize(
    ("topic", "payload", "retain"),
    [
        *((topic, payload, False) for topic, payload in VALID),
        (STATE, b"", True), (STATE, b"", False), (PLAN, b"", True), (ANSWER, b"{}", True), (ANSWER, b"", True),
        ("elsewhere", b"{}", False), ("else\x00where" * 60, b"{}", True), (STATE, b"\xff", False), (STATE, b"{", True),
    ],
)  # fmt: skip
def test_what_was_decoded_is_decoded_again(topic: str, payload: bytes, retain: bool) -> None:
    """From the message as the engine has it, and its bytes, comes a line that means the same."""
    decoded = read(topic, payload, retain)
    line = message_as_line(decoded, payload, TEN, SITE.prefix)
    again = decode(line.topic, line.payload, retain=line.retain, prefix=SITE.prefix, site=SITE.name)
    assert again == decoded


def test_every_input_of_the_engine_has_a_form() -> None:
    """An input that could not be recorded would be missing from every recording."""
    messages = {kind for kind in Engine.HANDLERS if issubclass(kind, tuple)}
    assert Rejected in messages
    assert set(Engine.HANDLERS) - messages == set(NAMES)
    for kind in NAMES:
        assert not {object, bytes} & {*get_type_hints(kind).values()}, "JSON would not give it again"


# ---- files -------------------------------------------------------------------------------------------------------


def test_one_file_for_each_hour_of_receipt_for_its_owner_alone(recorder: Recorder) -> None:
    """Named by the hour in UTC, so that they sort; folder 0700, files 0600; zcat reads them."""
    message = Line(TEN + 1, STATE, b"{}")
    entries: list[Recorded] = [advance(TEN - 1), advance(TEN), message, advance(TEN + 2 * HOUR)]
    for entry in entries:
        recorder.record(entry)
    recorder.flush()
    recorder.close()
    files = sorted(recorder.folder.iterdir())
    assert [file.name for file in files] == [f"2026-03-{day}.jsonl.gz" for day in ("14T21", "14T22", "15T00")]
    assert {stat.S_IMODE(file.stat().st_mode) for file in files} == {0o600}
    assert stat.S_IMODE(recorder.folder.stat().st_mode) == 0o700
    assert [held(file)[0] for file in files] == [entries[:1], entries[1:3], entries[3:]]
    with gzip.open(files[1]) as whole:
        assert whole.read() == input_line(advance(TEN)) + message_line(message)
    assert list(Traces([recorder.folder])) == entries
    assert list(Traces([*reversed(files)])) == entries, (
        "files of one folder, in whatever order they are named"
    )


def test_what_is_not_stored_is_not_recorded(recorder: Recorder) -> None:
    """Only what is handed over after its transaction is written; what runs back in time is set right."""
    recorder.record(advance(TEN))
    stored = recorder.take()
    recorder.record(advance(TEN - 5))
    recorder.write(stored)
    recorder.close()
    assert list(Traces([recorder.folder])) == [advance(TEN)]
    assert recorder.take() == [advance(TEN)]


@pytest.mark.parametrize("cut", [1, 5, 8, 9, 10, 20, 40, 60])
def test_a_file_goes_on_after_a_kill(cut: int, tmp_path: Path) -> None:
    """A torn member is read up to its tear, which is named; what the next start wrote after it is whole."""
    first, second = (Line(TEN + n, STATE, b'{"n":%d}' % n) for n in (1, 2))
    for entries in ([first] * 100, [second]):
        made = Recorder(tmp_path / "kept")
        for entry in entries:
            made.record(entry)
        made.flush()
        made.close()
        [file] = (tmp_path / "kept").iterdir()
        if entries[0] == first:
            file.write_bytes(file.read_bytes()[:-cut])
    found, [tear] = held(file)
    whole = len(found) - 1
    assert found == [first] * whole + [second]
    assert tear == f"{file}: torn after line {whole}; what came after it, if anything, is lost"
    assert cut >= 10 or whole == 100, "what was flushed to be read back is read back"


def test_a_file_torn_at_its_end_or_rotten_within(tmp_path: Path) -> None:
    """The end of the last member is missing, or bytes within one are not what was written: named, not fatal."""
    made = Recorder(tmp_path / "kept")
    made.record(advance(TEN))
    made.flush()
    made.close()
    [file] = (tmp_path / "kept").iterdir()
    whole = file.read_bytes()
    file.write_bytes(whole[:-4])
    assert held(file) == (
        [advance(TEN)],
        [f"{file}: torn after line 1; what came after it, if anything, is lost"],
    )
    file.write_bytes(whole[: len(MEMBER) + 2] + b"\xff\xff\xff" + whole[len(MEMBER) + 5 :] + whole)
    found, [tear] = held(file)
    assert found == [advance(TEN)]
    assert "torn after line 0" in tear


@pytest.mark.parametrize("size", [1, 7, 1 << 18])
def test_members_are_found_wherever_they_begin(
    size: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However the file is cut into pieces for reading; members of other programs are read too."""
    monkeypatch.setattr("monitor.recorded._CHUNK", size)
    entries = [Line(TEN + n, STATE, b'{"n":%d}' % n) for n in range(4)]
    for entry in entries[:3]:
        made = Recorder(tmp_path / "kept")
        made.record(entry)
        made.flush()
        made.close()
    [file] = (tmp_path / "kept").iterdir()
    with file.open("ab") as end:
        end.write(gzip.compress(message_line(entries[3])))
    assert held(file) == (entries, [])


def test_a_full_disk_pauses_the_recording(tmp_path: Path) -> None:
    """What could not be written is counted, and said in the recording as soon as it goes on; nothing is raised."""
    folder = tmp_path / "kept"
    made = Recorder(folder, pause=0)
    full = folder / "2026-03-14T22.jsonl.gz"
    full.symlink_to("/dev/full")  # every write says: no space left on device
    for n in range(3):
        made.record(advance(TEN + n))
        made.flush()
    while made.not_recorded < 3:
        pass
    full.unlink()
    made.record(advance(TEN + 3))
    made.flush()
    made.close()
    assert made.not_recorded == 3
    assert held(full)[0] == [Input(TEN + 3, "not-recorded", {"so_far": 3}), advance(TEN + 3)]


def test_a_disk_that_is_too_slow_fills_no_memory(tmp_path: Path) -> None:
    """Beyond so many waiting inputs the newest are not recorded, and counted."""
    made = Recorder(tmp_path / "kept", most_waiting=10)
    for n in range(50):
        for m in range(10):
            made.record(advance(TEN + n * 10 + m))
        made.flush()
    made.close()
    found = list(Traces([made.folder]))
    told = [
        entry.said["so_far"] for entry in found if isinstance(entry, Input) and entry.kind == "not-recorded"
    ]
    assert len(found) - len(told) + made.not_recorded == 500
    assert told == sorted(told)


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    """It is told at the start, not at the first message."""
    (tmp_path / "file").write_text("")
    with pytest.raises(OSError, match=r"exists|directory"):
        Recorder(tmp_path / "file")


# ---- what cannot be used -----------------------------------------------------------------------------------------


def test_a_folder_without_a_recording_and_a_line_that_is_none(tmp_path: Path) -> None:
    """File, line, key, value and what was expected."""
    with pytest.raises(ProblemsFound, match="a folder with a recording"):
        Traces([tmp_path])
    hour = tmp_path / "2026-03-14T22.jsonl"
    bad = b'{"received":"2026-03-14T22:00:00Z","input":"dance"}\n{"received":"2026-03-14T22:00:00Z","base64":"?"}\n'
    hour.write_bytes(input_line(advance(TEN)) + bad + input_line(advance(TEN + 1)))
    found: list[Recorded] = []
    with pytest.raises(ProblemsFound) as told:
        found += Traces([tmp_path])
    assert [(p.key, p.value) for p in told.value.problems] == [
        ("line 2: input", "'dance'"),
        ("line 3: base64", "'?'"),
    ]
    assert f"{hour}: line 2: input = 'dance': one of advance, asked" in str(told.value)


def test_a_recording_is_read_file_by_file(tmp_path: Path) -> None:
    """Months of it are not held in memory: the second hour is opened when the first is over."""
    for n, hour in enumerate(("22", "23")):
        (tmp_path / f"2026-03-14T{hour}.jsonl").write_bytes(input_line(advance(TEN + n * HOUR)))
    reading = iter(Traces([tmp_path]))
    assert next(reading) == advance(TEN)
    (tmp_path / "2026-03-14T23.jsonl").write_bytes(input_line(advance(TEN + HOUR + 7)))
    assert list(reading) == [advance(TEN + HOUR + 7)]


def test_with_another_site_file_sight_is_replayed_too() -> None:
    """In virtual time an hour without a broker is no hour of silence: one sight-lost, and silence counts anew."""

    def seen(at: int) -> Line:
        return Line(
            at,
            STATE,
            event("device-state", FEEDING | {"sequence": at // SECOND}, at).replace(b"b7-", b"%d-" % at),
        )

    away, back = TEN + MINUTE, TEN + 61 * MINUTE
    entries: list[Recorded] = [
        Input(TEN, "start", {"site": SITE.name, "digest": "", "version": "0", "entries": 0}),
        Input(TEN, "link-up", {"session_present": False}),
        Input(TEN + 1, "marker-back", {"token": f"{SITE.name}-1-{TEN}"}),
        seen(TEN + 10 * SECOND),
        Input(away, "link-down", {"reason": "gone"}),
        Input(away + 5 * MINUTE, "attempted", {"notice": "unknown", "outcome": "sent", "text": ""}),
        Input(back, "link-up", {"session_present": True}),
        Input(back + 1, "marker-back", {"token": "complete-1"}),
        Input(back + 2, "marker-back", {"token": f"{SITE.name}-2-{back}"}),
        seen(back + 10 * SECOND),
    ]
    happened = list(replay(entries, SITE, until=back + 3 * MINUTE))
    raised_ = [(one.rule, one.at) for one in happened if one.event == "raised"]
    assert [rule for rule, _ in raised_] == ["sight-lost"]
    assert away <= raised_[0][1] < back
    caught_up = [one.at for one in happened if one.event == "caught-up"]
    assert caught_up == [TEN + 1 + SECOND, back + 2 + SECOND]
    blind = [one for one in entries if not isinstance(one, Input) or not one.kind.startswith("link")]
    rules = {one.rule for one in replay(blind, SITE, until=back + 3 * MINUTE) if one.event == "raised"}
    assert "out-of-sight" in rules, "without them it would be an hour of silence"
