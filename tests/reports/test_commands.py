"""`secondbell handover` as a person types it, right and wrong."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

from monitor.adapters.mqtt import BrokerAddress
from monitor.adapters.store import SqliteStore
from monitor.core.engine import Engine
from monitor.core.instants import parse
from monitor.settings import load
from tests.commands import Run
from tests.ward_site import site_text

TEN = parse("2026-03-14T22:00:00Z")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of a site that has just been started for the first time, at ten in the evening."""
    file = tmp_path_factory.mktemp("site") / "site.toml"
    duty = "".join(
        f'[[duty]]\nperson = "{who}"\nrole = "{role}"\nunit = "oak"\n'
        for who, role in (("nurse-1", "nurse"), ("charge", "charge"))
    )
    more = f'[units.oak]\ncalled = "Oak ward"\n{duty}[shifts.late]\nfrom = "14:00"\nto = "23:00"\n'
    file.write_text(site_text(BrokerAddress("127.0.0.1", 1), smtp=2, snpp=3) + more)
    settings = load(file, key=b"").with_key(bytes(range(32)))
    settings.state_dir.mkdir(mode=0o700)
    store = SqliteStore.open(settings.state_dir, site=settings.site.name)
    engine = Engine(settings.site, now=TEN, link=True)
    engine.note("started")
    store.commit(engine.take_changes())
    store.close()
    return file


def test_a_page_is_written_and_named(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By shift and instant, by two instants, of one unit or all; into this folder, or where it is told."""
    with Run(capsys) as run, pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path)
        at = ("--shift", "late", "--at", "2026-03-14T22:30:00Z", "--site", str(site))
        assert run("handover", "--unit", "elm", *at) == (0, "handover-elm-2026-03-14-late.html\n", "")
        text = Path("handover-elm-2026-03-14-late.html").read_text()
        assert "<h1>Handover: Elm ward, larkfield</h1>" in text
        assert "14:00 to 23:00" in text
        assert run("handover", *at)[1] == "handover-all-2026-03-14-late.html\n"
        span = ("--from", "2026-03-14T21:00:00Z", "--to", "2026-03-14T22:10:00Z", "--site", str(site))
        assert run("handover", *span)[1] == "handover-all-2026-03-14.html\n"
        out = tmp_path / "mine.html"
        assert run("handover", *span, "--out", str(out))[1] == f"{out}\n"
        patch.setenv("SECONDBELL_SITE", str(site))
        assert run("handover", *span[:4])[0] == 0


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ("--unit ash", "--unit ash: units of this site: elm, oak"),
        ("--shift night", "--shift night: shifts of this site: late"),
        ("--from 2026-03-14T22:00:00Z", "--from and --to belong together"),
        ("--to 2026-03-14T22:00:00Z", "--from and --to belong together"),
        (
            "--from 2026-03-14T22:00:00Z --to 2026-03-14T22:00:00Z",
            "--to 2026-03-14T22:00:00Z: later than --from",
        ),
        ("--from 2026-03-14T22:00:00Z --to 2026-05-14T22:00:00Z", "by 32 days at the most"),
        ("--from 2126-03-14T22:00:00Z --to 2126-03-14T23:00:00Z", "nothing has happened yet"),
        ("--from tonight --to tomorrow", "--from 'tonight': 'tonight' is not an RFC 3339 time"),
        ("--at tonight", "--at 'tonight': 'tonight' is not an RFC 3339 time"),
        (
            "--shift late --from 2026-03-14T22:00:00Z --to 2026-03-14T23:00:00Z",
            "either --shift or --from and --to",
        ),
        ("--at 2026-03-13T12:00:00Z", "the trail begins at 2026-03-14T22:00:00.000Z"),
        ("--out page.txt", "--out page.txt: a name that ends in .html or .pdf"),
        (
            "--at 2026-03-14T22:30:00Z --out /nowhere/page.html",
            "/nowhere/page.html: No such file or directory",
        ),
    ],
)
def test_what_is_wrong_is_said(
    site: Path, capsys: pytest.CaptureFixture[str], arguments: str, said: str
) -> None:
    """One line with the option and what is expected, exit 2, no file."""
    with Run(capsys) as run:
        status, out, err = run("handover", "--site", str(site), *arguments.split())
    assert (status, out) == (2, "")
    assert said in err
    assert err.count("\n") == 1


@pytest.mark.parametrize("harm", ["no store", "another site's", "damaged", "no site file", "none named"])
def test_a_store_that_cannot_be_read(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], harm: str
) -> None:
    """Named, with its file; exit 2."""
    file = tmp_path / "site.toml"
    text = site.read_text().replace('state_dir = "state"', f'state_dir = "{site.parent / "state"}"')
    if harm == "no store":
        text, said = site.read_text(), f"{tmp_path / 'state' / 'secondbell.db'}: there is no store"
    elif harm == "another site's":
        text, said = (
            text.replace('name = "larkfield"', 'name = "oakfield"'),
            "it belongs to the site 'larkfield'",
        )
    elif harm == "damaged":
        (tmp_path / "state").mkdir()
        (tmp_path / "state" / "secondbell.db").write_bytes(b"nothing of the kind" * 99)
        text, said = site.read_text(), "it is not a SQLite file"
    elif harm == "no site file":
        said = f"{file}: "
    else:
        said = "say which site: --site FILE"
    if harm != "no site file":
        file.write_text(text)
    with Run(capsys) as run, pytest.MonkeyPatch.context() as patch:
        patch.delenv("SECONDBELL_SITE", raising=False)
        named = () if harm == "none named" else ("--site", str(file))
        status, out, err = run("handover", "--at", "2026-03-14T22:30:00Z", *named)
    assert (status, out) == (2, "")
    assert said in err


def test_a_pdf(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Written where WeasyPrint is installed; else said before any work, with how to get it."""
    out = tmp_path / "page.pdf"
    with Run(capsys) as run:
        status, _, err = run(
            "handover", "--at", "2026-03-14T22:30:00Z", "--site", str(site), "--out", str(out)
        )
    if importlib.util.find_spec("weasyprint") is None:
        assert (status, out.exists()) == (2, False)
        assert "a PDF needs WeasyPrint: pip install 'secondbell[pdf]'" in err
    else:
        assert (status, err) == (0, "")
        assert out.read_bytes().startswith(b"%PDF-")


def test_the_help_says_what_is_meant_without_options(capsys: pytest.CaptureFixture[str]) -> None:
    """Which shift, which units, which file."""
    with Run(capsys) as run:
        status, out, _ = run("handover", "--help")
    assert status == 0
    said = re.sub(r"\s+", " ", out)
    assert "default: the night shift that is under way, or the last one" in said
