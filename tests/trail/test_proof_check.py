"""The script that checks proofs: RFC 8032's vectors, the core's tree, another Ed25519, and as outsiders run it."""

from __future__ import annotations

import ast
import dataclasses
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.adapters.store_reader import StoreReader
from monitor.adapters.trail_keys import TrailKey
from monitor.core.heads import unsigned
from monitor.core.tree import consistency_proof, inclusion_path, leaf_of, root
from monitor.trail import proof_check
from monitor.trail.proof import CannotProve, consistency, inclusion
from monitor.trail.proof_check import L, NotProved, P, check, consistent, included, signed_by
from tests.core.test_tree import CT_INPUTS, CT_LEAVES, CT_PATHS, CT_PROOFS, CT_ROOTS
from tests.trails import AT, Book, checked, raw

SCRIPT = Path(proof_check.__file__)

# RFC 8032 §7.1: TEST 1, 2, 3 and SHA(abc): public key, message, signature.
VECTORS = [
    (
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b"
        "d25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c"
        "387b2eaeb4302aeeb00d291612bb0c00",
    ),
    (
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc659"
        "4a7c15e9716ed28dc027beceea1ec40a",
    ),
    (
        "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
        "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a2192992a274fc1a836ba3c23a3feebbd"
        "454d4423643ce80e2a9ac94fa54ca49f",
        "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66431e030"
        "3dca179c138ac17ad9bef1177331a704",
    ),
]


@pytest.mark.parametrize(("public", "message", "signature"), VECTORS)
def test_the_vectors_of_the_standard(public: str, message: str, signature: str) -> None:
    """Each signature of RFC 8032 is accepted; none with a bit turned in message, signature or key is."""
    key, text, sign = (bytes.fromhex(part) for part in (public, message, signature))
    assert signed_by(key, sign, text)
    assert not signed_by(key, sign, text + b"\x00")
    assert not signed_by(key, sign[:10] + bytes([sign[10] ^ 4]) + sign[11:], text)
    assert not signed_by(key, sign[:40] + bytes([sign[40] ^ 4]) + sign[41:], text)
    assert not signed_by(key[:5] + bytes([key[5] ^ 1]) + key[6:], sign, text)


def test_a_signature_has_one_form_only() -> None:
    """RFC 8032 §5.1.7: S of L or more is refused, though the equation would hold; so are wrong lengths."""
    key, text, sign = (bytes.fromhex(part) for part in VECTORS[1])
    higher = int.from_bytes(sign[32:], "little") + L
    assert not signed_by(key, sign[:32] + higher.to_bytes(32, "little"), text)
    assert not signed_by(key, sign[:-1], text)
    assert not signed_by(key[:-1], sign, text)
    assert not signed_by(b"\xff" * 32, sign, text), "y is not below p"
    assert not signed_by(b"\x02" + bytes(31), sign, text), "no such point"
    # y = p + 1 is a second way to write y = 1, the neutral point, under which S = 0 would sign anything.
    assert not signed_by((P + 1).to_bytes(32, "little"), b"\x01" + bytes(63), text)


@settings(max_examples=12, deadline=None)
@given(st.binary(min_size=32, max_size=32), st.binary(max_size=80), st.integers(0, 63), st.integers(1, 255))
def test_it_judges_as_another_implementation(secret: bytes, text: bytes, place: int, turn: int) -> None:
    """What `cryptography` (OpenSSL) signs is accepted, and not with any byte of the signature changed."""
    private = Ed25519PrivateKey.from_private_bytes(secret)
    public = private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
    sign = bytearray(private.sign(text))
    assert signed_by(public, bytes(sign), text)
    sign[place] ^= turn
    assert not signed_by(public, bytes(sign), text)


