"""The audit trail: canonical text by RFC 8785's examples, and every kind of tampering found."""

from __future__ import annotations

import dataclasses
import json
import math
import struct

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.changes import TrailEntry
from monitor.core.trail import Finding, Frontier, canonical, check, entry, leaf_of

texts = st.text(st.characters(codec="utf-8"), max_size=6)
json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.floats(allow_nan=False) | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=6,
).filter(lambda value: "inf" not in json.dumps(value).lower())


def trail(count: int) -> tuple[list[TrailEntry], Frontier]:
    """A trail of so many entries, and its frontier."""
    entries = [
        entry(
            n=n,
            at=1773450729500 + 250 * n,
            event="raised" if n % 3 else "told",
            concern=f"k{n // 3}" if n % 5 else None,
            device="d:9f2",
            rule="unattended",
            priority="medium",
            detail={"delivered_ml": 412.5, "place": "bay 3 × bed 12", "n": n},
        )
        for n in range(count)
    ]
    return entries, Frontier(item.leaf for item in entries)


def found(entries: list[TrailEntry], frontier: Frontier) -> Finding:
    """The finding that there has to be."""
    finding = check(entries, frontier)
    assert finding is not None
    return finding


def test_the_object_example_of_the_standard() -> None:
    """RFC 8785 §3.2.2 and §3.2.4: its example object has the octets that are printed there."""
    example = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": '\u20ac$\u000f\nA\'B"\\\\"/',
        "literals": [None, True, False],
    }
    printed = """
        7b 22 6c 69 74 65 72 61 6c 73 22 3a 5b 6e 75 6c 6c 2c 74 72 75 65 2c 66 61 6c 73 65 5d 2c 22 6e
        75 6d 62 65 72 73 22 3a 5b 33 33 33 33 33 33 33 33 33 2e 33 33 33 33 33 33 33 2c 31 65 2b 33 30
        2c 34 2e 35 2c 30 2e 30 30 32 2c 31 65 2d 32 37 5d 2c 22 73 74 72 69 6e 67 22 3a 22 e2 82 ac 24
        5c 75 30 30 30 66 5c 6e 41 27 42 5c 22 5c 5c 5c 5c 5c 22 2f 22 7d
    """
    assert canonical(example) == bytes.fromhex(printed)


def test_the_key_order_of_the_standard() -> None:
    """RFC 8785 §3.2.3: keys are sorted by UTF-16 code units, so an emoji stands before U+FB33."""
    keys = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    text = canonical(dict.fromkeys(keys, "x")).decode()
    assert list(json.loads(text)) == ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]


