"""The trail told to people: a concern as a story, all concerns, every entry; also where somebody has changed it."""

from __future__ import annotations

import io
import json
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor import trail_view
from monitor.adapters.store import SqliteStore
from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from monitor.adapters.zones import zone_table
from monitor.core.changes import Changes, TrailEntry
from monitor.core.instants import parse
from monitor.core.trail import Frontier, entry

AT = parse("2026-07-01T21:30:00Z")
NAMES = {"d1": ("device", "pump-0104"), "p1": ("person", "nurse-1"), "p2": ("person", "charge")}
EVIDENCE = {
    "message": "b7-000183",
    "activity": "stopped",
    "alarms": [["occlusion", "feed", "medium", "audio-paused", AT]],
    "mains": False,
    "battery_percent": 61.0,
}
TOLD: tuple[tuple[int, str, str | None, dict[str, Any], str], ...] = (
    # after s, event, person, detail, what is to be read
    (0, "raised", None, {"evidence": EVIDENCE, "since": AT - 240_000},
     "raised, medium priority, since 21:26:00Z; seen: message b7-000183, stopped, medium occlusion (feed) audio-paused,"
     " no mains, battery 61 %"),
    (2, "called", None, {"rung": 0, "why": "raised", "people": ["p1"]}, "rung 1 is to be told (raised): nurse-1"),
    (7, "told", "p1", {"carrier": "pager", "why": "raised"}, "nurse-1 told by pager (raised)"),
    (8, "notice-try-later", "p1", {"carrier": "pager", "attempt": 1, "answer": "busy"},
     "attempt 1 to nurse-1 by pager will be tried again: busy"),
    (9, "notice-refused", "p1", {"carrier": "pager", "attempt": 2, "answer": "no such pager"},
     "attempt 2 to nurse-1 by pager refused: no such pager"),
    (9, "notice-failed", "p1", {"carrier": "pager"}, "could not reach nurse-1 by pager"),
    (9, "notice-failed", "p1", {"carrier": "pager", "cause": "quiet hours"},
     "could not reach nurse-1 by pager: quiet hours"),
    (10, "held-back", "p1", {"until": AT + 600_000, "cause": "load limit"},
     "notice to nurse-1 held back until 21:40Z at the earliest: load limit"),
    (11, "told-together", "p1", {"summary": True, "concerns": ["c0ffee", "c1"]},
     "one of 2 concerns that nurse-1 is told of as a summary"),
    (11, "told-together", "p1", {"summary": False, "concerns": ["c0ffee", "c1", "c2"]},
     "one of 3 concerns that nurse-1 is told of as a group"),
    (12, "notice-sent", "p2", {"carrier": "mail", "answer": "250 kept"}, "sent to charge by mail: 250 kept"),
    (60, "accepted", "p2", {}, "accepted by charge"),
    (61, "priority-raised", None, {"evidence": EVIDENCE},
     "priority-raised, medium priority; seen: message b7-000183, stopped, medium occlusion (feed) audio-paused,"
     " no mains, battery 61 %"),
    (61, "priority-raised", None, {}, "priority-raised, medium priority"),  # of an older version
    (90, "rechecked", None, {"troubled": True}, "rechecked: still troubled"),
    (91, "rechecked", None, {"troubled": False}, "rechecked: nothing new"),
    (92, "duty-ended", "p2", {}, "duty-ended charge"),
    (3600, "settled", None, {"why": "the pump feeds"}, "settled: the pump feeds"),
)  # fmt: skip


def entries() -> list[TrailEntry]:
    """The entries of one concern."""
    return [
        entry(
            n=n, at=AT + after * 1000, event=event, concern="c0ffee", device="d1", person=person,
            rule="muted-too-long", priority="medium", detail=detail or None,
        )
        for n, (after, event, person, detail, _) in enumerate(TOLD)
    ]  # fmt: skip


