"""On which line of a TOML text a key stands, so that a limit can be looked up where somebody wrote it.

tomllib gives values without lines. This reads a text that tomllib has already read, so it need not judge it: what it
cannot follow has no line, and is told as "line unknown". A path has the names of tables and keys, and numbers for the
places in a list: ("when", 0, "for"). Editing rules: never raise, whatever the text.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Final, NamedTuple

Path = tuple[str | int, ...]

# TOML 1.0: a key is bare, or a basic or literal string; strings may go over lines with three marks.
_KEY: Final = re.compile(r"""[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*'""")
_STRING: Final = re.compile(
    r'''"""(?:[^\\]|\\.)*?"""(?:"{0,2}(?!"))|\'\'\'.*?\'\'\'(?:\'{0,2}(?!\'))|"(?:[^"\\\n]|\\.)*"|'[^'\n]*\'''',
    re.DOTALL,
)
_BLANK: Final = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE: Final = re.compile(r"[ \t]*")
_PLAIN: Final = re.compile(r"[^,\]}#\n\r]+")  # a number, a date, true or false


class Place(NamedTuple):
    """A file and a line of it, from 1; None where the line is not known."""

    file: str
    line: int | None

    def __str__(self) -> str:
        return f"{self.file}:{self.line}" if self.line is not None else f"{self.file}, line unknown"


def lines_of(text: str) -> Mapping[Path, int]:
    """The line of each key of a TOML text, by its path; of what it cannot follow, none."""
    found: dict[Path, int] = {}
    try:
        for path, line in _Scan(text).walk():
            found.setdefault(path, line)
    except (_Lost, RecursionError):
        pass  # what was found before that is right
    return found


class _Lost(Exception):
    """The text is not what was expected: the lines from here on are unknown."""


class _Scan:
    """Walks a TOML text from its start to its end."""

    def __init__(self, text: str) -> None:
        self._text, self._at = text, 0
        self._line, self._counted = 1, 0  # lines are counted up to here
        self._lists: dict[Path, int] = {}

    def walk(self) -> Iterator[tuple[Path, int]]:
        """Each key's path and line, in the order of the text."""
        table: Path = ()
        while self._skip(_BLANK) < len(self._text):
            if self._text.startswith("[[", self._at):
                table = self._header("[[", "]]")
                yield table, self._here()
            elif self._text.startswith("[", self._at):
                table = self._header("[", "]")
                yield table, self._here()
            else:
                yield from self._pair(table)

    def _header(self, opens: str, closes: str) -> Path:
        self._at += len(opens)
        names = self._names()
        self._expect(closes)
        path: Path = ()
        for place, name in enumerate(names):
            path = (*path, name)
            last = place == len(names) - 1
            if last and opens == "[[":
                self._lists[path] = self._lists.get(path, -1) + 1
            if path in self._lists:  # the newest of a list of tables is the one that is meant
                path = (*path, self._lists[path])
        return path

    def _names(self) -> list[str]:
        names = []
        while True:
            self._skip(_SPACE)
            match = _KEY.match(self._text, self._at)
            if match is None:
                raise _Lost
            self._at = match.end()
            names.append(_name(match[0]))
            self._skip(_SPACE)
            if not self._text.startswith(".", self._at):
                return names
            self._at += 1

    def _pair(self, table: Path) -> Iterator[tuple[Path, int]]:
        line = self._here()
        path = (*table, *self._names())
        self._expect("=")
        self._skip(_SPACE)
        yield path, line
        yield from self._value(path)

    def _value(self, path: Path) -> Iterator[tuple[Path, int]]:
        text = self._text
        if text.startswith("{", self._at):
            self._at += 1
            while self._skip(_BLANK) < len(text) and text[self._at] != "}":
                if text[self._at] == ",":
                    self._at += 1
                else:
                    yield from self._pair(path)
            self._expect("}")
        elif text.startswith("[", self._at):
            self._at += 1
            number = 0
            while self._skip(_BLANK) < len(text) and text[self._at] != "]":
                if text[self._at] == ",":
                    self._at += 1
                else:
                    yield (*path, number), self._here()
                    yield from self._value((*path, number))
                    number += 1
            self._expect("]")
        elif (match := _STRING.match(text, self._at) or _PLAIN.match(text, self._at)) is not None:
            self._at = match.end()
        else:
            raise _Lost

    def _expect(self, mark: str) -> None:
        self._skip(_SPACE)
        if not self._text.startswith(mark, self._at):
            raise _Lost
        self._at += len(mark)

    def _skip(self, blanks: re.Pattern[str]) -> int:
        if (match := blanks.match(self._text, self._at)) is not None:
            self._at = match.end()
        return self._at

    def _here(self) -> int:
        self._line += self._text.count("\n", self._counted, self._at)
        self._counted = self._at
        return self._line


def _name(key: str) -> str:
    if key.startswith("'"):
        return key[1:-1]
    if not key.startswith('"'):
        return key
    try:
        name = json.loads(key)  # a basic string's escapes are JSON's, but for \U and \e
    except ValueError:
        raise _Lost from None
    return str(name)
