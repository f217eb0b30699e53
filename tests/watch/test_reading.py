"""The watch's own file: the sample is right, and each mistake is named with its key."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from monitor.adapters.mqtt import BrokerAddress
from monitor.core.problems import ProblemsFound
from monitor.sitefile.keys import rows_of
from monitor.watch.reading import WatchSettings, WatchTable, load
from tests.conftest import ROOT
from tests.night import secondbell
from tests.watch.scene import config

TEXT = config(BrokerAddress("127.0.0.1", 1883), smtp=25, snpp=444)


def read(folder: Path, text: str) -> WatchSettings:
    """The settings of a file with this text."""
    file = folder / "watch.toml"
    file.write_text(text, encoding="utf-8")
    return load(file)


def test_the_sample_is_right(tmp_path: Path) -> None:
    """As it is shipped, with the passwords that it names."""
    for name in ("watch-password", "watch-mail-password"):
        (tmp_path / name).write_text("secret")
        (tmp_path / name).chmod(0o600)
    found = read(tmp_path, (ROOT / "config" / "watch.toml").read_text())
    assert (found.patience, found.watched.repeat) == (60_000, 600_000)
    assert found.broker.client_id == "secondbell-larkfield-watch-of-main"
    assert [carrier for carrier, _ in found.tell] == ["pager", "mail"]
    assert found.broker.tls


def test_a_right_file(tmp_path: Path) -> None:
    """What it says is what is used."""
    found = read(tmp_path, TEXT)
    assert (found.watched.site, found.watched.monitor, found.watched.name) == ("larkfield", "night", "attic")


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('patience = "1 s"', 'patience = "1 h"', "watch.patience"),
        ('patience = "1 s"', 'patince = "1 s"', "watch.patince"),
        ('zone = "Europe/London"', 'zone = "Europe/Nowhere"', "watch.zone"),
        ('site = "larkfield"', 'site = "lark field"', "watch.site"),
        ('site = "larkfield"', "", "watch.site"),
        ('carrier = "pager"', 'carrier = "pigeon"', "watch.tell[0].carrier"),
        ('address = "4900"', 'address = "4 9"', "watch.tell[0].address"),
        ("[broker]", "[brokers]", "brokers"),
        ('kind = "snpp"', 'kind = "pigeon"', "carriers.pager.kind"),
        ("[carriers.mail]", "[people.x]", "people"),
        ("[broker]", '[broker]\npassword = "hunter2"', "broker.password"),
        ("[broker]", '[broker]\nusername = "w"\npassword_file = "none"', "broker.password_file"),
    ],
)
def test_a_mistake_is_named(tmp_path: Path, old: str, new: str, key: str) -> None:
    """File and key, and no password."""
    assert old in TEXT
    with pytest.raises(ProblemsFound) as found:
        read(tmp_path, TEXT.replace(old, new, 1))
    assert any(problem.key == key for problem in found.value.problems), str(found.value)
    assert "hunter2" not in str(found.value)


def test_certificates_for_a_plain_broker_are_named(tmp_path: Path) -> None:
    """Whoever names certificates wants TLS: as in a site file, mqtt:// beside them is a mistake, not silence."""
    with pytest.raises(ProblemsFound, match=r"broker\.ca_file.*mqtts:// in addresses to use it for"):
        read(tmp_path, TEXT.replace("[broker]", '[broker]\nca_file = "ca.pem"'))


def test_a_wrong_file_ends_in_a_line(tmp_path: Path) -> None:
    """Status 2, each mistake on a line, no stack trace; the same where there is no file."""
    (tmp_path / "watch.toml").write_text(TEXT.replace('"1 s"', '"soon"'))
    said = secondbell("watch", "--config", str(tmp_path / "watch.toml"))
    assert (said.returncode, "watch.patience" in said.stderr, "Traceback" in said.stderr) == (2, True, False)
    none = secondbell("watch", "--config", str(tmp_path / "none.toml"))
    assert (none.returncode, "cannot be read" in none.stderr) == (2, True)


def test_every_key_stands_in_the_readme() -> None:
    """config/README.md holds the table of the keys of [watch] as they are."""
    text = (ROOT / "config" / "README.md").read_text()
    between = text.partition("<!-- watch-keys -->")[2].partition("<!-- /watch-keys -->")[0]
    rows = [f"| `{key}` | {example} | {meaning} |" for key, example, meaning in rows_of(WatchTable)]
    assert between.strip().splitlines()[-len(rows) :] == rows


def test_it_is_small() -> None:
    """The watch has neither engine, store nor web server in memory, started as `secondbell watch` starts it."""
    heavy = (
        "monitor.cli, monitor.core.engine, monitor.adapters.store, sqlite3, uvicorn, starlette, apscheduler"
    )
    script = (
        "import sys; from monitor.watch import command; command.main(['--config', '/nowhere']); "
        f"import monitor.watch.watching; print([m for m in '{heavy}'.split(', ') if m in sys.modules])"
    )
    said = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert said.stdout.strip() == "[]"
