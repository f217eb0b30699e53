"""After a name is forgotten: story, export, handover and review say its key, the trail is whole; and bad input."""

from __future__ import annotations

import gzip
import re
import shutil
from pathlib import Path

import pytest

from monitor.adapters.mqtt import BrokerAddress
from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from monitor.core.instants import DAY, HOUR, show
from tests.adapters.test_store_migrations import OLD
from tests.commands import Run
from tests.trails import raw
from tests.ward_site import site_text

GONE = ("nurse-2", "pump-0101")
MESSAGE = re.compile(r'message"?:? ?"?[^\s,"]+')
"""A message's id is the bridge's own word, under the proof; these bridges put the pump's id into it."""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A night of an older version's store, and a site file that no longer names a nurse and a pump of it."""
    state = tmp_path / "state"
    state.mkdir(mode=0o700)
    with gzip.open(OLD) as packed, (state / FILE_NAME).open("wb") as file:
        shutil.copyfileobj(packed, file)
    (state / "site.key").write_bytes(bytes(range(32)))
    (state / "site.key").chmod(0o600)
    text = site_text(BrokerAddress("127.0.0.1", 1), smtp=2, snpp=3)
    text = re.sub(r"\[people\.nurse-2\]\n.*\n.*\n", "", text)
    text = re.sub(r'\[\[duty\]\]\nperson = "nurse-2"\n.*\n.*\n', "", text)
    path = tmp_path / "site.toml"
    path.write_text(re.sub(r"\[devices\.pump-0101\]\n.*\n.*\n", "", text))
    return path


def test_what_is_forgotten_is_told_by_its_key(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In none of the outputs does the name stand any more, and in each the concern still does."""
    with StoreReader(site.parent / "state") as reader:
        keys = {name: key for key, (_, name) in reader.names().items()}
        last = [entry.at for entry in reader.entries()][-1]
    out = site.parent / "page.html"
    outputs = (
        ("trail", "show", "gmlvrkqfgsvx", "--site", str(site)),
        ("trail", "export", "--names", "--site", str(site)),
        ("trail", "export", "--site", str(site)),
        ("handover", "--from", show(last - 12 * HOUR), "--to", show(last + 1), "--site", str(site), "--out", str(out)),
        ("review", "--weeks", "104", "--site", str(site), "--out", str(out)),
    )  # fmt: skip
    with Run(capsys) as run:
        for name in GONE:
            status, said, _ = run("forget", name, "--site", str(site))
            assert (status, said.startswith(f"Forgotten: {name} (")) == (0, True), said
        for arguments in outputs:
            out.unlink(missing_ok=True)
            status, said, err = run(*arguments)
            assert status == 0, (arguments, err)
            text = said + (out.read_text() if out.exists() else "")
            text = MESSAGE.sub("", text)
            assert not [name for name in GONE if name in text], arguments
            if arguments[0] == "trail":
                assert keys["pump-0101"] in text, arguments
        status, said, _ = run("trail", "verify", "--site", str(site))
        assert (status, "2 names were erased" in said) == (0, True), said


@pytest.mark.parametrize("name", ["", " ", "x" * 5000, "\x1b[2J", "d:0000", "nurse-2 ", "../state", "é"])
def test_names_that_are_none(site: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    """One short line that controls no terminal, nothing is changed, and the trail is whole."""
    with StoreReader(site.parent / "state") as reader:
        before = reader.frontier().size
    with Run(capsys) as run:
        status, out, err = run("forget", name, "--site", str(site))
    assert status in (1, 2)
    assert "\x1b" not in out + err
    assert "Traceback" not in err
    assert len(out + err) < 400
    with StoreReader(site.parent / "state") as reader:
        assert reader.frontier().size == before


def test_an_empty_span_is_said(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An export of a time in which nothing was recorded: no line of entries, and no stack trace."""
    at = 4_000_000_000_000
    with Run(capsys) as run:
        for more in ((), ("--csv",)):
            status, out, err = run(
                "trail", "export", "--from", show(at), "--to", show(at + DAY), *more, "--site", str(site)
            )
            assert "Traceback" not in err
            assert len(out.splitlines()) <= 1, out
            assert status in (0, 1, 2)


@pytest.mark.parametrize(
    ("kind", "body"), [("device", "[]"), ("technical", '"x"'), ("seen", "[9,1,2,3,4,5,6,7]")]
)
def test_a_row_that_was_changed_into_nonsense_fails_no_report(
    site: Path, capsys: pytest.CaptureFixture[str], kind: str, body: str
) -> None:
    """Rows beside the proof can be edited by whoever may write there: the rest is reported all the same."""
    with StoreReader(site.parent / "state") as reader:
        last = [entry.at for entry in reader.entries()][-1]
    with raw(site.parent / "state") as db:
        db.execute(
            "INSERT OR IGNORE INTO state SELECT site, ?1, 'pump-0102|' || printf('%015d', ?2), 1, '' FROM tree",
            (kind, last - HOUR),
        )
        assert db.execute("UPDATE state SET body = ? WHERE kind = ?", (body, kind)).rowcount
    with Run(capsys) as run:
        for arguments in (
            ("handover", "--from", show(last - 12 * HOUR), "--to", show(last + 1)),
            ("review", "--weeks", "104"),
        ):
            out = site.parent / f"{arguments[0]}.html"
            status, _, err = run(*arguments, "--site", str(site), "--out", str(out))
            assert (status, out.exists()) == (0, True), err
