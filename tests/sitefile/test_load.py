"""The load limit and quiet hours in a site file: read, checked, and doubted where they leave nobody."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.core.quiet import Quiet
from monitor.core.site import Reach
from tests.sitefile.site_text import SITE, errors, loaded, warnings

NURSE_PAGER = '{ carrier = "pager", address = "4471" }'
NURSE_MAIL = '{ carrier = "mail", address = "nurse@larkfield.example.invalid" }'
MANAGER_PAGER = '{ carrier = "pager", address = "4499" }'
RUNG = "ladders[0].rungs[0]"


def quiet(way: str, begins: str = "22:00", ends: str = "07:00") -> tuple[str, str]:
    """The change that gives a way quiet hours."""
    return way, way.replace(" }", f', quiet = {{ from = "{begins}", to = "{ends}" }} }}')


def test_they_come_into_the_site(tmp_path: Path) -> None:
    """What the file says is what the engine works with; without it, 10 notices in 10 min and no quiet hours."""
    site = loaded(tmp_path, quiet(NURSE_PAGER), more='[load]\nnotices = 6\nwithin = "15 min"\n').site
    assert (site.most_notices, site.most_within) == (6, 900_000)
    assert site.people["nurse"].reach == (
        Reach("pager", "4471", Quiet(22 * 60, 7 * 60)),
        Reach("mail", "nurse@larkfield.example.invalid"),
    )
    site = loaded(tmp_path).site
    assert (site.most_notices, site.most_within) == (10, 600_000)


@pytest.mark.parametrize(
    ("change", "more", "key", "value"),
    [
        ((SITE[:6], SITE[:6]), "[load]\nnotices = 2\n", "load.notices", "2"),
        ((SITE[:6], SITE[:6]), "[load]\nnotices = true\n", "load.notices", "true"),
        ((SITE[:6], SITE[:6]), '[load]\nwithin = "30 s"\n', "load.within", "'30 s'"),
        ((SITE[:6], SITE[:6]), "[load]\nmost = 3\n", "load.most", ""),
        (quiet(NURSE_PAGER, begins="24:00"), "", "people.nurse.reach[0].quiet.from", "'24:00'"),
        (quiet(NURSE_PAGER, ends="7:00"), "", "people.nurse.reach[0].quiet.to", "'7:00'"),
    ],
)
def test_what_is_wrong_is_named(
    tmp_path: Path, change: tuple[str, str], more: str, key: str, value: str
) -> None:
    """File, key, value and what was expected, as for every other key."""
    [(found, shown, expected)] = errors(tmp_path, change, more=more)
    assert (found, shown) == (key, value)
    assert expected


def test_a_rung_that_is_all_quiet_is_doubted(tmp_path: Path) -> None:
    """Both ways of the only nurse overlap from 23:00 to 06:00: her rung and the ladder of each unit."""
    said = warnings(tmp_path, quiet(NURSE_PAGER), quiet(NURSE_MAIL, "23:00", "06:00"))
    last = "all quiet 23:00-06:00: below high only the last resort is told then"
    assert ("ladders[1]", "", f"for ash {last}") in said
    assert ("ladders[1]", "", f"for elm {last}") in said
    two = (
        'rungs = [{ tell = ["role:nurse"] }]',
        'rungs = [{ tell = ["role:nurse"] }, { tell = ["person:manager"] }]',
    )
    said = warnings(tmp_path, two, quiet(NURSE_PAGER), quiet(NURSE_MAIL, "23:00", "06:00"))
    rung = (
        "ladders[1].rungs[0]",
        "",
        "all quiet 23:00-06:00: below high the next rung is told then, at once",
    )
    assert rung in said
    assert not [key for key, _, text in said if "last resort is told" in text]


def test_ways_that_are_quiet_in_turn_are_not_doubted(tmp_path: Path) -> None:
    """At every minute one of her ways is used: nothing to say."""
    assert warnings(tmp_path, quiet(NURSE_PAGER), quiet(NURSE_MAIL, "07:00", "22:00")) == warnings(tmp_path)


def test_what_is_not_used_or_always_quiet_is_said(tmp_path: Path) -> None:
    """Quiet hours of the last resort do nothing; the same time twice is the whole day."""
    said = warnings(tmp_path, quiet(MANAGER_PAGER), quiet(NURSE_PAGER, "08:00", "08:00"))
    assert ("people.manager.reach", "", "not used: the last resort has no quiet hours") in said
    assert ("people.nurse.reach[0].quiet", "", "quiet all day: this way is used for high only") in said
