"""A fuzzing target: `python -m tests.fuzz.decode_target [libFuzzer's options] CORPUS` feeds decoding ever new bytes.

The fuzzer watches which lines are reached and keeps what reaches new ones. The first byte of an input says which topic
and retain flag it has, or that the topic is made up too; the rest is the payload. A crash is printed with its input.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["monitor", "json"]):
    from tests.fuzz.soundness import TOPICS, VALID, check

RETAINED = 0x80
OTHER_TOPIC = 0x40


def target(data: bytes) -> None:
    """Take one input."""
    topic, payload, retain = taken_apart(data)
    check(topic, payload, retain)


def taken_apart(data: bytes) -> tuple[str, bytes, bool]:
    """Topic, payload and retain flag of an input."""
    first, rest = data[0] if data else 0, data[1:]
    retain = bool(first & RETAINED)
    if first & OTHER_TOPIC:
        topic, _, rest = rest.partition(b"\n")
        return topic.decode(errors="replace"), rest, retain  # MQTT 3.1.1 §1.5.3: a topic is UTF-8
    return TOPICS[first % len(TOPICS)], rest, retain


def seed(folder: Path) -> None:
    """Write the valid messages as inputs to begin with."""
    folder.mkdir(parents=True, exist_ok=True)
    for number, (topic, payload) in enumerate(VALID):
        (folder / f"valid-{number}").write_bytes(bytes([TOPICS.index(topic)]) + payload)
        made_up = bytes([OTHER_TOPIC]) + topic.encode() + b"\n" + payload
        (folder / f"topic-{number}").write_bytes(made_up)


def words(file: Path) -> None:
    """Write a dictionary for the fuzzer: the names and values that messages are made of."""
    found: set[str] = {"\ufeff", "null", "NaN", "-Infinity", "1e400", "\\ud800", "\\u0000", "[[[[", '{"":'}

    def collect(value: object) -> None:
        if isinstance(value, dict):
            for key, inner in value.items():
                collect(key)
                collect(inner)
        elif isinstance(value, list):
            for inner in value:
                collect(inner)
        else:
            found.add(json.dumps(value))

    for _, payload in VALID:
        collect(json.loads(payload))
    lines = ["".join(f"\\x{byte:02x}" for byte in word.encode()) for word in sorted(found)]
    file.write_text("".join(f'"{line}"\n' for line in lines), encoding="ascii")


def main() -> None:
    """Fuzz, as libFuzzer's options say; the last argument is the folder of the corpus."""
    corpus = Path(sys.argv[-1])
    seed(corpus)
    words(corpus.with_name(f"{corpus.name}.words"))
    options = [sys.argv[0], f"-dict={corpus.with_name(f'{corpus.name}.words')}", *sys.argv[1:]]
    atheris.Setup(options, target)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