def test_a_story_tells_each_entry_in_words() -> None:
    """A line for each entry: when, how long after, and what, with names for keys."""
    first, *lines = trail_view.story(entries(), NAMES).splitlines()
    assert first == "Concern c0ffee: muted-too-long, pump-0104; times in UTC"
    assert [line[37:] for line in lines] == [said for *_, said in TOLD]
    assert lines[0].startswith("  2026-07-01 21:30:00  +0 s ")
    assert lines[-1].startswith("  2026-07-01 22:30:00  +1 h ")


def test_a_story_in_local_time_with_duties() -> None:
    """With the site's zone and what people are called, it reads as the ward speaks."""
    story = trail_view.story(
        entries(), NAMES, zone_table("Europe/London"), {"nurse-1": "night nurse 1"}, "Europe/London"
    )
    assert "times in Europe/London" in story
    assert "2026-07-01 22:30:00" in story, "an hour ahead in summer"
    assert "night nurse 1 (nurse-1) told by pager" in story


def test_after_the_names_are_erased_the_keys_are_told() -> None:
    """Erasing names changes no entry: the story tells opaque keys."""
    story = trail_view.story(entries(), {})
    assert "p1 told by pager" in story
    assert "nurse-1" not in story


def test_no_entries_no_story() -> None:
    """A concern that the trail does not know gives nothing."""
    assert trail_view.story([], NAMES) == ""


def test_all_concerns() -> None:
    """One line for each that was raised."""
    assert trail_view.concerns(entries(), NAMES) == [
        "c0ffee  2026-07-01T21:30:00.000Z  pump-0104  muted-too-long"
    ]


@pytest.mark.parametrize(
    "text",
    [
        b"", b"not json", b"[]", b"{}", b"\xff\xfe", b"[" * 100_000, b'{"event": "called", "detail": {"rung": "x"}}',
        b'{"event": "raised", "detail": 7}', b'{"event": "told", "person": [], "detail": {}}',
    ],
)  # fmt: skip
def test_an_altered_text_is_named_and_the_rest_is_told(text: bytes) -> None:
    """Where somebody has changed an entry, the story says which, and goes on."""
    changed = entries()
    changed[0] = replace(changed[0], text=text)
    lines = trail_view.story(changed, NAMES).splitlines()
    assert lines[0] == f"  entry 0: {trail_view.ALTERED}"
    assert len(lines) == len(TOLD) + 1
    assert len(trail_view.concerns(changed, NAMES)) == 1


def test_an_altered_text_controls_no_terminal() -> None:
    """Escape codes smuggled into an entry or a name are not passed on."""
    changed = entries()
    changed[-1] = replace(
        changed[-1], text=json.dumps({"event": "settled", "detail": {"why": "\x1b[2Jgone"}}).encode()
    )
    names = NAMES | {"d1": ("device", "\x1b]0;pump\x07")}
    shown = trail_view.story(changed, names) + "".join(trail_view.concerns(changed, names))
    assert "\x1b" not in shown
    assert "\x07" not in shown


@pytest.fixture
def state_dir(tmp_path: Path) -> Iterator[Path]:
    """A store with these entries."""
    store = SqliteStore.open(tmp_path, site="larkfield")
    frontier = Frontier()
    for told in entries():
        frontier.append(told.leaf)
    store.commit(Changes(entries=entries(), frontier=frontier.to_text(), names={"p1": ("person", "nurse-1")}))
    store.close()
    yield tmp_path
    shutil.rmtree(tmp_path)


def test_an_export_is_what_was_hashed(state_dir: Path) -> None:
    """Each entry's text in a line of its own, byte for byte."""
    out = io.StringIO()
    with StoreReader(state_dir) as reader:
        assert trail_view.export(reader, out) == len(TOLD)
    assert out.getvalue().encode() == b"".join(told.text + b"\n" for told in entries())


def test_an_export_of_an_altered_store_goes_on(state_dir: Path) -> None:
    """Bytes that are no text do not end it."""
    with closing(sqlite3.connect(state_dir / FILE_NAME)) as db:
        db.execute("UPDATE trail SET text = x'ff00fe' WHERE n = 3")
        db.commit()
    out = io.StringIO()
    with StoreReader(state_dir) as reader:
        assert trail_view.export(reader, out) == len(TOLD)
    assert "\N{REPLACEMENT CHARACTER}" in out.getvalue()