def test_its_tree_is_that_of_the_public_vectors_and_of_the_core() -> None:
    """Published paths and proofs hold; for every tree up to 24 leaves it says what the core says."""
    for (index, size), path in CT_PATHS.items():
        steps = [bytes.fromhex(step) for step in path]
        leaf = leaf_of(CT_INPUTS[index])
        assert included(leaf, index, size, steps, bytes.fromhex(CT_ROOTS[size]))
        assert not included(leaf, index + 1, size, steps, bytes.fromhex(CT_ROOTS[size]))
    for (first, second), proof in CT_PROOFS.items():
        steps = [bytes.fromhex(step) for step in proof]
        roots = bytes.fromhex(CT_ROOTS[first]), bytes.fromhex(CT_ROOTS[second])
        assert consistent(first, roots[0], second, roots[1], steps)
    assert not included(CT_LEAVES[0], 0, 2, [], CT_LEAVES[0]), "a leaf alone is no tree of two"
    leaves = [leaf_of(bytes([n])) for n in range(24)]
    for size in range(25):
        top = root(leaves[:size])
        for index in range(size):
            path_ = inclusion_path(leaves[:size], index)
            assert included(leaves[index], index, size, path_, top)
            assert not included(leaves[index], index, size, [*path_, top], top)
        for first in range(size + 1):
            steps = consistency_proof(leaves[:size], first)
            assert consistent(first, root(leaves[:first]), size, top, steps)
            assert not consistent(first, CT_LEAVES[0], size, top, steps)