@pytest.mark.parametrize(
    ("bits", "text"),
    [
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("8000000000000001", "-5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("ffefffffffffffff", "-1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("c340000000000000", "-9007199254740992"),
        ("4430000000000000", "295147905179352830000"),
        ("44b52d02c7e14af5", "9.999999999999997e+22"),
        ("44b52d02c7e14af6", "1e+23"),
        ("44b52d02c7e14af7", "1.0000000000000001e+23"),
        ("444b1ae4d6e2ef4e", "999999999999999700000"),
        ("444b1ae4d6e2ef4f", "999999999999999900000"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("41b3de4355555553", "333333333.3333332"),
        ("41b3de4355555554", "333333333.33333325"),
        ("41b3de4355555555", "333333333.3333333"),
        ("41b3de4355555556", "333333333.3333334"),
        ("41b3de4355555557", "333333333.33333343"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
        ("43143ff3c1cb0959", "1424953923781206.2"),
    ],
)
def test_the_numbers_of_the_standard(bits: str, text: str) -> None:
    """RFC 8785 appendix B: IEEE 754 doubles and their one text."""
    [number] = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical({"x": number}) == b'{"x":' + text.encode() + b"}"


@pytest.mark.parametrize(
    ("told", "key"),
    [
        ({"detail": {"rate": math.nan}}, "detail.rate"),
        ({"detail": {"rates": [1, math.inf]}}, r"detail.rates\[1\]"),
        ({"detail": {"place": "bay \ud83d"}}, "detail.place"),
        ({"detail": {"\ude00": 1}}, r"detail: key '\\ude00'"),
        ({"at": 2**53}, "at"),
        ({"at": -(2**53)}, "at"),
        ({"detail": {"seen": {1, 2}}}, "detail.seen"),
        ({"detail": {3: "x"}}, "detail: the key 3"),
    ],
)
def test_what_has_no_canonical_text_is_named(told: dict[str, object], key: str) -> None:
    """NaN, infinity, a lone surrogate, a too large integer and what is not JSON are refused by their key."""
    with pytest.raises(ValueError, match=f"^{key}"):
        canonical(told)


def test_the_largest_integers_are_kept() -> None:
    """2^53 - 1 is the last integer with a text of its own."""
    assert canonical({"at": 2**53 - 1}) == b'{"at":9007199254740991}'


def test_what_is_unknown_is_left_out() -> None:
    """An entry tells what it has, in canonical order, and its leaf is the hash of that."""
    told = entry(n=3, at=1773450729500, event="connected")
    assert told.text == b'{"at":1773450729500,"event":"connected","n":3}'
    assert told.leaf == leaf_of(told.text)


@given(st.integers(0, 40))
def test_a_whole_trail_is_whole(count: int) -> None:
    """Nothing is found where nothing is wrong."""
    assert check(*trail(count)) is None


@given(st.dictionaries(texts, json_values, max_size=4))
def test_whatever_was_written_passes(detail: dict[str, object]) -> None:
    """Any detail that has a canonical text is accepted again by the check, short cut or not."""
    told = entry(n=0, at=1, event="told", detail=detail)
    assert told.text == rfc8785.dumps({"at": 1, "detail": detail, "event": "told", "n": 0})  # type: ignore[dict-item]
    assert check([told], Frontier([told.leaf])) is None


@given(st.integers(1, 12), st.data())
def test_any_changed_byte_is_found_at_its_place(count: int, draw: st.DataObject) -> None:
    """One byte of one text or leaf set to any other value is found, and its entry is named."""
    entries, frontier = trail(count)
    n = draw.draw(st.integers(0, count - 1))
    column = draw.draw(st.sampled_from(["text", "leaf"]))
    before: bytes = getattr(entries[n], column)
    place = draw.draw(st.integers(0, len(before) - 1))
    byte = draw.draw(st.integers(0, 255).filter(lambda value: value != before[place]))
    after = before[:place] + bytes([byte]) + before[place + 1 :]
    entries[n] = (
        dataclasses.replace(entries[n], text=after)
        if column == "text"
        else dataclasses.replace(entries[n], leaf=after)
    )
    assert (found(entries, frontier).n, found(entries, frontier).wrong) == (n, "edited")


@given(st.integers(1, 40), st.data())
def test_an_edit_with_a_fitting_leaf_is_found_by_its_subtree(count: int, draw: st.DataObject) -> None:
    """Whoever edits the text and its leaf is found by the tree, within the entry's perfect subtree."""
    entries, frontier = trail(count)
    n = draw.draw(st.integers(0, count - 1))
    told = json.loads(entries[n].text) | {"priority": "low"}
    text = canonical(told)
    entries[n] = dataclasses.replace(entries[n], text=text, leaf=leaf_of(text))
    finding = found(entries, frontier)
    assert finding.wrong == "tree"
    assert finding.n <= n
    assert f"entries {finding.n} to " in finding.sentence
    assert n <= int(finding.sentence.split(" to ")[1].split()[0])


@given(st.integers(1, 20), st.data())
def test_a_removed_entry_is_named(count: int, draw: st.DataObject) -> None:
    """A missing entry is a gap at its number, or a truncation if it was the last."""
    entries, frontier = trail(count)
    n = draw.draw(st.integers(0, count - 1))
    del entries[n]
    expected = ("truncated" if n == count - 1 else "gap", n)
    assert (found(entries, frontier).wrong, found(entries, frontier).n) == expected


@given(st.integers(1, 20), st.data())
def test_a_removed_entry_is_found_when_the_rest_is_moved_up(count: int, draw: st.DataObject) -> None:
    """Renumbering what follows does not hide a removal: the number is in the hashed text."""
    entries, frontier = trail(count)
    n = draw.draw(st.integers(0, count - 1))
    rest = [dataclasses.replace(item, n=item.n - 1) for item in entries[n + 1 :]]
    expected = ("misplaced" if rest else "truncated", n)
    finding = found(entries[:n] + rest, frontier)
    assert (finding.wrong, finding.n) == expected


@given(st.integers(0, 20), st.data())
def test_an_inserted_entry_is_found(count: int, draw: st.DataObject) -> None:
    """A well-formed entry that was never told is found, in the middle or at the end."""
    entries, frontier = trail(count)
    n = draw.draw(st.integers(0, count))
    new = entry(n=n, at=1773450729500, event="accepted", detail={"person": "p:1"})
    rest = [dataclasses.replace(item, n=item.n + 1) for item in entries[n:]]
    finding = found([*entries[:n], new, *rest], frontier)
    assert finding.wrong == ("inserted" if n == count else finding.wrong)
    assert finding.wrong in ("inserted", "tree", "misplaced")
    assert finding.n <= n + 1


@given(st.integers(2, 20), st.data())
def test_swapped_entries_are_found(count: int, draw: st.DataObject) -> None:
    """Two entries that changed places are found at the first of them, whether or not they were renumbered."""
    entries, frontier = trail(count)
    first = draw.draw(st.integers(0, count - 2))
    second = draw.draw(st.integers(first + 1, count - 1))
    renumbered = list(entries)
    renumbered[first] = dataclasses.replace(entries[second], n=first)
    renumbered[second] = dataclasses.replace(entries[first], n=second)
    assert (found(renumbered, frontier).wrong, found(renumbered, frontier).n) == ("misplaced", first)
    entries[first], entries[second] = entries[second], entries[first]
    assert (found(entries, frontier).wrong, found(entries, frontier).n) == ("gap", first)


@given(st.integers(1, 40), st.data())
def test_a_truncated_tail_is_found(count: int, draw: st.DataObject) -> None:
    """A cut-off end is told with the numbers that are missing."""
    entries, frontier = trail(count)
    left = draw.draw(st.integers(0, count - 1))
    finding = found(entries[:left], frontier)
    assert (finding.wrong, finding.n) == ("truncated", left)
    assert str(count - 1) in finding.sentence


@pytest.mark.parametrize(
    "changed",
    [{"at": 1}, {"event": "settled"}, {"concern": None}, {"concern": "k9"}, {"at": "1773450729750"}],
)
def test_an_entry_filed_wrongly_is_found(changed: dict[str, object]) -> None:
    """What an entry is looked up by is held against its text."""
    entries, frontier = trail(3)
    entries[1] = dataclasses.replace(entries[1], **changed)  # type: ignore[arg-type]
    assert (found(entries, frontier).wrong, found(entries, frontier).n) == ("lookup", 1)


@pytest.mark.parametrize(
    "text",
    [
        b'{"event":"told","at":1,"n":0}',
        b'{"at":1,"event":"told", "n":0}',
        b'{"at":1.0,"event":"told","n":0}',
        b'{"at":1,"event":"told","n":0,"x":1e-07}',
        b'{"at":1,"event":"told","n":0,"x":412.50}',
        b'{"at":1,"event":"told","n":0,"x":-0.0}',
        b'{"at":1,"event":"told","n":0,"n":0}',
        b'{"at":1,"event":"told","n":-0}',
        b'{"at":1,"event":"told","n":0,"x":9007199254740993}',
        b'{"at":1,"event":"told","n":0,"x":NaN}',
        b'{"at":1,"event":"t\\u006fld","n":0}',
        '{"at":1,"event":"told","n":0,"\ufb33":1,"\U0001f600":1}'.encode(),
        b'{"at":1,"event":"told","n":0,"x":"\xff"}',
        b'{"at":1,"event":"told","n":0',
        b"[0]",
        b"",
    ],
)
def test_any_other_way_to_write_an_entry_is_found(text: bytes) -> None:
    """Text with a fitting leaf and head, but not as RFC 8785 writes it, is found as that."""
    told = TrailEntry(n=0, at=1, event="told", concern=None, text=text, leaf=leaf_of(text))
    assert found([told], Frontier([told.leaf])).wrong == "not-canonical"
