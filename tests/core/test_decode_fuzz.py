"""Decoding whatever comes: nothing but named rejections, and what is let through goes through the engine."""

from __future__ import annotations

import json
import platform
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from monitor.core.messages import AnswerMessage, PlanMessage, PresenceMessage, Reason, Rejection, Snapshot
from tests.fuzz.soundness import ANSWER, FEEDING, PLAN, PRESENCE, STATE, TOPICS, VALID, check, event, read

ROOT = Path(__file__).parents[2]
READ = (Snapshot, PlanMessage, AnswerMessage, PresenceMessage)
SLOWLY = settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@pytest.mark.parametrize("number", range(len(VALID)))
def test_the_valid_messages_are_read(number: int) -> None:
    """What the fuzzers begin with is accepted: else they would fuzz the way to one rejection."""
    topic, payload = VALID[number]
    assert isinstance(check(topic, payload), READ)


# ---- any bytes ---------------------------------------------------------------------------------------------------

LEVELS = st.lists(
    st.text(max_size=70) | st.sampled_from(["secondbell", "v1", "state", "bridge", "+", "#"]), max_size=7
)
ANY_TOPIC = st.sampled_from(TOPICS) | st.text(max_size=400) | LEVELS.map("/".join)


@SLOWLY
@given(ANY_TOPIC, st.binary(max_size=400), st.booleans())
@example(STATE, b"", True)
@example(PLAN, b"", False)
@example(ANSWER, b"", False)
@example("x" * 70_000, b"{}", False)
@example(STATE, b"\x00" * 65_537, False)
def test_any_bytes_on_any_topic(topic: str, payload: bytes, retain: bool) -> None:
    """Arbitrary bytes, topics and retain flags."""
    check(topic, payload, retain)


# ---- valid messages, spoilt --------------------------------------------------------------------------------------

EDGES = (
    "0000-01-01T00:00:00Z", "0001-01-01T00:00:00+23:59", "1969-12-31T23:59:59.999Z", "1999-12-31T23:59:59.999Z",
    "2000-01-01T00:00:00Z", "2016-12-31T23:59:60Z", "2026-02-29T00:00:00Z", "2026-03-29T01:30:00+01:00",
    "2026-06-30T23:59:60Z", "2100-12-31T23:59:59.999999999Z", "2101-01-01T00:00:00Z", "2100-12-31T23:59:59-23:59",
    "9999-12-31T23:59:60Z", "10000-01-01T00:00:00Z", "2026-03-14t01:12:09z", "2026-03-14T24:00:00Z",
    "2026-03-14T01:12:09." + "9" * 50 + "Z", "２０２６-03-14T01:12:09Z", "2026-W11-6T01:12:09Z",
    "-2026-03-14T01:12:09Z",
)  # fmt: skip
TEXTS = st.sampled_from(
    ["\ud800", "\udfff\ud800", "\x00", "\u2028", "\x85", "e\u0301" * 50, "a" * 70_000, "🍼" * 300]
)
NUMBERS = st.sampled_from(
    [
        0,
        -0.0,
        -1,
        0.1,
        1e308,
        5e-324,
        2**53 + 1,
        2**63,
        -(2**63),
        2**64,
        10**19,
        10**400,
        float("nan"),
        float("inf"),
    ]
)
PARTS = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | NUMBERS | st.text(max_size=30) | TEXTS
    | st.sampled_from(EDGES) | st.sampled_from(["high", "low", "feeding", "off", "enabled", "flush", "24:00"]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8) | TEXTS, inner, max_size=4),
    max_leaves=8,
)  # fmt: skip


