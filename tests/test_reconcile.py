"""`reconcile`: every message, concern, notice and entry of the trail is accounted for, and what is missing is found."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable

import pytest

from monitor.core import answers, room
from monitor.core.books import KEY
from monitor.core.instants import DAY
from monitor.reconcile import Line, as_json, as_table, compare
from monitor.testing import START, Bench, Kept
from tests.core.snapshots import snapshot
from tests.core.stories import RINGING, mended, only, ringing, unattended
from tests.core.test_journal import busy_night
from tests.kept import held_by


def lines_of(kept: Kept, now: int) -> dict[str, Line]:
    """Every comparison by its name."""
    return {line.of: line for line in compare(held_by(kept), now=now)}


def differing(bench: Bench) -> dict[str, int]:
    """What does not agree, and by how much."""
    return {of: line.differs for of, line in lines_of(bench.kept, bench.now).items() if line.differs}


@pytest.fixture
def night() -> Bench:
    """A night in which nearly everything happens; changing what was kept of it harms nobody else."""
    return busy_night()


def test_a_busy_night_agrees(night: Bench) -> None:
    """All of it, after a restart too, and none of the comparisons is of nothing with nothing."""
    lines = lines_of(night.kept, night.now)
    assert differing(night) == {}
    assert [of for of, line in lines.items() if not line.left[1]] == ["concerns open", "trail is whole"]
    assert lines["messages"].left[1] > 1000
    assert lines["trail"].left[1] == lines["trail, by event"].left[1] == len(night.kept.entries)


def test_it_agrees_at_every_instant_of_a_story() -> None:
    """Notices waiting, failing, by the next carrier, dropped; open, settled, relapsed; answers; rubbish; new days."""
    bench = Bench(only("unattended", "out-of-sight"))
    bench.carriers["pager"].fails("try-later")
    for turn in range(4):
        ringing(bench)
        for _ in range(12):
            bench.pass_by("37 s")
            assert differing(bench) == {}
        bench.button("pump-1", "nurse-1", "accept", id=f"b-{turn // 2}")
        bench.message("secondbell/v1/larkfield/elm/pump-1/state", b"}{")
        mended(bench)
        bench.snapshot("pump-9", unit="attic", activity="feeding")
        bench.pass_by("10 min")
        assert differing(bench) == {}
        if turn % 2:
            bench.carriers["pager"].works()
            bench.restart()
            bench.pass_by("25 h")
            assert differing(bench) == {}
    counters = bench.engine.counters
    assert counters["notices failed"]
    assert counters["notices dropped"]
    assert counters["concerns no longer kept"]
    assert counters["answers repeated"]


def take_row(kind: str) -> Callable[[Kept], object]:
    """Take away one row of a kind."""
    return lambda kept: kept.rows[kind].pop(sorted(kept.rows[kind])[-1])


def other_event(kept: Kept) -> None:
    """One entry says that something else happened."""
    kept.entries[-2] = dataclasses.replace(kept.entries[-2], event="nothing")


def one_count(name: str) -> Callable[[Kept], None]:
    """A counter says one more."""

    def change(kept: Kept) -> None:
        engine = json.loads(kept.rows["engine"]["engine"])
        engine["counters"][name] = engine["counters"].get(name, 0) + 1
        kept.rows["engine"]["engine"] = json.dumps(engine)

    return change


def reopened(kept: Kept) -> None:
    """A concern is open in its row, though the trail has it settled."""
    key, text = sorted(kept.rows["concern"].items())[0]
    version, concern = json.loads(text)
    kept.rows["concern"][key] = json.dumps([version, concern | {"state": "open"}])


@pytest.mark.parametrize(
    ("harm", "found"),
    [
        (take_row("notice"), {"notices over, by day and state": 1, "notices sent": 1}),
        (take_row("concern"), {"concerns": 1}),
        (take_row("device"), {"devices": 1}),
        (take_row("answer"), {"answers by message": 1}),
        (take_row("quarantine-place"), {"quarantine, newest day": 1}),
        (take_row("quarantine-day"), {"quarantine, kept by day": 2}),
        (take_row("notice-day"), {"notices over, by day and state": None}),
        (lambda kept: kept.quarantined.pop(), {"quarantine, kept by day": 1, "quarantine, newest day": 1}),
        (lambda kept: kept.entries.pop(), {"trail": 1, "trail is whole": 1, "trail, by event": 1}),
        (other_event, {"trail is whole": 1, "trail, by event": 2}),
        (one_count("messages"), {"messages": 1}),
        (one_count("late"), {"messages": 1}),
        (one_count("rejected not-json"), {"unreadable messages": 1, "messages": 1}),
        (one_count("notices sent"), {"notices": 1}),
        (reopened, {"concerns open": 1}),
    ],
)
def test_what_is_missing_is_found(
    night: Bench, harm: Callable[[Kept], object], found: dict[str, int | None]
) -> None:
    """One row, entry, message or count too few or too many: the line that it is in says by how much."""
    harm(night.kept)
    wrong = differing(night)
    for of, by in found.items():
        assert of in wrong, wrong
        assert by is None or wrong[of] == by
    if "trail" not in found:
        assert set(wrong) <= set(found) | {"trail, by event", "trail is whole"}


def test_what_retention_removed_is_no_difference(night: Bench) -> None:
    """What is more than 30 days old has gone from the quarantine by the daily chore; part of a day never goes alone."""
    later = night.now + 45 * DAY
    old = night.kept.quarantined[:]
    assert {of for of, line in lines_of(night.kept, later).items() if line.differs} == set()
    night.kept.quarantined = []
    assert {of for of, line in lines_of(night.kept, later).items() if line.differs} == set()
    night.kept.quarantined = old[:-1]
    assert {of for of, line in lines_of(night.kept, later).items() if line.differs} == {
        "quarantine, kept by day",
        "quarantine, newest day",
    }


def test_notices_that_retention_removed_are_no_difference() -> None:
    """More than 90 days old they are gone; were a younger one missing, it would be found."""
    bench = unattended(reporting=0)
    mended(bench)
    bench.pass_by("80 d")
    ringing(bench, "pump-2")
    bench.pass_by("10 min")
    later = bench.now + 20 * DAY
    notices = bench.kept.rows["notice"]
    by_age = sorted(notices, key=lambda key: json.loads(notices[key])[1]["created"])
    old = [key for key in by_age if json.loads(notices[key])[1]["created"] < bench.now - 70 * DAY]
    assert 0 < len(old) < len(by_age)
    for key in old:
        del notices[key]
    assert {of for of, line in lines_of(bench.kept, later).items() if line.differs} == set()
    assert "notices sent" in {of for of, line in lines_of(bench.kept, bench.now).items() if line.differs}
    del notices[by_age[-1]]
    assert "notices sent" in {of for of, line in lines_of(bench.kept, later).items() if line.differs}


def test_a_store_of_an_older_version_gets_its_books() -> None:
    """Written without any of it: loaded quietly, and from then on every count agrees, open concerns and all."""
    bench = unattended()
    bench.message("secondbell/v1/larkfield/elm/pump-1/state", b"}{")
    bench.button("pump-1", "nurse-1", "decline")
    older(bench)
    bench.restart()
    assert differing(bench) == {}
    bench.message("secondbell/v1/larkfield/elm/pump-1/state", b"}{")
    bench.button("pump-1", "nurse-2", "accept")
    bench.snapshot("pump-2", activity="stopped", alarms=[RINGING])
    bench.pass_by("20 min")
    mended(bench)
    bench.pass_by("20 min")
    assert differing(bench) == {}
    assert lines_of(bench.kept, bench.now)["concerns"].left == ("raised 1 + before the books 1", 2)
    bench.restart()
    bench.pass_by("26 h")
    assert differing(bench) == {}


def older(bench: Bench) -> None:
    """Turn what is kept into what the first version wrote."""
    rows = bench.kept.rows
    engine = json.loads(rows["engine"]["engine"])
    places = {
        tuple(key.split(" ", 2)[1:]): json.loads(text) for key, text in rows["quarantine-place"].items()
    }
    engine["quarantine"] = {
        "day": engine["quarantine"]["day"],
        "counts": [[*place, count, sizes] for place, (count, sizes) in places.items()],
        "bytes": {day: json.loads(text)[0] for day, text in rows["quarantine-day"].items()},
        "not_kept": 0,
        "said": 0,
    }
    del engine["answers_forgotten"]
    for name in list(engine["counters"]):
        if name.startswith(("messages", "devices", "notices", "presences", "concerns", "answers")):
            del engine["counters"][name]
    for bridge in engine["sight"]["bridges"].values():
        del bridge[6:]
    rows["engine"] = {"engine": json.dumps(engine)}
    for kind in ("quarantine-place", "quarantine-day", "notice-day"):
        del rows[kind]


def test_what_had_no_room_is_accounted_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Devices and answers that were forgotten are counted as such."""
    monkeypatch.setattr(room, "MOST_UNLISTED", 2)
    monkeypatch.setattr(answers, "MOST_REMEMBERED", 2)
    bench = Bench(only("unattended"), reporting=0)
    for number in range(20):
        made_up = snapshot(bench.now, device=f"made-up-{number}", activity="off")
        assert bench.engine.receive_message(made_up, b"", bench.now) is None
        bench.button("pump-1", "nurse-1", "accept", id=f"b-{number}")
        if number == 12:
            bench.pass_by("25 h")
    assert bench.engine.counters["devices forgotten"]
    assert bench.engine.answers.forgotten == 18
    assert differing(bench) == {}


def test_without_books_it_says_so() -> None:
    """A store in which no version that keeps books has written cannot be compared."""
    bench = unattended()
    del bench.kept.rows["engine"][KEY]
    with pytest.raises(ValueError, match="no books yet"):
        compare(held_by(bench.kept), now=START)


def test_the_table_and_the_object_say_the_same(night: Bench) -> None:
    """Each line has two sides and a verdict; what differs is named."""
    take_row("concern")(night.kept)
    lines = compare(held_by(night.kept), now=night.now)
    table, told = as_table(lines), json.loads(as_json(lines))
    assert table.count("DIFFERS by 1") == 1
    assert table.count("agrees") == len(lines) - 1
    assert told["agrees"] is False
    assert [line["of"] for line in told["lines"] if not line["agrees"]] == ["concerns"]
    assert [line["differs_by"] for line in told["lines"] if line["of"] == "concerns"] == [1]
