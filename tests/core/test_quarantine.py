"""Unreadable messages: kept first and last, bounded whoever sends, counted beyond that and said once an hour."""

from __future__ import annotations

import hashlib
import json

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core import quarantine
from monitor.core.instants import DAY, HOUR, MINUTE
from monitor.core.messages import Reason, Rejection
from monitor.core.quarantine import Quarantine
from monitor.testing import START, Bench
from tests.core.stories import only

TOPIC = "secondbell/v1/larkfield/elm/pump-1/state"
STATE = Rejection(Reason.NOT_JSON, "line 1", TOPIC, "elm", "pump-1")


def test_one_message_is_kept_whole_with_its_hash() -> None:
    """First 64 KiB, the whole length, SHA-256 of all of it, topic, reason, day."""
    payload = b"x" * 100_000
    kept = Quarantine().place(STATE, payload, START)
    assert kept is not None
    assert (kept.payload, kept.length) == (payload[:65_536], 100_000)
    assert kept.sha256 == hashlib.sha256(payload).hexdigest()
    assert (kept.day, kept.reason, kept.topic, kept.slot, kept.at) == (
        "2026-03-13",
        "not-json",
        TOPIC,
        0,
        START,
    )


def test_the_first_and_the_last_hundred_are_kept() -> None:
    """Of a thousand of one kind the places are the first 100, and 100 that hold the newest."""
    book, held = Quarantine(), {}
    for n in range(1000):
        kept = book.place(STATE, str(n).encode(), START + n)
        assert kept is not None
        held[kept.slot] = int(kept.payload)
    assert sorted(held.values()) == [*range(100), *range(900, 1000)]


def test_reasons_topics_and_days_have_places_of_their_own() -> None:
    """A flood of one kind takes nothing from another, and a new day begins anew."""
    book = Quarantine()
    for _ in range(500):
        book.place(STATE, b"{", START)
    for rejection in (STATE._replace(reason=Reason.NO_DATA), STATE._replace(topic=TOPIC + "2")):
        kept = book.place(rejection, b"{", START)
        assert kept is not None
        assert kept.slot == 0
    tomorrow = book.place(STATE, b"{", START + DAY)
    assert tomorrow is not None
    assert (tomorrow.day, tomorrow.slot) == ("2026-03-14", 0)


sizes = st.lists(
    st.tuples(st.integers(0, 3), st.sampled_from([0, 1, 400, 900]), st.integers(0, 2)), max_size=400
)


@settings(deadline=None)
@given(sizes)
def test_what_is_kept_never_takes_more_than_its_room(sent: list[tuple[int, int, int]]) -> None:
    """Small ones replaced by large ones, over days and topics: the sum of all that is kept stays within the limit."""
    limit, quarantine.MOST_BYTES = quarantine.MOST_BYTES, 20_000
    try:
        book, held = Quarantine(), {}
        for n, (topic, size, days) in enumerate(sorted(sent, key=lambda one: one[2])):
            kept = book.place(STATE._replace(topic=f"t/{topic}"), b"y" * size, START + days * DAY + n)
            if kept is not None:
                held[kept.day, kept.reason, kept.topic, kept.slot] = len(kept.payload)
            assert sum(held.values()) + quarantine.OVERHEAD * len(held) <= 20_000
    finally:
        quarantine.MOST_BYTES = limit


def test_what_a_flood_replaces_is_not_charged_again() -> None:
    """One topic's flood fills its 200 places and no more of the room, however long it goes on."""
    book = Quarantine()
    for n in range(5000):
        book.place(STATE, b"z" * 65_536, START + n)
    assert sum(book.bytes.values()) < 201 * (65_536 + 1000)
    assert book.not_kept == 0


def test_room_comes_back_after_a_month() -> None:
    """Days that the daily chore has removed take no room any more."""
    book = Quarantine()
    book.place(STATE, b"z" * 1000, START)
    book.place(STATE, b"z", START + 30 * DAY)
    assert len(book.bytes) == 2
    book.place(STATE, b"z", START + 31 * DAY)
    assert list(book.bytes) == ["2026-04-12", "2026-04-13"]


def test_ever_new_topics_are_counted_under_one() -> None:
    """A sender of new topics cannot make us remember them all."""
    book = Quarantine()
    for n in range(quarantine.MOST_PLACES + 300):
        kept = book.place(STATE._replace(topic=f"t/{n}"), b"", START)
        assert kept is not None
        assert kept.topic == (f"t/{n}" if n < quarantine.MOST_PLACES else quarantine.OTHER_TOPICS)
    assert len(book.counts) == quarantine.MOST_PLACES + 1
    other = book.place(STATE._replace(reason=Reason.NO_DATA), b"", START)
    assert other is not None
    assert other.topic == TOPIC, "each reason has places of its own, so that no storm hides another trouble"
    assert (book.kept, book.replaced, book.dropped) == (quarantine.MOST_PLACES + 201, 100, 0)


