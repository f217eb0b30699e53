"""What is wrong in a file that a person wrote: file, key, value, and what was expected instead."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from pydantic import ValidationError


class Problem(NamedTuple):
    """One mistake, said so that it can be mended without reading our code."""

    file: str
    key: str
    value: str
    expected: str

    def __str__(self) -> str:
        shown = f" = {self.value}" if self.value else ""
        return f"{self.file}: {self.key or '(whole file)'}{shown}: {self.expected}"


class ProblemsFound(ValueError):
    """All mistakes of a reading at once."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(map(str, problems)))
        self.problems = tuple(problems)


def show_key(path: Sequence[int | str]) -> str:
    """A path such as ("when", 0, "for") as `when[0].for`."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else (f".{part}" if text else str(part))
    return text


def from_validation(file: str, error: ValidationError) -> list[Problem]:
    """The problems in a pydantic error, in our words."""
    found = []
    for item in error.errors(include_url=False):
        value: Any = item.get("input")
        shown = "" if isinstance(value, dict | list) or item["type"] == "missing" else repr(value)
        message = item["msg"].removeprefix("Value error, ")
        if item["type"] == "extra_forbidden":
            message = "no such key; see the sample file for the keys there are"
        elif item["type"] == "missing":
            message = "is missing"
        found.append(Problem(file, show_key(item["loc"]), shown, message))
    return found
