"""The whole verification on real stores: every way to tamper with the record is found, and its first place named."""

from __future__ import annotations

import json
import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.adapters.store_reader import StoreReader
from monitor.adapters.trail_keys import NEXT, PRIVATE, PUBLIC, public_pem, read_public, trail_key
from monitor.core.heads import FORGOTTEN, KEY_LOST, PRUNED, encoded, key_id
from monitor.core.instants import DAY
from monitor.core.trail import Frontier, canonical, leaf_of
from monitor.trail.check import Verdict, verify
from monitor.trail.proof_commands import report
from tests.trails import AT, Book, assert_found, checked, every_byte, raw

CHANCE = random.Random(20260314)
SAMPLE = 120  # of the bytes of the small trail in the normal run


def made(folder: Path) -> Book:
    """A trail of 20 entries with heads after 8, 14 and 20 of them."""
    book = Book(folder)
    for count in (8, 6, 6):
        book.write(count)
        book.sign()
    return book


@pytest.fixture(scope="module")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """That trail's folder, not to be changed."""
    folder = tmp_path_factory.mktemp("pattern") / "state"
    made(folder).close()
    return folder


@pytest.fixture
def state(pattern: Path, tmp_path: Path) -> Iterator[Path]:
    """A copy of it."""
    folder = tmp_path / "state"
    shutil.copytree(pattern, folder)
    yield folder
    shutil.rmtree(folder)


def first(verdict: Verdict) -> tuple[str, int]:
    """The first finding: what, and where."""
    assert verdict.findings
    return verdict.findings[0].wrong, verdict.findings[0].n


def test_what_was_not_touched_is_whole(pattern: Path) -> None:
    """Nothing is found, and what it is made of is told."""
    verdict = checked(pattern)
    assert (verdict.findings, verdict.size, len(verdict.heads), verdict.pruned) == ([], 20, 3, 0)
    assert [head.size for head in verdict.heads] == [8, 14, 20]
    assert verdict.heads[-1].root == verdict.root


# ---- any single byte -------------------------------------------------------------------------------------------------


def test_any_single_byte_of_any_table_of_the_trail(state: Path) -> None:
    """Sampled: any byte of trail, tree, heads, names and meta with other bits is found; then all is whole again."""
    every = every_byte(state)
    assert {byte.table for byte in every} == {"trail", "tree", "heads", "names", "meta"}
    for byte in CHANCE.sample(every, SAMPLE):
        assert_found(state, byte, CHANCE.randint(1, 255))
    assert checked(state).findings == []


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_every_single_byte_of_every_table_of_the_trail(state: Path) -> None:
    """Each byte of the small trail, with one bit and with all bits turned."""
    every = every_byte(state)
    for byte in every:
        for turn in (1 << CHANCE.randint(0, 7), 255):
            assert_found(state, byte, turn)
    print(f"\n{len(every)} bytes, {2 * len(every)} changes, all found")
    assert checked(state).findings == []


# ---- by those who know how it is made --------------------------------------------------------------------------------


def rebuilt(folder: Path, change: Callable[[list[bytes]], list[bytes]]) -> None:
    """Change the texts, then make numbers, leaves, lookups and the stored tree fit: all but the signatures."""
    with raw(folder) as db:
        texts = [bytes(text) for (text,) in db.execute("SELECT text FROM trail ORDER BY n")]
        db.execute("DELETE FROM trail")
        frontier = Frontier()
        for n, text in enumerate(change(texts)):
            told = json.loads(text) | {"n": n}
            new = canonical(told)
            frontier.append(leaf_of(new))
            row = ("larkfield", n, told["at"], told["event"], told.get("concern"), new, leaf_of(new))
            db.execute("INSERT INTO trail VALUES (?, ?, ?, ?, ?, ?, ?)", row)
        db.execute("UPDATE tree SET frontier = ?", (frontier.to_text(),))


EDITED = b'"carrier":"mail "'


