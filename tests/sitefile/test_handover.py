"""The tables [shifts.NAME] and [handover]: what they give, and what is wrong in them."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.adapters.mqtt import BrokerAddress
from monitor.core.problems import ProblemsFound
from monitor.settings import Settings, load
from tests.ward_site import site_text


def settings(folder: Path, more: str) -> Settings:
    """Those of a ward with these tables."""
    path = folder / "site.toml"
    path.write_text(site_text(BrokerAddress("127.0.0.1", 1), smtp=2, snpp=3) + more)
    return load(path, key=b"")


def test_without_the_tables(tmp_path: Path) -> None:
    """Night and day, as shipped; nobody gets a handover."""
    found = settings(tmp_path, "")
    assert found.shifts == {"night": (1200, 480), "day": (480, 1200)}
    assert found.handover.to == ()


def test_shifts_of_ones_own_take_the_place_of_the_shipped(tmp_path: Path) -> None:
    """One named, so that the others are gone."""
    found = settings(
        tmp_path,
        '[shifts.late]\nfrom = "14:00"\nto = "22:30"\n[handover]\nto = ["charge"]\nshifts = ["late"]\n',
    )
    assert found.shifts == {"late": (840, 1350)}
    assert (found.handover.to, found.handover.shifts) == (("charge",), ("late",))


@pytest.mark.parametrize(
    ("more", "wanted"),
    [
        (
            '[handover]\nto = ["nobody"]\n',
            "handover.to[0] = 'nobody': one of the people of this file: charge",
        ),
        (
            '[handover]\nto = ["charge", "manager"]\n',
            "handover.to[1] = 'manager': a person with a way of kind",
        ),
        (
            '[handover]\nshifts = ["evening"]\n',
            "handover.shifts[0] = 'evening': one of the shifts of this site: day",
        ),
        (
            '[shifts.late]\nfrom = "14:00"\nto = "22:00"\n[handover]\nshifts = ["night"]\n',
            "handover.shifts[0] = 'night': one of the shifts of this site: late",
        ),
        ('[shifts.late]\nfrom = "25:00"\nto = "22:00"\n', "shifts.late.from = '25:00'"),
        ('[shifts.late]\nfrom = "14:00"\n', "shifts.late.to"),
        ('[handover]\nkeep = "3 d"\n', "handover.keep = '3 d'"),
        ('[handover]\nwho = ["charge"]\n', "handover.who"),
    ],
)
def test_mistakes_are_named(tmp_path: Path, more: str, wanted: str) -> None:
    """File, key, value, and what was expected."""
    with pytest.raises(ProblemsFound) as found:
        settings(tmp_path, more)
    assert wanted in str(found.value)
    assert "site.toml: " in str(found.value)