def test_what_is_not_kept_is_said_once_an_hour() -> None:
    """Beyond the room it counts, and says so at most hourly."""
    limit, quarantine.MOST_BYTES = quarantine.MOST_BYTES, 100
    try:
        book = Quarantine()
        assert book.place(STATE, b"a" * 90, START) is None
        assert book.say(START) == 1
        for minute in range(1, 60):
            assert book.place(STATE, b"a" * 90, START + minute * MINUTE) is None
            assert book.say(START + minute * MINUTE) == 0
        assert book.say(START + HOUR) == 59
    finally:
        quarantine.MOST_BYTES = limit


def test_it_goes_on_after_a_restart() -> None:
    """The bookkeeping survives a trip through rows."""
    book = Quarantine()
    for n in range(150):
        book.place(STATE, b"q" * n, START)
    again = Quarantine.load(json.loads(json.dumps(book.dump())), stored(book))
    for one in (book, again):
        kept = one.place(STATE, b"new", START)
        assert kept is not None
        assert kept.slot == 150
    assert again.dump() == book.dump()
    assert again.take_rows() == book.take_rows()


def stored(book: Quarantine, rows: dict[str, dict[str, str]] | None = None) -> dict[str, dict[str, str]]:
    """What a store holds of it, by kind and key, after its next transaction."""
    rows = {} if rows is None else rows
    for (kind, key), text in book.take_rows().items():
        if text is None:
            del rows[kind][key]
        else:
            rows.setdefault(kind, {})[key] = text
    return rows


def test_only_what_has_changed_is_stored_again() -> None:
    """After 500 topics one more message costs two rows; the engine's own row holds nothing of any topic."""
    book = Quarantine()
    for n in range(500):
        book.place(STATE._replace(topic=f"t/{n}"), b"x", START)
    assert len(book.take_rows()) == 501
    book.place(STATE._replace(topic="t/7"), b"y", START)
    assert [key for _, key in book.take_rows()] == ["2026-03-13 not-json t/7", "2026-03-13"]
    assert book.take_rows() == {}
    assert len(json.dumps(book.dump())) < 200


def test_a_new_day_removes_the_rows_of_the_last() -> None:
    """Places are today's; days are kept for as long as their messages, then their rows go too."""
    book = Quarantine()
    book.place(STATE, b"x", START)
    rows = stored(book)
    book.place(STATE._replace(topic="other"), b"x", START + DAY)
    stored(book, rows)
    assert list(rows["quarantine-place"]) == ["2026-03-14 not-json other"]
    assert list(rows["quarantine-day"]) == ["2026-03-13", "2026-03-14"]
    book.place(STATE, b"x", START + 31 * DAY)
    assert list(stored(book, rows)["quarantine-day"]) == ["2026-03-14", "2026-04-13"]
    crashed = rows | {"quarantine-place": {"2026-01-01 not-json old": "[1, [300]]"}}
    assert stored(Quarantine.load(book.dump(), crashed), crashed)["quarantine-place"] == {}


def test_bookkeeping_of_an_older_version_is_taken_over() -> None:
    """One field of the engine's row before: its counts go on, and its places are stored as rows once."""
    state = {
        "day": "2026-03-13",
        "counts": [["not-json", TOPIC, 3, [300, 310, 320]]],
        "bytes": {"2026-03-12": 5000, "2026-03-13": 930},
        "not_kept": 7,
        "said": START - HOUR,
    }
    book = Quarantine.load(state, {})
    assert book.say(START) == 7
    kept = book.place(STATE, b"x", START)
    assert kept is not None
    assert kept.slot == 3
    rows = stored(book)
    assert list(rows["quarantine-place"]) == [f"2026-03-13 not-json {TOPIC}"]
    assert {day: json.loads(text)[1] for day, text in rows["quarantine-day"].items()} == {
        "2026-03-12": None,
        "2026-03-13": None,
    }
    again = Quarantine.load(json.loads(json.dumps(book.dump())), rows)
    assert again.counts == {("not-json", TOPIC): 4}


def test_the_engine_quarantines_and_goes_on() -> None:
    """Rubbish is kept and noted once a day and kind, without quoting it; the next good message acts."""
    bench = Bench(only("unattended"))
    bench.snapshot("pump-1", activity="feeding")
    for _ in range(3):
        bench.message(TOPIC, b'{"subject": "Ms Made Up"}')
    assert len(bench.kept.quarantined) == 3
    noted = [h for h in bench.happened if h.event == "quarantined"]
    assert len(noted) == 1
    assert "Made Up" not in str(noted[0].detail)
    assert bench.engine.devices["pump-1"].picture.unreadable == 3
    bench.snapshot("pump-1", activity="stopped")
    assert bench.engine.devices["pump-1"].picture.unreadable == 0


def test_a_retained_clear_is_no_rubbish() -> None:
    """An empty retained plan withdraws it, an empty state is ignored by name; neither makes a pump unreadable."""
    bench = Bench(only("unattended"))
    bench.snapshot("pump-1", activity="feeding")
    bench.message(TOPIC, b"", retain=True)
    bench.message(TOPIC, b"")
    assert bench.engine.devices["pump-1"].picture.unreadable == 0