@pytest.mark.parametrize(
    ("change", "place"),
    [
        (
            lambda texts: [
                t.replace(b'"carrier":"pager"', EDITED) if n == 3 else t for n, t in enumerate(texts)
            ],
            0,
        ),
        (
            lambda texts: [
                t.replace(b'"carrier":"pager"', EDITED) if n == 16 else t for n, t in enumerate(texts)
            ],
            14,
        ),
        (lambda texts: texts[:10] + texts[11:], 8),
        (lambda texts: [*texts[:9], texts[1], *texts[9:]], 8),
        (lambda texts: [*texts[:15], texts[16], texts[15], *texts[17:]], 14),
    ],
    ids=["edited", "edited late", "removed", "inserted", "reordered"],
)
def test_a_tree_rebuilt_after_a_change_is_found_by_its_heads(
    state: Path, change: Callable[[list[bytes]], list[bytes]], place: int
) -> None:
    """Between which two signed heads an entry was edited, removed, inserted or moved is told."""
    rebuilt(state, change)
    wrong, n = first(checked(state))
    assert (wrong, n) == ("signed", place)


def test_a_tail_cut_off_cleanly_is_found_by_the_heads_in_the_store(state: Path) -> None:
    """The tree ends at 17, a head of 20 is there: entries 17 to 19 are missing."""
    rebuilt(state, lambda texts: texts[:17])
    verdict = checked(state)
    assert first(verdict) == ("truncated", 17)
    assert "17 to 19 are missing at the end: a signed head has them" in verdict.findings[0].sentence


def test_a_tail_cut_off_with_its_heads_is_found_by_a_head_outside(state: Path, pattern: Path) -> None:
    """Entries and heads cut back to 14: whole by itself, but a head of 20 kept elsewhere tells what is missing."""
    outside = [("mail.eml", checked(pattern).heads[-1])]
    rebuilt(state, lambda texts: texts[:14])
    with raw(state) as db:
        db.execute("DELETE FROM heads WHERE n = 2")
    assert checked(state).findings == []
    assert first(checked(state, outside=outside)) == ("truncated", 14)


def test_heads_taken_away_are_found_by_a_head_outside(state: Path, pattern: Path) -> None:
    """The last head gone, or all of them: what was kept elsewhere is missed in the store."""
    outside = [("head.json", checked(pattern).heads[-1])]
    assert checked(state, outside=outside).findings == []
    with raw(state) as db:
        db.execute("DELETE FROM heads WHERE n = 2")
    assert "not among those in the store" in checked(state, outside=outside).findings[0].sentence
    with raw(state) as db:
        db.execute("DELETE FROM heads")
    assert first(checked(state, outside=outside))[0] == "key"


def test_a_whole_trail_rewritten_under_another_key(state: Path, pattern: Path, tmp_path: Path) -> None:
    """Entries changed, tree and heads made anew with the forger's key: the true key, or an old head, tells."""
    true, heads = trail_key(pattern).public, checked(pattern).heads
    forged = tmp_path / "forged"
    shutil.copytree(state, forged)
    for name in (PRIVATE, PUBLIC):
        (forged / name).unlink()
    rebuilt(
        forged,
        lambda texts: [t.replace(b'"carrier":"pager"', EDITED) if n == 3 else t for n, t in enumerate(texts)],
    )
    with raw(forged) as db:
        db.execute("DELETE FROM heads")
    book = Book(forged)
    book.sign()
    book.close()
    assert book.key.public != true
    assert checked(forged).findings == [], "nothing in the store itself can tell"
    by_key = checked(forged, trusted=[true]).findings
    assert [(finding.wrong, finding.n) for finding in by_key] == [("key", 0)]
    by_head = checked(forged, outside=[("mail", heads[1])]).findings
    assert [(finding.wrong, finding.n) for finding in by_head] == [("signed", 0), ("key", 0)]
    shutil.rmtree(forged)


def test_heads_of_another_site_among_ours(state: Path, tmp_path: Path) -> None:
    """A head that another site has signed, put into the store in place of one of ours."""
    other = Book(tmp_path / "other", site="oakfield")
    other.write(8)
    head = other.sign()
    other.close()
    with raw(state) as db:
        db.execute("UPDATE heads SET text = ? WHERE n = 0", (head.text.encode(),))
    verdict = checked(state)
    assert first(verdict) == ("head", 0)
    assert "another site: 'oakfield'" in verdict.findings[0].sentence


