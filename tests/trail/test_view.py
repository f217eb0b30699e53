"""The trail told to people: a concern as a story, all concerns; also where somebody has changed it."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.store import SqliteStore
from monitor.adapters.store_reader import StoreReader
from monitor.adapters.zones import zone_table
from monitor.core.changes import Changes, TrailEntry
from monitor.core.instants import parse
from monitor.core.trail import Frontier, entry
from monitor.trail import view
from monitor.trail.story import WORDS, Teller

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
     "raised, medium priority, since 21:26:00; seen: message b7-000183, stopped, medium occlusion (feed) audio-paused,"
     " no mains, battery 61 %"),
    (2, "called", None, {"rung": 0, "why": "raised", "people": ["p1"], "wait": 600_000},
     "rung 1 is to be told, as it was raised: nurse-1; they have 10 min"),
    (7, "told", "p1", {"carrier": "pager", "why": "raised"}, "nurse-1 is told by pager, 7 s after it was raised"),
    (8, "notice-try-later", "p1", {"carrier": "pager", "attempt": 1, "answer": "busy"},
     "pager did not take the notice to nurse-1 (attempt 1), it will be tried again: busy"),
    (9, "notice-refused", "p1", {"carrier": "pager", "attempt": 2, "answer": "no such pager"},
     "pager did not take the notice to nurse-1 (attempt 2), refused: no such pager"),
    (9, "notice-failed", "p1", {"carrier": "pager"}, "nurse-1 could not be reached by pager"),
    (10, "told", "p2", {"carrier": "mail", "why": "next-rung", "late_by": 90_000},
     "charge is told by mail (nobody before them took it), 10 s after it was raised; only now, as messages came"
     " 1 min 30 s late"),
    (12, "notice-sent", "p2", {"carrier": "mail", "answer": "250 kept"},
     "mail took the notice to charge after 2 s: 250 kept"),
    (135, "accepted", "p2", {"state": "open"},
     "accepted by charge, 2 min 5 s after being told, 2 min 15 s after it was raised"),
    (136, "declined", "p3", {"reason": "with another patient"},
     "declined by p3, who had not been told: with another patient"),
    (137, "accepted", "p2", {"with_concern": "beef01"},
     "accepted by charge, together with beef01 of the same pump, 2 min 17 s after it was raised"),
    (140, "told", "p1", {"carrier": "mail", "why": "taken"}, "nurse-1 is told by mail (somebody else has it)"),
    (141, "priority-raised", None, {"evidence": EVIDENCE},
     "more urgent now, medium priority; seen: message b7-000183, stopped, medium occlusion (feed) audio-paused,"
     " no mains, battery 61 %"),
    (141, "priority-raised", None, {}, "more urgent now, medium priority; seen: no message"),  # of an older version
    (190, "rechecked", None, {"troubled": True}, "looked at again: still troubled"),
    (191, "rechecked", None, {"troubled": False}, "looked at again: nothing new"),
    (192, "duty-ended", "p2", {}, "the duty of charge ended: open again"),
    (193, "held", "p2", {"until": AT + 3_600_000, "reason": "bath"},
     "charge said that the feed is paused on purpose; reason bath, until 22:30:00"),
    (194, "swapped", None, {"old": "d1", "by": "p:77"}, "the feed goes on with another pump; by p:77, old d1"),
    (195, "of-the-future", "p1", {"notice": "ab", "some_thing": [1, True, None], "more": {"a": 2}},
     "of the future (nurse-1); more a 2, some thing 1 yes unknown"),
    (200, "taken-over", "p1", {}, "taken over by nurse-1, 1 min after being told, 59 s after it became more urgent"),
    (3600, "settled", None, {"why": "the pump feeds"},
     "settled: the pump feeds (57 min 39 s after it became more urgent, 56 min 40 s after it was accepted)"),
    (3601, "withdrawn", "p1", {"reason": "out of service"}, "withdrawn by nurse-1: out of service"),
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
    first, *lines = view.story(entries(), NAMES).splitlines()
    assert first == "Concern c0ffee: muted-too-long (alarm without sound), pump-0104; times in UTC"
    assert [line[37:] for line in lines] == [said for *_, said in TOLD]
    assert lines[0].startswith("  2026-07-01 21:30:00  +0 s ")
    assert lines[-2].startswith("  2026-07-01 22:30:00  +1 h ")


def test_a_story_in_local_time_with_duties() -> None:
    """With the site's zone and what people are called, it reads as the ward speaks."""
    story = view.story(
        entries(), NAMES, zone_table("Europe/London"), {"nurse-1": "night nurse 1"}, "Europe/London"
    )
    assert "times in Europe/London" in story
    assert "2026-07-01 22:30:00" in story, "an hour ahead in summer"
    assert "night nurse 1 (nurse-1) is told by pager" in story
    assert "since 22:26:00" in story


