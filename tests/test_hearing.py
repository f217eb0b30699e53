"""The quick reading of a recording gives what decoding in full gives, whatever the line."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.decode import decode
from monitor.core.instants import parse, show
from monitor.core.messages import Rejection, Snapshot
from monitor.core.parts import Rejected
from monitor.core.topics import state_topic
from monitor.hearing import Heard, Hearing
from monitor.recorded import Line, message_line, read_own
from monitor.replay import trace_site
from monitor.shipped import shipped_rules
from tests.core.definition import Alarm, Snap
from tests.core.traces import message

START = parse("2026-03-14T20:00:00Z")
SITE = trace_site(shipped_rules())
TOPIC = state_topic(SITE.prefix, SITE.name, "elm", "pump-1")
MUTED = (Alarm("occlusion", "", "medium", "audio-paused", START),)


def body(sequence: int, **said: Any) -> dict[str, Any]:
    """A usual message of a pump."""
    snap = Snap(START + sequence * 60_000, delivered=float(sequence), rate=85.0, mains=True, percent=93.0)
    return message(snap, sequence=sequence, **said)


def line(payload: bytes, received: int = START, topic: str = TOPIC) -> bytes:
    """A line as the recorder writes it, without its end."""
    return message_line(Line(received, topic, payload)).rstrip(b"\n")


def compact(said: object) -> bytes:
    """JSON without blanks."""
    return json.dumps(said, separators=(",", ":")).encode()


def hear(hearing: Hearing, text: bytes) -> tuple[Heard, bool]:
    """What a line holds, and whether that was read quickly."""
    if (heard := hearing.quick(text)) is not None:
        return heard, True
    return hearing.full(text, read_own(text)), False


def in_full(text: bytes) -> Heard:
    """The same by `decode` alone."""
    entry = read_own(text)
    assert isinstance(entry, Line)
    found = decode(entry.topic, entry.payload, retain=entry.retain, prefix=SITE.prefix, site=SITE.name)
    return Heard(entry.received, Rejected(found, entry.payload) if isinstance(found, Rejection) else found)


def same(heard: Heard, other: Heard) -> None:
    """Equal, the types of the numbers included; the bytes of what cannot be read may be written anew."""
    if isinstance(heard.what, Rejected) and isinstance(other.what, Rejected):
        assert (heard.received, heard.what.rejection) == (other.received, other.what.rejection)
        return
    assert heard == other
    if isinstance(heard.what, Snapshot):
        assert isinstance(other.what, Snapshot)
        assert [type(value) for value in heard.what] == [type(value) for value in other.what]


def changed(sequence: int, change: Any) -> bytes:
    """A usual message with something else in it."""
    said = body(sequence)
    change(said)
    return compact(said)


def odd_payloads() -> st.SearchStrategy[bytes]:
    """What differs from the usual message in ways that matter to reading it."""
    sequence = st.integers(1, 5)
    text = st.sampled_from(["id", "time", 'a"id":"b', "\\", "é", "", "x" * 201, "a b", " 1", "+1"])
    whole = st.sampled_from([0, 1, 99_999, 100_000, 2**63 - 1, 2**63, -1, 10**18])
    odd: st.SearchStrategy[Any] = st.one_of(
        st.none(), whole, text, st.sampled_from([0.5, 1e5, 99999.999999, 1e-7])
    )
    times = st.sampled_from(
        [show(START + 7), "2026-03-14T20:00:00Z", "2026-03-14T20:00:60.000Z", "2026-03-14T21:00:00.000+01:00",
         "1999-01-01T00:00:00.000Z", "2026-02-30T00:00:00.000Z", "2026-03-14t20:00:00.000z", "2026-03-14T20:00:5a.000Z"]
    )  # fmt: skip
    where = st.sampled_from(["id", "time", "sequence", "delivered_ml"])

    def top(number: int, key: str, value: Any) -> bytes:
        return changed(number, lambda said: said.update({key: value}))

    def data(number: int, key: str, value: Any) -> bytes:
        return changed(number, lambda said: said["data"].update({key: value}))

    def delivery(number: int, value: Any) -> bytes:
        return changed(number, lambda said: said["data"]["delivery"].update(delivered_ml=value))

    def repeated(number: int, key: str) -> bytes:
        return compact(body(number))[:-1] + b',"%b":"x"}' % key.encode()

    return st.one_of(
        st.builds(lambda n: compact(body(n)), sequence),
        st.builds(top, sequence, st.just("id"), text),
        st.builds(top, sequence, st.just("time"), times),
        st.builds(data, sequence, st.just("sequence"), odd),
        st.builds(delivery, sequence, odd),
        st.builds(lambda n, k, v: top(n, "more", {k: v}), sequence, where, st.one_of(odd, times)),
        st.builds(top, sequence, where, odd),
        st.builds(repeated, sequence, where),
        st.builds(lambda n: changed(n, lambda said: said["data"].update(activity="held")), sequence),
        st.builds(lambda n: json.dumps(body(n)).encode(), sequence),
    )


@settings(max_examples=300, deadline=None)
@given(st.lists(odd_payloads(), min_size=2, max_size=8))
def test_lines_of_one_topic_are_heard_as_they_are_decoded(payloads: list[bytes]) -> None:
    """The usual line first, so that it is known; then whatever comes, each against `decode`."""
    hearing = Hearing(SITE)
    for number, payload in enumerate([compact(body(1)), *payloads]):
        text = line(payload, START + number)
        same(hear(hearing, text)[0], in_full(text))


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 255), st.booleans())
def test_a_byte_that_is_another(place: int, byte: int, inserted: bool) -> None:
    """One byte of a line changed or put in, anywhere: it is heard as it is decoded, or cannot be used by either."""
    hearing = Hearing(SITE)
    hear(hearing, line(compact(body(1))))
    whole = line(compact(body(2)), START + 60_000)
    place %= len(whole)
    text = whole[:place] + bytes((byte,)) + whole[place + (not inserted) :]
    heard = hearing.quick(text)
    if heard is not None:
        same(heard, in_full(text))


def test_the_usual_line_is_read_quickly() -> None:
    """From the second one on, with another id, time, sequence, volume and receipt; not if anything else changes."""
    hearing = Hearing(SITE)
    ways = [hear(hearing, line(compact(body(n)), START + n * 60_000))[1] for n in (1, 2, 3, 10, 100_000)]
    assert ways == [False, True, True, True, False]  # 100,000 mL: the whole range is judged in full
    muted = compact(message(Snap(START, alarms=MUTED, delivered=4.0), sequence=5))
    assert [hear(hearing, line(muted))[1] for _ in range(2)] == [False, True]


@pytest.mark.parametrize(
    ("change", "again"),
    [
        (lambda said: said.update(note='"id":"'), False),  # a backslash: keys may hide behind one
        (lambda said: said.update(more={"time": show(START)}), False),
        (lambda said: said.update(note="time"), False),  # a value, and no key: counted all the same
        (lambda said: said.update(more={"note": "x"}), True),
        (lambda said: said["data"].pop("delivery"), True),
    ],
)
def test_a_line_in_which_a_key_could_stand_twice_is_never_known(change: Any, again: bool) -> None:
    """What could make another value count than the one that is looked at is read in full each time."""
    hearing = Hearing(SITE)
    text = line(changed(2, change))
    hear(hearing, text)
    assert hear(hearing, text)[1] is again


def test_a_site_that_knows_every_device_hears_any_site() -> None:
    """The unit of a trace's site, whatever the topic says."""
    hearing = Hearing(SITE, known=True)
    topic = "other/prefix/north/oak/pump-1/state"
    for number in (1, 2):
        heard, quickly = hear(hearing, line(compact(body(number)), topic=topic))
        assert isinstance(heard.what, Snapshot)
        assert (heard.what.unit, heard.what.sequence, quickly) == ("trace", number, number == 2)