@pytest.mark.parametrize(
    ("statement", "wrong", "says"),
    [
        ("DELETE FROM trail WHERE n BETWEEN 5 AND 9", ("gap", 5), "missing: entry 5 to 9"),
        ("DELETE FROM heads WHERE n = 1", ("head", 8), "signed head 1 is missing"),
        (
            "UPDATE names SET name = 'nurse-3' WHERE name = 'nurse-1'",
            ("name", 0),
            "not the one that it was made of",
        ),
        ("DELETE FROM names WHERE name = 'nurse-1'", ("name", 0), "no entry says that it was erased"),
        ("UPDATE meta SET value = '1' WHERE key = 'schema'", ("meta", 0), "its tables are of another"),
        ("UPDATE trail SET site = 'oakfield' WHERE n = 19", ("truncated", 19), "19 to 19 are missing"),
        (
            "UPDATE trail SET text = x'', at = 0, event = '', concern = NULL WHERE n = 4",
            ("edited", 4),
            "edited",
        ),
    ],
)
def test_what_is_cut_out_of_the_middle_and_beside_it(
    state: Path, statement: str, wrong: tuple[str, int], says: str
) -> None:
    """Entries, heads and names taken away, swapped, or blanked without a policy."""
    with raw(state) as db:
        assert db.execute(statement).rowcount > 0
    verdict = checked(state)
    assert first(verdict) == wrong
    assert says in verdict.findings[0].sentence


def test_a_head_taken_out_and_the_others_moved_up(state: Path) -> None:
    """Each head names the one before it: a gap that was closed is found too."""
    with raw(state) as db:
        db.execute("DELETE FROM heads WHERE n = 1")
        db.execute("UPDATE heads SET n = 1 WHERE n = 2")
    verdict = checked(state)
    assert first(verdict) == ("head", 8)
    assert "does not follow the one before it" in verdict.findings[0].sentence


@pytest.mark.parametrize(
    ("days", "keep", "before", "now", "believed"),
    [
        (1, 100, 20, 1, False),
        (1, 0, 20, 1, False),
        (98, 100, 20, 98, False),
        (300, 100, 20, 1, False),
        (300, 100, 20, None, False),
        (300, 100, 21, 300, False),
        (102, 100, 20, 102, True),
    ],
    ids=["young", "no policy", "by a head", "of the future", "a later head is older", "itself", "by policy"],
)
def test_a_text_is_not_hidden_by_an_entry_that_calls_it_old(
    state: Path, days: int, keep: int, before: int, now: int | None, believed: bool
) -> None:
    """Who can write here adds an entry that texts were pruned, and takes one: heads, policy and clock belie it."""
    book = Book(state)
    book.now = AT + days * DAY
    book.note(PRUNED, keep=keep * DAY, before=before, entries=1, events={"raised": 1})
    if now is None:
        book.now = AT + DAY
        book.sign()
    book.close()
    with raw(state) as db:
        db.execute("UPDATE trail SET text = x'', at = 0, event = '', concern = NULL WHERE n = 4")
    verdict = checked(state, now=None if now is None else AT + now * DAY)
    found = [(finding.wrong, finding.n) for finding in verdict.findings]
    assert found == ([] if believed else [("edited", 4), ("signed", 20)])


def test_an_index_that_hides_an_entry_is_found(state: Path) -> None:
    """All rows are there, but looked up by its concern one is not: the index was made without it."""
    with raw(state) as db:
        [(sql,)] = db.execute("SELECT sql FROM sqlite_master WHERE name = 'trail_concern'").fetchall()
        db.execute("DROP INDEX trail_concern")
        db.execute(f"{sql} AND n <> 6")
        db.execute("PRAGMA writable_schema = ON")
        db.execute("UPDATE sqlite_master SET sql = ? WHERE name = 'trail_concern'", (sql,))
    verdict = checked(state)
    assert first(verdict) == ("meta", 0)
    assert "'trail' and its index do not fit together" in verdict.findings[0].sentence


