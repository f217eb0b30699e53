"""Where passwords lie, and what is said when they do not."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.sitefile.password import PasswordMissing, PasswordSource, exposed, read_secret
from tests.sitefile.site_text import errors, loaded


def test_a_carrier_without_its_password_is_not_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A password is looked for when the carrier is made, and a missing one is named without a traceback."""
    monkeypatch.delenv("BELL_MAIL", raising=False)
    carrier = loaded(tmp_path, ("port = 2525", 'username = "u"\npassword_env = "BELL_MAIL"')).carriers["mail"]
    with pytest.raises(PasswordMissing, match=r"^the environment variable BELL_MAIL is not set, or empty$"):
        carrier.carrier()
    monkeypatch.setenv("BELL_MAIL", "geheim")
    assert carrier.carrier().name == "mail"


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (None, "cannot be read: No such file or directory"),
        (b"", "should hold the password alone, on one line"),
        (b"\n", "should hold the password alone, on one line"),
        (b"geheim\nand more", "should hold the password alone, on one line"),
        (b"geheim\xff", "is not UTF-8 text"),
        (b"g" * 5000, "is too large for a password"),
    ],
)
def test_a_password_file_that_is_none(tmp_path: Path, content: bytes | None, why: str) -> None:
    """What holds no password is refused by name, at check and when it is read, and never quoted."""
    path = tmp_path / "secret"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(PasswordMissing) as caught:
        read_secret(PasswordSource(file=path))
    assert str(caught.value) == f"{path} {why}"
    said = errors(tmp_path, ("port = 2525", 'username = "u"\npassword_file = "secret"'))
    assert said == [("carriers.mail.password_file", "", f"a file with the password alone: {path} {why}")]


def test_both_sources_of_a_password(tmp_path: Path) -> None:
    """A file and a variable together are one too many."""
    (tmp_path / "secret").write_text("geheim")
    said = errors(tmp_path, ("port = 2525", 'username = "u"\npassword_file = "secret"\npassword_env = "A"'))
    assert said == [("carriers.mail.password_env", "", "only one of password_file, password_env")]


def test_a_password_from_the_environment() -> None:
    """The variable's value as it is; an empty one counts as not set."""
    source = PasswordSource(env="BELL")
    assert read_secret(source, {"BELL": " geheim "}) == " geheim "
    with pytest.raises(PasswordMissing):
        read_secret(source, {"BELL": ""})


@pytest.mark.parametrize(("mode", "found"), [(0o600, None), (0o400, None), (0o640, 0o640), (0o604, 0o604)])
def test_who_may_read_it(tmp_path: Path, mode: int, found: int | None) -> None:
    """A mode that lets group or others read is told; a file that is not there has none."""
    path = tmp_path / "secret"
    path.write_text("geheim")
    path.chmod(mode)
    assert exposed(path) == found
    assert exposed(tmp_path / "none") is None
