"""The core is pure: no asyncio, no files, no network, no clock, no randomness, found by reading its syntax trees."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import monitor.core

CORE = Path(monitor.core.__file__).parent
FILES = sorted(CORE.rglob("*.py"))

# Everything that the core may import. A new name here needs a reason that it can neither look, wait nor guess.
ALLOWED = {
    "__future__", "abc", "base64", "bisect", "collections", "contextlib", "dataclasses", "datetime", "decimal", "enum",
    "functools", "hashlib", "heapq", "hmac", "itertools", "json", "math", "operator", "re", "textwrap", "tomllib",
    "types", "typing",
    "pydantic", "pydantic_core", "rfc8785", "typing_extensions", "unicodedata", "sys.intern", "statistics.median",
}  # fmt: skip
CALLS = {"open", "print", "input", "exec", "eval", "compile", "__import__", "breakpoint", "hash", "id"}
IN_PARTS = {"sys", "statistics"}  # of which only some names are pure: `statistics` draws random samples too
SCRIPT = "__name__ == '__main__'"
CLOCKS = {"now", "utcnow", "today"}


def impurities(source: str) -> list[str]:
    """What a piece of source imports or calls that the core must not."""
    found = []
    tree = ast.parse(source)
    # What runs only as a script (`python -m …` prints the state diagram) is no part of the core at work.
    tree.body = [
        node for node in tree.body if not (isinstance(node, ast.If) and ast.unparse(node.test) == SCRIPT)
    ]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = ["." * node.level + (node.module or "")]
            if node.module in IN_PARTS:
                names = [f"{node.module}.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Call):
            names = []
            called = node.func
            if isinstance(called, ast.Name) and called.id in CALLS:
                found.append(f"{called.id}()")
            if isinstance(called, ast.Attribute) and called.attr in CLOCKS and not node.args:
                found.append(f".{called.attr}()")
        else:
            continue
        for name in names:
            if (
                not {name, name.split(".")[0]} & ALLOWED
                and name != "monitor.core"
                and not name.startswith("monitor.core.")
            ):
                found.append(name)
    return found


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.relative_to(CORE)))
def test_nothing_impure_is_imported_or_called(file: Path) -> None:
    """Each file of the core."""
    assert impurities(file.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "source",
    [
        *(f"import {name}" for name in (
            "asyncio", "socket", "time", "random", "secrets", "os", "pathlib", "io", "subprocess", "threading",
            "sqlite3", "aiosmtplib", "structlog", "sys", "statistics", "apscheduler.schedulers", "uuid", "logging",
            "zoneinfo",
        )),
        "from os import path",
        "from statistics import NormalDist",
        "import paho.mqtt.client as mqtt",
        "from monitor.adapters import store",
        "from monitor import replay",
        "from . import engine",
        "def f():\n    import time",
        "open('x')",
        "print(1)",
        "hash('x')",
        "from datetime import datetime\ndatetime.now()",
        "import datetime\ndatetime.datetime.utcnow()",
        "from datetime import date\ndate.today()",
    ],
)  # fmt: skip
def test_what_is_impure_is_found(source: str) -> None:
    """The scan can fail: each of these is named."""
    assert impurities(source)


def test_a_datetime_from_a_number_is_pure() -> None:
    """Only the clock is forbidden, not the calendar."""
    source = "import datetime\ndatetime.datetime.fromtimestamp(0, datetime.UTC)\nengine.advance(now)"
    assert impurities(source) == []


def test_the_whole_core_is_looked_at() -> None:
    """The files that matter most are among those scanned."""
    names = {file.name for file in FILES}
    assert {
        "engine.py",
        "patterns.py",
        "picture.py",
        "device.py",
        "fleet.py",
        "concerns.py",
        "trail.py",
    } <= names