def test_names_that_could_not_be_checked_are_said(state: Path) -> None:
    """Without the site's secret a changed name cannot be told from a true one: the report does not keep that quiet."""
    with StoreReader(state) as reader:
        assert "not checked: that each name" in "\n".join(report(verify(reader)))
    assert "not checked" not in "\n".join(report(checked(state)))


# ---- keys ------------------------------------------------------------------------------------------------------------


def test_a_key_that_was_changed_by_its_predecessor_is_trusted(tmp_path: Path) -> None:
    """Two changes of keys: whole, with the first key given, or the last; each old public key stays beside the new."""
    book = made(tmp_path)
    first_key = book.key.public
    for _ in range(2):
        book.rotate()
        book.sign()
        book.write(3)
        book.sign()
    last_key = book.key.public
    book.close()
    assert checked(tmp_path).findings == []
    for trusted in (first_key, last_key):
        assert checked(tmp_path, trusted=[trusted]).findings == []
    assert checked(tmp_path, outside=[("old", checked(tmp_path).heads[0])], trusted=[last_key]).findings == []
    assert read_public(tmp_path / f"trail-{key_id(first_key)}.pub") == first_key
    assert not (tmp_path / NEXT).exists()


def test_a_head_by_a_key_that_was_changed_is_found(tmp_path: Path) -> None:
    """Whoever stole the old key cannot sign on with it."""
    book = made(tmp_path)
    old = book.key
    book.rotate()
    book.sign()
    book.key = old
    book.write(2)
    book.sign()
    book.close()
    verdict = checked(tmp_path)
    assert first(verdict)[0] == "key"
    assert f"signed with the key {old.id}" in verdict.findings[0].sentence


def test_a_change_of_keys_that_the_old_one_did_not_sign_is_found(tmp_path: Path) -> None:
    """An entry that only says so does not make a key."""
    book = made(tmp_path)
    old = book.key
    shutil.move(tmp_path / PRIVATE, tmp_path / "away")
    book.key = trail_key(tmp_path)
    book.note(
        "trail-key-changed", old=old.id, new=book.key.id, public_key=encoded(book.key.public),
        signature=encoded(book.key.sign(b"anything")),
    )  # fmt: skip
    book.sign()
    book.close()
    assert "without its old one's word" in checked(tmp_path).findings[0].sentence


def test_a_lost_key_is_said_until_somebody_vouches_for_the_new_one(tmp_path: Path) -> None:
    """The trail says that the key was lost; that is found until the new public key is given."""
    book = made(tmp_path)
    lost = book.key
    (tmp_path / PRIVATE).unlink()
    book.key = trail_key(tmp_path)
    book.note(KEY_LOST, old=lost.id, new=book.key.id, public_key=encoded(book.key.public))
    book.write(2)
    book.sign()
    new = book.key.public
    book.close()
    verdict = checked(tmp_path)
    assert first(verdict) == ("key", 20)
    assert "because the old one was lost" in verdict.findings[0].sentence
    assert checked(tmp_path, trusted=[new]).findings == []
    assert first(checked(tmp_path, trusted=[lost.public])) == ("key", 0)
    assert public_pem(new) == (tmp_path / PUBLIC).read_bytes()


# ---- names -----------------------------------------------------------------------------------------------------------


def test_a_name_that_was_forgotten_is_not_missed_and_may_come_back(tmp_path: Path) -> None:
    """Erased with an entry that says so, all is whole; listed again, the name is there again and has to be."""
    book = made(tmp_path)
    key = book.site.opaque("person", "nurse-1")
    book.note(FORGOTTEN, key=key, what="person")
    book.sign()
    with raw(tmp_path) as db:
        db.execute("DELETE FROM names WHERE key = ?", (key,))
    verdict = checked(tmp_path)
    assert (verdict.findings, verdict.forgotten) == ([], 1)
    book.write(3)  # nurse-1 is among them
    book.close()
    verdict = checked(tmp_path)
    assert (verdict.findings, verdict.forgotten) == ([], 0)
    with raw(tmp_path) as db:
        db.execute("DELETE FROM names WHERE key = ?", (key,))
    assert first(checked(tmp_path))[0] == "name"
