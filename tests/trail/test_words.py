"""Every event that the code notes has words of its own in a concern's story: collected from the source itself."""

from __future__ import annotations

import ast
import importlib
from collections.abc import Iterator
from pathlib import Path

import pytest

import monitor
from monitor.core import heads
from monitor.core.feed_answers import EVENT
from monitor.core.journal import LIMITED
from monitor.core.replies import PAST
from monitor.core.returned import REPLIES
from monitor.trail.story import WORDS, Teller

ROOT = Path(monitor.__file__).parent
NOTING = {"note": 0, "about": 0, "_note": None}  # None: the event comes first, or after the notice

# Where the name is put together or passed on: what it can be. Whoever adds such a place adds it here.
TOGETHER = {
    "f'notice-{event.outcome}'": ("notice-sent", "notice-try-later", "notice-refused"),
    "f'trouble-{event.outcome}'": ("trouble-sent", "trouble-try-later", "trouble-refused"),
    "f'{event.what}-refused'": ("link-refused", "code-refused", "form-refused"),
    "EVENT[kind]": tuple(EVENT.values()),
    "REPLIES[event.what]": tuple(REPLIES.values()),
    "past": (*PAST.values(), "accepted-again"),
    "name": ("raised", "relapsed"),
    "edge.kind": (),  # `replay --only-rules` writes no trail
    "said['event']": (),  # a recording that is played again
    "event": (),  # passed on by a method of this name
}
SAID_BY_TELLER = {
    "raised", "relapsed", "joined", "priority-raised", "called", "told", "notice-sent", "notice-try-later",
    "notice-refused", "notice-failed", "accepted", "accepted-again", "declined", "handed-back", "taken-over",
    "withdrawn", "rechecked", "settled",
}  # fmt: skip
"""Those that the teller has a sentence for beside the table."""


def noted() -> Iterator[tuple[str, str]]:
    """Each event that is noted anywhere, and where."""
    for path in sorted(ROOT.rglob("*.py")):
        module = ".".join((ROOT.name, *path.relative_to(ROOT).with_suffix("").parts))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                continue
            called, of = node.func.attr, ast.unparse(node.func.value)
            if called not in NOTING or not node.args or path.name in ("fields.py", "salvage.py"):
                continue  # those two note what was dropped of a message
            texts = [arg for arg in node.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str)]
            names = [ast.unparse(arg) for arg in node.args]
            where = f"{path.name}:{node.lineno} {of}"
            if texts:
                yield str(texts[0].value), where
            elif known := [name for name in names if name in TOGETHER]:
                yield from ((event, where) for event in TOGETHER[known[0]])
            elif names[0].isupper():
                yield str(getattr(importlib.import_module(module), names[0])), where
            elif names != ["change", "now"]:  # `duties`, whose own note is seen above
                raise AssertionError(f"{where}: what is noted by {names}?")


FOUND = dict(noted())


def test_there_are_many() -> None:
    """The collecting collects: as many as the journal knows of, and those with a limit are among them."""
    assert len(FOUND) > 70
    assert set(LIMITED) <= set(FOUND)
    assert {heads.PRUNED, heads.FORGOTTEN, heads.KEY_CHANGED, heads.KEY_LOST} <= set(FOUND)


@pytest.mark.parametrize("event", sorted(FOUND))
def test_every_event_has_words(event: str) -> None:
    """In the table, or a sentence of the teller's own."""
    assert event in WORDS or event in SAID_BY_TELLER, FOUND[event]


def test_no_words_are_left_of_events_that_are_gone() -> None:
    """The table holds nothing that nobody notes."""
    assert sorted(set(WORDS) - set(FOUND)) == []


def test_a_notice_held_back() -> None:
    """It says whose notice, until when at least, and why, and no id of ours."""
    detail = {"until": 1_800_000_000_000, "cause": "the load limit", "into": "n-17"}
    said = Teller({"p1": ("person", "nurse-1")}).tell(
        {"event": "held-back", "at": 1_799_999_000_000, "person": "p1", "detail": detail}
    )
    assert said == (
        "the notice to nurse-1 is held back, to go with the next summary; until 08:00:00, cause the load limit"
    )