def test_after_the_names_are_erased_the_keys_are_told() -> None:
    """Erasing names changes no entry: the story tells opaque keys."""
    story = view.story(entries(), {})
    assert "p1 is told by pager" in story
    assert "nurse-1" not in story


def test_no_entries_no_story() -> None:
    """A concern that the trail does not know gives nothing."""
    assert view.story([], NAMES) == ""


def test_all_concerns() -> None:
    """One line for each that was raised."""
    assert view.concerns(entries(), NAMES) == ["c0ffee  2026-07-01T21:30:00.000Z  pump-0104  muted-too-long"]


@pytest.mark.parametrize(
    "text",
    [
        b"not json", b"[]", b"{}", b"\xff\xfe", b"[" * 100_000, b'{"event": "called", "detail": {"rung": "x"}}',
        b'{"event": "raised", "detail": 7}', b'{"event": "told", "person": [], "detail": {}}',
    ],
)  # fmt: skip
def test_an_altered_text_is_named_and_the_rest_is_told(text: bytes) -> None:
    """Where somebody has changed an entry, the story says which, and goes on."""
    changed = entries()
    changed[0] = replace(changed[0], text=text)
    lines = view.story(changed, NAMES).splitlines()
    assert lines[0] == f"  entry 0: {view.ALTERED}"
    assert len(lines) == len(TOLD) + 1
    assert len(view.concerns(changed, NAMES)) == 1


def test_an_altered_text_controls_no_terminal() -> None:
    """Escape codes smuggled into an entry or a name are not passed on."""
    changed = entries()
    changed[-1] = replace(
        changed[-1], text=json.dumps({"event": "settled", "detail": {"why": "\x1b[2Jgone"}}).encode()
    )
    names = NAMES | {"d1": ("device", "\x1b]0;pump\x07")}
    shown = view.story(changed, names) + "".join(view.concerns(changed, names))
    assert "\x1b" not in shown
    assert "\x07" not in shown


@pytest.fixture
def state_dir(tmp_path: Path) -> Iterator[Path]:
    """A store with these entries."""
    store = SqliteStore.open(tmp_path, site="larkfield")
    frontier = Frontier()
    told = entries()
    for event, detail in (
        ("told", {"carrier": "mail", "why": "raised", "notice": "n1"}),
        (
            "notice-sent",
            {"carrier": "mail", "answer": "250 kept", "notice": "n1", "concerns": ["c0ffee", "beef01"]},
        ),
    ):
        concern = "beef01" if event == "told" else "c0ffee"
        told.append(entry(n=len(told), at=AT, event=event, concern=concern, person="p2", detail=detail))
    for item in told:
        frontier.append(item.leaf)
    store.commit(Changes(entries=told, frontier=frontier.to_text(), names={"p1": ("person", "nurse-1")}))
    store.close()
    yield tmp_path
    shutil.rmtree(tmp_path)


def test_a_notice_with_other_concerns_is_told_under_each(state_dir: Path) -> None:
    """Sent once for several concerns it is filed under the first; the others' stories tell it all the same."""
    with StoreReader(state_dir) as reader:
        story = view.story(view.of_concern(reader, "beef01"), reader.names())
        assert "mail took the notice to p2" in story
        assert view.of_concern(reader, "none") == []


def test_a_text_that_was_taken_away_is_said(state_dir: Path) -> None:
    """Where the policy has taken a text, the story says so and goes on."""
    with StoreReader(state_dir) as reader:
        told = list(reader.entries())
    told[1] = replace(told[1], text=b"")
    lines = view.story(told, NAMES).splitlines()
    assert lines[2] == "  entry 1: its text was taken away by policy"
    assert len(lines) == len(told) + 1


@pytest.mark.parametrize("event", [*WORDS, "anything-else"])
def test_every_event_has_a_sentence(event: str) -> None:
    """With or without a person and details, a line comes of it that names nobody it should not."""
    teller = Teller(NAMES)
    assert teller.tell({"event": event, "at": AT, "person": "p1", "detail": {"x": 1}})
    bare = teller.tell({"event": event, "at": AT})
    assert "{" not in bare
    assert "None" not in bare
