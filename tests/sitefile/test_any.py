"""Whatever a site file says, reading it ends in settings or in named problems, never in anything else."""

from __future__ import annotations

import copy
import io
import json
import tempfile
import tomllib
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.checking import report
from tests.sitefile.site_text import SITE

VALUES = st.one_of(
    st.none(),  # the key is left out
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=8),
    st.sampled_from(
        ["3 min", "*", "nurse", "elm", "role:", "person:", "24:00", "2026-03-14T21:00:00Z", "mqtt://", "//"]
    ),
    st.just([]),
    st.just({}),
    st.just([{}]),
    st.just([[1]]),
    st.just({"a": {"b": {"c": 1}}}),
    st.just({"line\nand\x1b[2Jcontrol": {"patience": "1 h"}}),
)


def places(value: Any, path: tuple[int | str, ...] = ()) -> list[tuple[int | str, ...]]:
    """Every place in a document at which something stands."""
    found = [path] if path else []
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in items:
        found += places(part, (*path, key))
    return found


PLACES = places(tomllib.loads(SITE))


def toml(value: Any) -> str:
    """A value in TOML, tables inline; JSON's strings are TOML's but for DEL."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {toml(part)}" for key, part in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(PLACES), VALUES), min_size=1, max_size=4))
def test_any_value_anywhere(changes: list[tuple[tuple[int | str, ...], Any]]) -> None:
    """Values of any kind at any place: `check` ends with 0 or 1 and a report of lines without controls."""
    document = tomllib.loads(SITE)
    for place, value in changes:
        holder: Any = document
        try:
            for key in place[:-1]:
                holder = holder[key]
            if value is None:
                del holder[place[-1]]
            else:
                holder[place[-1]] = copy.deepcopy(value)
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change took the place away
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.write_text(
            "".join(f"{key} = {toml(value)}\n" for key, value in document.items()), encoding="utf-8"
        )
        out = io.StringIO()
        assert report(path, out, now=0) in (0, 1)
        assert all(line.isprintable() for line in out.getvalue().split("\n"))
