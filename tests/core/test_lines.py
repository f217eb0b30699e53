"""The line of each key of a TOML text: nested, dotted, inline, quoted, in lists; never a wrong one."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path as FilePath
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.core.lines import Path, Place, lines_of

ROOT = FilePath(__file__).parents[2]
FILES = sorted([*(ROOT / "rules").glob("*.toml"), *(ROOT / "config").glob("*.toml")])


def leaves(value: Any, path: Path = ()) -> list[Path]:
    """The path of every value that is no table and no list."""
    if isinstance(value, dict):
        return [leaf for key, part in value.items() for leaf in leaves(part, (*path, key))]
    if isinstance(value, list):
        return [leaf for place, part in enumerate(value) for leaf in leaves(part, (*path, place))]
    return [path]


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name)
def test_every_key_of_a_shipped_file_has_its_line(file: FilePath) -> None:
    """Each key that tomllib finds has a line, and the line has the key in it."""
    text = file.read_text(encoding="utf-8")
    lines, found = text.splitlines(), lines_of(text)
    wanted = leaves(tomllib.loads(text))
    assert wanted
    for path in wanted:
        assert path in found, path
        names = [part for part in path if isinstance(part, str)]
        if isinstance(path[-1], str):
            assert re.search(rf"\b{re.escape(names[-1])}\b", lines[found[path] - 1]), path


SITE = """\
# [rules.unattended] is not meant here: patience = "1 min"
[rules.unattended]
patience = "4 min"   # ours

[rules]
muted-too-long.patience = "3 min"
idle-past-limit = { patience = "8 min", bridging = "30 s" }

[units.elm]
called = 'north = "patience"'
thresholds = { unattended = { patience = "2 min" } }

[units."oak tree".thresholds]
unattended.patience = "6 min"

[devices.pump-1]
note = \"\"\"
[devices.pump-1.thresholds.unattended]
patience = "not this"
\"\"\"
[devices.pump-1.thresholds.unattended]
"patience" = "5 min"
[[ladders]]
rungs = [
    { tell = ["role:a"], wait = "1 min" },  # a comment ]
    { tell = ["role:b"],
      wait = "2 min" },
]
[[ladders]]
rungs = [{ tell = ["x"] }]
"""


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("rules", "unattended", "patience"), 3),
        (("rules", "muted-too-long", "patience"), 6),
        (("rules", "idle-past-limit", "bridging"), 7),
        (("units", "elm", "thresholds", "unattended", "patience"), 11),
        (("units", "oak tree", "thresholds", "unattended", "patience"), 14),
        (("devices", "pump-1", "thresholds", "unattended", "patience"), 22),
        (("ladders", 0, "rungs", 1, "wait"), 27),
        (("ladders", 1, "rungs", 0, "tell"), 30),
    ],
)
def test_however_it_is_written(path: Path, line: int) -> None:
    """Headers, dotted and quoted keys, inline tables and lists; comments and long strings hold no keys."""
    assert lines_of(SITE)[path] == line


def test_windows_line_ends_count_as_one() -> None:
    """A file from another system has the same lines."""
    assert lines_of(SITE.replace("\n", "\r\n")) == lines_of(SITE)


def test_what_cannot_be_followed_has_no_line() -> None:
    """A text that is not TOML gives what stood before, and raises nothing."""
    assert lines_of('a = 1\n] b = 2\nc = "3"') == {("a",): 1}
    assert str(Place("site.toml", None)) == "site.toml, line unknown"
    assert str(Place("site.toml", 7)) == "site.toml:7"


KEYS = st.sampled_from(["a", "b-c", '"d e"', "'f.g'", r'"h\"i"'])
VALUES = st.sampled_from(
    [
        "1",
        '"x # y"',
        "'[z]'",
        "{ k = 1, l = [1, { m = 2 }] }",
        "[\n 1, # n\n 2 ]",
        '"""\np = 1\n"""',
        "1.5e3",
        "[]",
    ]
)


@given(st.lists(st.tuples(KEYS, KEYS, VALUES), max_size=6, unique_by=lambda each: (each[0], each[1])))
@example([("a", "b-c", '"""\np = 1\n"""'), ("a", "'f.g'", "1")])
def test_every_value_has_a_line_wherever_tomllib_finds_it(pairs: list[tuple[str, str, str]]) -> None:
    """Every key of a text put together by chance is found, on the line on which it was written."""
    text, wanted = "", {}
    for table, key, value in pairs:
        wanted[text.count("\n") + 1] = (table, key)
        text += f"{table}.{key} = {value}\n"
    data = tomllib.loads(text)
    found = lines_of(text)
    for path in leaves(data):
        assert path in found
    for line, (table, key) in wanted.items():
        (path,) = leaves(tomllib.loads(f"{table}.{key} = 1"))
        assert found[path] == line


@given(st.text(alphabet="ab.=[]{}\"'#, \n\\1", max_size=60))
def test_no_text_makes_it_fail(text: str) -> None:
    """Whatever it is given, it ends and raises nothing."""
    lines_of(text)
