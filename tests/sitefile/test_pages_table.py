"""The table [pages] of a site file: what is right, and each mistake with key, value and expectation."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.core.instants import HOUR, MINUTE
from monitor.sitefile.pages_table import listen_at
from tests.sitefile.site_text import errors, loaded

LISTEN = 'an address of this machine and a port, such as "127.0.0.1:8780"'
BASE = 'the address that a phone opens, such as "https://bell.example", at most 120 characters'
HTTPS = "https: a link must not cross a network where it can be read"
CLEAR = "loopback, or cert_file and key_file, or proxies: links must not cross a network unencrypted"


def pages(
    listen: str = "127.0.0.1:8780", base_url: str = "https://bell.example.invalid", more: str = ""
) -> str:
    """The table."""
    return f'\n[pages]\nlisten = "{listen}"\nbase_url = "{base_url}"\n{more}\n'


def test_without_the_table_there_are_no_pages(tmp_path: Path) -> None:
    """Nothing listens, and there are no links."""
    settings = loaded(tmp_path)
    assert settings.pages is None
    assert settings.site.link("aaaaaaaaaaaa", "nurse", 0) is None


def test_what_is_said_is_taken(tmp_path: Path) -> None:
    """Address, port, life and proxies; a / at the end of the base is left out."""
    settings = loaded(
        tmp_path,
        more=pages("[::1]:8780", "https://bell.example.invalid/ward/", 'link_life = "30 min"\nproxies = 2'),
    )
    assert settings.pages is not None
    assert (settings.pages.host, settings.pages.port, settings.pages.proxies, settings.pages.codes) == (
        "::1",
        8780,
        2,
        False,
    )
    assert settings.site.link_life == 30 * MINUTE
    link = settings.site.link("aaaaaaaaaaaa", "nurse", 0)
    assert link is not None
    assert link.startswith("https://bell.example.invalid/ward/a/")
    assert loaded(tmp_path, more=pages()).site.link_life == 12 * HOUR


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (pages("8780"), ("pages.listen", "'8780'", LISTEN)),
        (pages("127.0.0.1:0"), ("pages.listen", "'127.0.0.1:0'", LISTEN)),
        (pages("127.0.0.1:65536"), ("pages.listen", "'127.0.0.1:65536'", LISTEN)),
        (pages("0.0.0.0:8780"), ("pages.listen", "'0.0.0.0:8780'", CLEAR)),
        (pages(base_url="http://bell.example"), ("pages.base_url", "'http://bell.example'", HTTPS)),
        (pages(base_url="ftp://bell.example"), ("pages.base_url", "'ftp://bell.example'", BASE)),
        (pages(base_url="https://u@bell.example"), ("pages.base_url", "'https://u@bell.example'", BASE)),
        (pages(base_url="https://bell.example/?a"), ("pages.base_url", "'https://bell.example/?a'", BASE)),
        (pages(base_url="https://bell.example/ x"), ("pages.base_url", "'https://bell.example/ x'", BASE)),
        (pages(base_url="https://"), ("pages.base_url", "'https://'", BASE)),
        (
            pages(more='link_life = "1 min"'),
            ("pages.link_life", "'1 min'", 'a duration from "15 min" to "48 h"'),
        ),
        (pages(more="proxies = 9"), ("pages.proxies", "9", "at most 5")),
        (pages(more='certfile = "x"'), ("pages.certfile", "", 'no such key; did you mean "cert_file"?')),
        (
            "\n[pages]\nlisten = '127.0.0.1:8780'\n",
            ("pages.base_url", "", "is missing: what the links in notices"),
        ),
    ],
)
def test_each_mistake_is_named(tmp_path: Path, table: str, said: tuple[str, str, str]) -> None:
    """One mistake, one problem, with its key, its value and what was expected."""
    [(key, value, expected)] = errors(tmp_path, more=table)
    assert (key, value) == said[:2]
    assert expected.startswith(said[2])


def test_health_has_a_port_of_its_own(tmp_path: Path) -> None:
    """Two cannot listen at one address: found out before a reload has ended what runs."""
    both = pages() + '[health]\nlisten = "127.0.0.1:8780"\n'
    said = ("health.listen", "'127.0.0.1:8780'", "another port than pages.listen")
    assert errors(tmp_path, more=both) == [said]


def test_a_certificate_has_its_key(tmp_path: Path) -> None:
    """One without the other is a mistake, and so is a file that is not there."""
    (tmp_path / "cert.pem").write_text("x")
    assert errors(tmp_path, more=pages(more='cert_file = "cert.pem"')) == [
        ("pages.key_file", "", "is missing: it goes with cert_file")
    ]
    found = errors(tmp_path, more=pages("0.0.0.0:8780", more='cert_file = "cert.pem"\nkey_file = "key.pem"'))
    assert found == [("pages.key_file", "'key.pem'", f"a file; there is none at {tmp_path / 'key.pem'}")]


def test_http_is_for_loopback(tmp_path: Path) -> None:
    """To try it on one machine no certificate is needed."""
    for base in ("http://127.0.0.1:8780", "http://localhost:8780", "http://[::1]:8780"):
        assert errors(tmp_path, more=pages(base_url=base)) == []
    assert listen_at("127.9.9.9:1").loopback
    assert not listen_at("bell.example:1").loopback
