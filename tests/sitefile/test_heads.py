"""The tables [heads] and [trail]: what they give, and what is wrong in them."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.adapters.mqtt import BrokerAddress
from monitor.core.instants import DAY, HOUR, MINUTE
from monitor.core.problems import ProblemsFound
from monitor.running import keeper
from monitor.settings import Settings, load
from tests.trails import Book
from tests.ward_site import site_text


def settings(folder: Path, more: str) -> Settings:
    """Those of a ward with these tables."""
    path = folder / "site.toml"
    text = site_text(BrokerAddress("127.0.0.1", 1), smtp=2, snpp=3)
    path.write_text(text + more if more.startswith("[") else more + text)
    return load(path, key=b"")


def test_without_the_tables(tmp_path: Path) -> None:
    """Heads each hour, to the broker alone; texts are kept for ever."""
    found = settings(tmp_path, "")
    assert (found.heads.to, found.heads.at, found.heads.every) == (None, 7 * 60, HOUR)
    assert found.trail.keep is None


def test_with_both(tmp_path: Path) -> None:
    """Who gets them, when, how often; how long texts are kept."""
    found = settings(
        tmp_path, '[heads]\nto = "nurse-1"\nat = "06:30"\nevery = "10 min"\n[trail]\nkeep = "400 d"\n'
    )
    assert (found.heads.to, found.heads.at, found.heads.every) == ("nurse-1", 390, 10 * MINUTE)
    assert found.trail.keep == 400 * DAY


def test_the_mail_goes_by_the_first_way_of_mail(tmp_path: Path) -> None:
    """A person with a pager first gets heads by mail."""
    found = settings(tmp_path, '[heads]\nto = "nurse-1"\n')
    book = Book(tmp_path / "state")
    carriers = {name: carrier.carrier() for name, carrier in found.carriers.items()}
    assert keeper(found, book.store, carriers)._mail == (carriers["mail"], "night1@larkfield.invalid")
    assert keeper(settings(tmp_path, ""), book.store, carriers)._mail is None
    book.close()


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ('[heads]\nto = "nobody"\n', "heads.to = 'nobody': one of the people of this file"),
        (
            '[heads]\nto = "manager"\n',
            "heads.to = 'manager': a person with a way of kind = \"email\"",
        ),
        ('[heads]\nevery = "2 d"\n', 'heads.every = \'2 d\': a duration from "1 min" to "1 d"'),
        ('[heads]\nat = "24:00"\n', "heads.at = '24:00': a time of the local day"),
        ('[heads]\nfor = "ever"\n', "heads.for"),
        ('[trail]\nkeep = "30 d"\n', "trail.keep = '30 d': a duration from \"100 d\""),
        ("heads = 1\n", "heads"),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, more: str, says: str) -> None:
    """Each with its key, its value and what is expected."""
    with pytest.raises(ProblemsFound) as error:
        settings(tmp_path, more)
    assert says in str(error.value)