def test_it_needs_nothing_but_python() -> None:
    """It imports from the standard library alone, and nothing of ours."""
    tree = ast.parse(SCRIPT.read_text())
    names = [alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names]
    names += [str(node.module) for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    assert {name.partition(".")[0] for name in names} <= sys.stdlib_module_names


# ---- as it is handed out ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def outside(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder elsewhere with script, keys and proofs of a trail whose key was changed once."""
    folder = tmp_path_factory.mktemp("outside")
    state = tmp_path_factory.mktemp("state") / "state"
    book = Book(state)
    book.write(9)
    first = book.sign()
    shutil.copy(state / "trail.pub", folder / "old.pub")
    book.rotate()
    book.write(5)
    book.sign()
    book.close()
    shutil.copy(state / "trail.pub", folder / "new.pub")
    shutil.copy(SCRIPT, folder / "check_proof.py")
    with StoreReader(state) as reader:
        for name, proof in (
            ("entry", inclusion(reader, 4, None)),
            ("early", inclusion(reader, 4, first)),
            ("goes-on", consistency(reader, first, None)),
        ):
            (folder / f"{name}.json").write_text(json.dumps(proof))
    return folder


def checker(folder: Path, *arguments: str) -> tuple[int, str]:
    """The script as somebody runs it who has nothing of ours: isolated, without site packages."""
    done = subprocess.run(
        [sys.executable, "-I", "-S", "check_proof.py", *arguments],
        cwd=folder, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    return done.returncode, done.stdout + done.stderr


def test_an_entry_is_proved_elsewhere(outside: Path) -> None:
    """With the right key it is proved, and the entry shown; with another key, or without one, it is not."""
    status, said = checker(outside, "entry.json", "--key", "new.pub")
    assert (status, said.startswith("proved: this is entry 4 of 15 of the trail of 'larkfield'")) == (0, True)
    assert '"n":4' in said
    assert checker(outside, "early.json", "--key", "old.pub")[0] == 0
    status, said = checker(outside, "entry.json", "--key", "old.pub")
    assert (status, "not signed with the key that was given" in said) == (1, True)
    assert checker(outside, "entry.json")[0] == 2


def test_that_a_trail_went_on_is_proved_elsewhere(outside: Path) -> None:
    """Two heads by two keys: proved with both keys."""
    status, said = checker(outside, "goes-on.json", "--key", "old.pub", "--key", "new.pub")
    assert (status, "(15 entries) goes on from the one signed at" in said) == (0, True)
    assert checker(outside, "goes-on.json", "--key", "new.pub")[0] == 1


def test_heads_of_two_sites_do_not_go_on_from_each_other(outside: Path) -> None:
    """Signed by one key over one tree, but of two sites: nothing is proved."""
    key = TrailKey(Ed25519PrivateKey.generate())
    told = []
    for site, size in (("larkfield", 3), ("oakfield", 5)):
        head = unsigned(site, size, root(CT_LEAVES[:size]), AT, key.public, None)
        told.append(json.loads(dataclasses.replace(head, signature=key.sign(head.signed)).text))
    path = [step.hex() for step in consistency_proof(CT_LEAVES[:5], 3)]
    proof = {"type": proof_check.CONSISTENCY, "first": told[0], "second": told[1], "path": path}
    with pytest.raises(NotProved, match="does not go on"):
        check(proof, [key.public])
    assert outside.exists()


def _other(name: str, value: object) -> Callable[[dict[str, Any]], object]:
    return lambda proof: proof.update({name: value})


@pytest.mark.parametrize(
    ("change", "status"),
    [
        (lambda proof: proof.update(entry=proof["entry"].replace("pager", "mails")), 1),
        (_other("index", 5), 1),
        (lambda proof: proof["path"].pop(), 1),
        (lambda proof: proof["path"].reverse(), 1),
        (lambda proof: proof["head"]["head"].update(size=14), 1),
        (lambda proof: proof["head"]["head"].update(root="00" * 32), 1),
        (lambda proof: proof["head"]["head"].update(type="secondbell.trail-key-change.v1"), 2),
        (_other("type", "another"), 2),
        (_other("path", None), 2),
        (_other("head", []), 2),
        (_other("index", "4"), 2),
        (lambda proof: proof.clear(), 2),
    ],
)
def test_a_proof_that_was_changed_proves_nothing(
    outside: Path, tmp_path: Path, change: Callable[[dict[str, Any]], object], status: int
) -> None:
    """Another entry, number, path or head is not proved (1); what is no proof is said (2), without a stack trace."""
    proof = json.loads((outside / "entry.json").read_text())
    change(proof)
    (tmp_path / "proof.json").write_text(json.dumps(proof))
    assert proof_check.main([str(tmp_path / "proof.json"), "--key", str(outside / "new.pub")]) == status


@pytest.mark.parametrize("name", ["at", "key"])
def test_a_proof_puts_no_words_into_its_checkers_mouth(
    outside: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    """What nobody has signed is shown, but can begin no line and clear no screen."""
    proof = json.loads((outside / "entry.json").read_text())
    proof["head"]["head"][name] = "x\x1b[2J\nproved: this is entry 4"
    (tmp_path / "proof.json").write_text(json.dumps(proof))
    assert proof_check.main([str(tmp_path / "proof.json"), "--key", str(outside / "new.pub")]) == 1
    said = capsys.readouterr().out
    assert (len(said.splitlines()), "\x1b" in said) == (1, False)


@pytest.mark.parametrize("text", ["", "nonsense", "[" * 100_000, '"\\ud800"'])
def test_what_is_no_proof_or_key_is_said(outside: Path, tmp_path: Path, text: str) -> None:
    """Nonsense in either file, or no file at all, ends with status 2."""
    odd = tmp_path / "odd"
    odd.write_text(text)
    assert proof_check.main([str(odd), "--key", str(outside / "new.pub")]) == 2
    assert proof_check.main([str(outside / "entry.json"), "--key", str(odd)]) == 2
    assert proof_check.main([str(tmp_path / "none"), "--key", str(outside / "new.pub")]) == 2


def test_what_cannot_be_proved_is_said(tmp_path: Path) -> None:
    """No such entry, no head yet, a younger entry, a trail that was changed, another site's head: each in words."""
    book = Book(tmp_path / "state")
    book.write(4)
    folder = book.folder

    def refused(n: int, head: Any = None) -> str:
        with StoreReader(folder) as reader, pytest.raises(CannotProve) as error:
            inclusion(reader, n, head)
        return str(error.value)

    assert "no head of this trail has been signed yet" in refused(1)
    head = book.sign()
    book.write(1)
    assert refused(9) == "there is no entry 9: the trail has 0 to 4"
    assert "not under a signed head yet" in refused(4)
    assert "younger than this head" in refused(4, head)
    other = Book(tmp_path / "other", site="oakfield")
    other.write(4)
    assert "of the site 'oakfield'" in refused(1, other.sign())
    other.close()
    with raw(folder) as db:
        db.execute("UPDATE trail SET text = x'7b7d' WHERE n = 1")
    assert "entry 1 was changed" in refused(1)
    with raw(folder) as db:
        db.execute("UPDATE trail SET leaf = randomblob(32) WHERE n = 2")
    assert "not the one that the head of" in refused(3)
    with StoreReader(folder) as reader, pytest.raises(CannotProve, match="not the one that the head"):
        consistency(reader, head, None)
    book.close()
    assert checked(folder).findings