def spots(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The paths to everything within a JSON value."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(spot for key, part in inner for spot in spots(part, (*path, key)))]


def spoil(data: st.DataObject, message: Any) -> Any:
    """Replace, remove, wrap or multiply some parts of a message."""
    holder = [message]
    for _ in range(data.draw(st.integers(1, 4))):
        path = data.draw(st.sampled_from(spots(holder)[1:] or [(0,)]))
        parent: Any = holder
        for key in path[:-1]:
            parent = parent[key]
        place, deed = path[-1], data.draw(st.sampled_from(["replace", "remove", "wrap", "multiply", "text"]))
        if deed == "remove" and len(path) > 1:
            del parent[place]
        elif deed == "wrap":
            parent[place] = data.draw(st.sampled_from([[parent[place]], {"data": parent[place]}]))
        elif deed == "multiply" and isinstance(parent, list) and len(path) > 1:
            parent[place:place] = [parent[place]] * data.draw(st.integers(1, 300))
        elif deed == "text":
            parent[place] = json.dumps(parent[place])
        else:
            parent[place] = data.draw(PARTS)
    return holder[0]


WAYS = st.sampled_from(
    ["utf-8", "utf-8-sig", "utf-16", "utf-16-be", "utf-32", "latin-1", "cut", "twice", "flipped"]
)


def written(data: st.DataObject, text: str) -> bytes:
    """The text as bytes, in one of the ways in which bridges get it wrong."""
    way = data.draw(WAYS)
    if way == "cut":
        return text.encode(errors="surrogatepass")[: data.draw(st.integers(0, len(text)))]
    if way == "twice":
        return text.encode(errors="surrogatepass") * 2
    if way == "flipped":
        payload = bytearray(text.encode(errors="surrogatepass"))
        for place in data.draw(st.lists(st.integers(0, max(0, len(payload) - 1)), max_size=4)):
            payload[place : place + 1] = bytes([data.draw(st.integers(0, 255))])
        return bytes(payload)
    return text.encode(way, errors="surrogatepass" if way.startswith("utf") else "replace")


@SLOWLY
@given(st.sampled_from(VALID), st.data())
def test_a_valid_message_with_parts_spoilt(chosen: tuple[str, bytes], data: st.DataObject) -> None:
    """Types changed, parts removed, wrapped or multiplied, absurd numbers, texts and times, in any encoding."""
    topic, payload = chosen
    message = spoil(data, json.loads(payload))
    text = json.dumps(message, ensure_ascii=data.draw(st.booleans()))
    check(data.draw(st.sampled_from([topic, *TOPICS])), written(data, text), data.draw(st.booleans()))


@SLOWLY
@given(st.sampled_from(VALID), st.data())
def test_keys_that_come_twice(chosen: tuple[str, bytes], data: st.DataObject) -> None:
    """A key said again, before or after, with whatever value: one of them counts, or the message is refused."""
    topic, payload = chosen
    text = payload.decode()
    keys = re.findall(r'"[a-z_]+"(?=: )', text)
    again = f"{data.draw(st.sampled_from(keys))}: {json.dumps(data.draw(PARTS))}, "
    braces = [found.end() for found in re.finditer(r"\{", text)]
    place = data.draw(st.sampled_from(braces))
    check(topic, (text[:place] + again + text[place:]).encode())


@pytest.mark.parametrize("depth", [100, 1_000, 10_000, 32_000, 100_000])
@pytest.mark.parametrize("opening", ["[", '{"data":', '[{"alarms":'])
@pytest.mark.parametrize("topic", TOPICS)
def test_deep_nesting(topic: str, opening: str, depth: int) -> None:
    """However deep, open or closed, alone or within a valid message: read or refused, without a stack overflow."""
    closing = "".join("]" if letter == "[" else "}" for letter in reversed(opening) if letter in "[{")
    deep = opening * depth + "null" + closing * depth
    for text in (opening * depth, deep, '{"alarms": ' + deep + "}"):
        check(topic, text.encode())
    within = (
        event("device-state", FEEDING).decode().replace('"alarms": []', f'"alarms": {deep}, "extra": {deep}')
    )
    decoded = check(topic, within.encode())
    if len(within) > 65_536:
        assert isinstance(decoded, Rejection)
        assert decoded.reason is Reason.TOO_LARGE


@pytest.mark.parametrize("digits", [16, 20, 309, 4_300, 4_301, 60_000])
@pytest.mark.parametrize("field", ["sequence", "rate_ml_h", "battery_percent"])
def test_numbers_without_end(field: str, digits: int) -> None:
    """A number with so many digits, before or after its point: put aside, and the snapshot acts; never an exception."""
    text = event("device-state", FEEDING).decode()
    for number in ("9" * digits, "0." + "3" * digits, "-" + "1" * digits, f"1e{'9' * min(digits, 400)}"):
        payload = re.sub(rf'("{field}": )[0-9.]+', rf"\g<1>{number}", text).encode()
        decoded = check(STATE, payload)
        assert isinstance(decoded, Snapshot) or len(payload) > 65_536, decoded


@pytest.mark.parametrize("at", EDGES)
def test_times_at_the_edge_of_the_calendar(at: str) -> None:
    """In the envelope, in an onset, in a plan and in an answer: read, put aside or refused by name."""
    for topic, payload in VALID:
        text = re.sub(r'"20\d\d-[^"]*Z"', lambda _: json.dumps(at), payload.decode())
        decoded = check(topic, text.encode())
        if isinstance(decoded, Rejection):
            assert decoded.reason in (Reason.NO_USABLE_TIME, Reason.BAD_ANSWER, Reason.BAD_PLAN), decoded
        for edge in (f'"time": "{at}"', f'"since": "{at}"', f'"until": "{at}"', f'"set_hung": "{at}"'):
            name = edge.partition(":")[0]
            check(topic, re.sub(rf'{name}: "[^"]*"', edge.replace("\\", ""), payload.decode()).encode())


def test_every_reason_has_a_message_that_gives_it() -> None:
    """The named rejections are reached, each by a message: none is a name without a case."""
    online, whole = b'{"online": 1}', json.loads(VALID[0][1])
    given_ = {
        read("elsewhere", b"{}"), read(STATE, b" " * 65_537), read(STATE, b""), read(STATE, b"\xff"), read(STATE, b"{"),
        read(STATE, b"[]"), read(STATE, b"{}"), read(STATE, json.dumps(whole | {"time": "now"}).encode()),
        read(STATE, json.dumps(whole | {"subject": "pump-x"}).encode()),
        read(STATE, json.dumps(whole | {"data": 1}).encode()),
        read(STATE, VALID[1][1].replace(b'"line": "flush"', b'"line": "feed"')),
        read(PLAN, event("plan", {})), read(ANSWER, event("answer", {})), read(ANSWER, b"{}", True),
        read(PRESENCE, online),
    }  # fmt: skip
    reasons = {decoded.reason for decoded in given_ if isinstance(decoded, Rejection)}
    beyond = {
        Reason.DECODER_FAULT,
        Reason.ENGINE_FAULT,
        Reason.TOO_MANY,
        Reason.RESERVED_NAME,
    }  # ours, the engine's
    assert reasons == set(Reason) - beyond


# ---- guided by what is reached -----------------------------------------------------------------------------------

needs_atheris = pytest.mark.skipif(
    (sys.platform, platform.machine()) != ("linux", "x86_64"), reason="atheris has no wheel for this platform"
)


def fuzz(
    folder: Path, seconds: int, *, module: str = "tests.fuzz.decode_target"
) -> subprocess.CompletedProcess[str]:
    """Run the target as a process of its own for so long; what it crashes on lies in the folder."""
    return subprocess.run(
        [
            sys.executable, "-m", module, f"-max_total_time={seconds}", "-max_len=4096", "-timeout=20",
            "-rss_limit_mb=1024", "-print_final_stats=1", f"-artifact_prefix={folder}/found-", str(folder / "corpus"),
        ],
        cwd=ROOT, capture_output=True, text=True, errors="replace", timeout=seconds + 90, check=False,
    )  # fmt: skip


def assert_nothing_found(folder: Path, seconds: int) -> None:
    """Fuzz; a crash fails with its input."""
    ran = fuzz(folder, seconds)
    found = {path.name: path.read_bytes() for path in folder.glob("found-*")}
    assert ran.returncode == 0, f"{found}\n{ran.stdout[-3000:]}\n{ran.stderr[-3000:]}"
    assert not found
    executed = re.search(r"stat::number_of_executed_units:\s*(\d+)", ran.stderr)
    assert executed is not None, ran.stderr[-3000:]
    assert int(executed[1]) > 100, "the fuzzer did not get going"


@needs_atheris
def test_a_few_seconds_of_fuzzing(tmp_path: Path) -> None:
    """Five seconds from the valid messages on find nothing."""
    assert_nothing_found(tmp_path, 5)


@needs_atheris
@pytest.mark.long
@pytest.mark.timeout(240)
def test_a_minute_of_fuzzing(tmp_path: Path) -> None:
    """Sixty seconds find nothing."""
    assert_nothing_found(tmp_path, 60)


@needs_atheris
def test_the_fuzzer_finds_a_fault(tmp_path: Path) -> None:
    """A decoder that fails on one word of the contract is found out within seconds, and its input kept."""
    ran = fuzz(tmp_path, 30, module="tests.fuzz.faulty_target")
    assert ran.returncode != 0, ran.stderr[-3000:]
    [found] = tmp_path.glob("found-*")
    assert b"urn:" in found.read_bytes()
