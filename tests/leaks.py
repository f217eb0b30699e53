"""What must not leave: every value and name of a parsed site file that is not one of the few that may.

Editing rules: the list is made from the file itself, so that a new key is forbidden until `MAY_LEAVE` names it.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from email import policy
from email.parser import BytesParser
from fnmatch import fnmatch
from html import unescape
from pathlib import Path
from typing import Any

MAY_LEAVE = (
    "site.name", "site.zone", "site.monitor", "units.*", "units.*.called", "devices.*", "devices.*.unit",
    "devices.*.place", "devices.*.pager_place", "people.*.called", "duty.*.unit", "ladders.*.unit", "drills.*.unit",
    "shifts.*",
)  # fmt: skip
"""Places, devices, duty labels, and what units, the site and its shifts are called."""
WORDS = (
    "site.setting", "site.technical", "site.last_resort", "people.technical", "people.manager", "carriers.mail",
    "carriers.pager", "people.*.reach.*.carrier", "carriers.*.kind", "carriers.*.security", "ladders.*.priority",
    "rules.*", "devices.*.plan.feed_kind", "people.charge", "duty.*.role", "duty.*.person", "drills.*.priority",
)  # fmt: skip
"""Values that are ordinary words too, such as "mail", "medium", "charge" or a rule's id, which texts hold anyway."""
SHAPES = re.compile(r"[\d.:]+( ?(s|min|h|d|ms|ml|mL|%|ml/h))?|\W*")
"""Durations, times of day and volumes: no text can be told from another by them."""
ADDRESS = re.compile(r"\d{4,}|\d+(\.\d+){3}(:\d+)?")
"""Pager and port numbers, and hosts: of digits, but no durations."""
SHORT = 3  # characters: shorter values stand in any text
HEADERS = frozenset(
    {"to", "from", "message-id", "received", "return-path", "references", "in-reply-to", "sender"}
)
"""Headers that a mail needs to get there and to be kept together with others."""


def values(told: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Each name and value of a parsed TOML file, with its place; tables' own keys are no values, ids are."""
    if isinstance(told, dict):
        for name, inner in told.items():
            here = f"{path}.{name}" if path else name
            if path in ("people", "devices", "units", "carriers", "rules", "shifts"):
                yield here, name
            yield from values(inner, here)
    elif isinstance(told, list):
        for inner in told:
            yield from values(inner, f"{path}.0")
    elif not isinstance(told, bool):
        yield path, str(told)


def forbidden(site_file: Path) -> dict[str, str]:
    """What must not leave, with where it stands in the site file; ports and other long numbers too."""
    found: dict[str, str] = {}
    for path, value in values(tomllib.loads(site_file.read_text(encoding="utf-8"))):
        if any(
            fnmatch(path, pattern) and path.count(".") == pattern.count(".")
            for pattern in (*MAY_LEAVE, *WORDS)
        ):
            continue
        if path.startswith("devices.") and ".plan." in path:
            continue  # facts of the pump
        if len(value) <= SHORT or (SHAPES.fullmatch(value) and not ADDRESS.fullmatch(value)):
            continue
        parts = re.findall(r"[\w.+-]+@[\w.-]+", value)
        for host, port in re.findall(r"//(?:[^\s/@]*@)?([^\s/:]+)(?::(\d+))?", value):
            parts += [host, *([port] if port else [])]
        for one in (value, *parts):
            found[one] = path
    for path, value in values(tomllib.loads(site_file.read_text(encoding="utf-8"))):
        if any(fnmatch(path, pattern) and path.count(".") == pattern.count(".") for pattern in MAY_LEAVE):
            found.pop(value, None)
    return found


def leaks(text: str, wrong: dict[str, str], site_file: Path) -> list[str]:
    """What of it stands in a text, once what may leave is taken out of that."""
    told = values(tomllib.loads(site_file.read_text(encoding="utf-8")))
    may = {
        value
        for path, value in told
        if any(fnmatch(path, pattern) and path.count(".") == pattern.count(".") for pattern in MAY_LEAVE)
    }
    bare = text
    for allowed in sorted(may, key=len, reverse=True):
        bare = re.sub(rf"(?<![\w-]){re.escape(allowed)}(?![\w-])", "", bare)
    return [
        f"{value} ({path})"
        for value, path in wrong.items()
        if re.search(
            rf"(?<![\w-]){re.escape(value)}(?![\w-])",
            bare if any(value in allowed for allowed in may) else text,
        )
    ]


def page_body(text: str) -> str:
    """What a pager shows: all below the lines that say whose pager it is."""
    return text.partition("\n\n")[2]


def mail_text(raw: bytes) -> str:
    """All of a mail that somebody reads: its headers but those of the way, every part, attachments too."""
    mail = BytesParser(policy=policy.default).parsebytes(raw)
    said = [f"{name}: {value}" for name, value in mail.items() if name.lower() not in HEADERS]
    for part in mail.walk():
        if part.get_content_maintype() == "text":
            said.append(page_text(str(part.get_content())))
        if part.get_filename():
            said.append(str(part.get_filename()))
    return "\n".join(said)


def page_text(page: str) -> str:
    """All of a page but its style: attributes and comments leave too."""
    return unescape(re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL))
