"""What is allowed and yet worth a second look, with exactly what is said of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.sitefile.site_text import SITE, errors, warnings

NURSE = '{ carrier = "pager", address = "4471" }, '
IN_ASH = "[units.ash]\n"
CLEAR = "this password travels unprotected: anybody on the way can read it"

PAGER = 'pager_place = "b1 b1"'
NIGHT = '{ from = "20:00", to = "06:00" }'


def plan(windows: str, more: str = "") -> str:
    """The place of the first pump, and its plan."""
    return f"{PAGER}\nplan = {{ windows = [{windows}]{', ' if more else ''}{more} }}"


# What is changed into what; then key, value and text of the one warning that comes of it.
ONE_WARNING = [
    ('technical = "technical"', "", "site.technical", "",
     "nobody is named to be told when Second Bell itself cannot see, send or store: the last resort is"),
    (NURSE, "", "people.nurse.reach", "", "one way only: when mail fails, night nurse is not told"),
    ("ward manager", "Night nurse", "people.manager.called", "'Night nurse'",
     "nurse is called the same: others cannot tell them apart"),
    ('wait = "3 min" }, { tell = ["person:manager"], wait = "4 min" }]',
     'wait = "3 min" }]\n[[ladders]]\npriority = "low"\nrungs = [{ tell = ["role:nurse"], wait = "1 min" }]',
     "ladders[1].rungs[0].wait", "'1 min'", "not used: a low concern goes to its first rung only"),
    ('place = "bay 1 bed 1"\n', "", "devices.pump-1.place", "", 'none: notices say "place not recorded"'),
    ('pager_place = "b1 b1"', "", "devices.pump-1.pager_place", "", "none: pages say pump-1 instead of where it is"),
    ('pager_place = "b1 b1"', 'pager_place = "17 Larch Lane, Westmere 3"', "devices.pump-1.pager_place",
     "'17 Larch Lane, Westmere 3'", "more than 24 characters; is it an address? None may go over the air"),
    ("[devices.pump-1]", '[devices.pump-0]\nunit = "elm"\nplace = "Bay 1 bed 1"\npager_place = "x"\n[devices.pump-1]',
     "devices.pump-1.place", "'bay 1 bed 1'", "pump-0 is said to stand there too"),
    (PAGER, plan('{ from = "20:00", to = "06:00" }, { from = "05:59", to = "07:00" }'),
     "devices.pump-1.plan.windows[1]", "05:59-07:00", "it overlaps with windows[0], 20:00-06:00: no time counts twice"),
    (PAGER, plan('{ from = "20:00", to = "20:00" }, { from = "05:00", to = "06:00" }'),
     "devices.pump-1.plan.windows[1]", "05:00-06:00", "it overlaps with windows[0], 20:00-20:00: no time counts twice"),
    (PAGER, plan(NIGHT, "target_ml = 801, rate_ml_h = 80"), "devices.pump-1.plan.target_ml", "801",
     "more than the planned rate gives: 800 mL in 10 h"),
    (PAGER, plan('{ from = "20:00", to = "06:00", rate_ml_h = 50 }, { from = "12:00", to = "13:00" }',
                 "target_ml = 600, rate_ml_h = 80"),
     "devices.pump-1.plan.target_ml", "600", "more than the planned rate gives: 580 mL in 11 h"),
    (PAGER, plan(NIGHT, "target_ml = 801, highest_rate_ml_h = 80"), "devices.pump-1.plan.target_ml", "801",
     "more than the highest allowed rate gives: 800 mL in 10 h"),
    (IN_ASH, f"{IN_ASH}[rules.unattended]\noff = 'never empty'\n", "rules.unattended.off", "'never empty'",
     "this rule is switched off"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "value", "text"), ONE_WARNING)
def test_one_warning_is_said_exactly(
    tmp_path: Path, old: str, new: str, key: str, value: str, text: str
) -> None:
    """One thing worth a second look makes one warning, in these words, and no error."""
    assert warnings(tmp_path, (old, new)) == [(key, value, text)]
    assert errors(tmp_path, (old, new)) == []


@pytest.mark.parametrize(
    ("windows", "more"),
    [
        ('{ from = "20:00", to = "06:00" }, { from = "06:00", to = "20:00" }', ""),
        (NIGHT, "target_ml = 800, rate_ml_h = 80"),
        (NIGHT, "target_ml = 800, highest_rate_ml_h = 80"),
        (NIGHT, "target_ml = 5000"),
        ('{ from = "20:00", to = "06:00", rate_ml_h = 90 }', "target_ml = 900"),
    ],
)
def test_a_plan_that_just_fits(tmp_path: Path, windows: str, more: str) -> None:
    """Windows that touch, a rate that gives exactly the target, and a target without a rate are nothing to be said."""
    assert warnings(tmp_path, (PAGER, plan(windows, more))) == []


def test_a_pager_place_of_24_characters_is_short_enough(tmp_path: Path) -> None:
    """The limit itself is allowed."""
    assert warnings(tmp_path, ('pager_place = "b1 b1"', f'pager_place = "{"x" * 24}"')) == []


def test_ladders_that_are_not_there(tmp_path: Path) -> None:
    """It is said for each unit when high climbs medium's ladder, and when there is none at all."""
    high = SITE[
        SITE.index('priority = "high"') : SITE.index('[[ladders]]\nunit = "*"\npriority = "medium"')
    ].rstrip()
    low = 'priority = "low"\nrungs = [{ tell = ["role:nurse"] }]'
    medium = 'priority = "medium"\nrungs = [{ tell = ["role:nurse"] }]'
    assert warnings(tmp_path, (high, low)) == [
        ("ladders", "", f"none of high for {unit}: medium's is used, with its waits")
        for unit in ("ash", "elm")
    ]
    assert warnings(tmp_path, (medium, low)) == [
        ("ladders", "", f"none of medium for {unit}: such concerns go straight to the last resort")
        for unit in ("ash", "elm")
    ]
    assert warnings(tmp_path, (high, low), (f'unit = "*"\n{medium}', 'unit = "elm"\n' + medium)) == [
        ("ladders", "", "none for ash: its concerns go straight to the last resort"),
        ("ladders", "", "none of high for elm: medium's is used, with its waits"),
    ]


def test_a_broken_ladder_is_not_said_to_be_missing(tmp_path: Path) -> None:
    """While a ladder cannot be read, nothing is said of those that seem not to be there."""
    assert warnings(tmp_path, ('priority = "high"', 'priority = "urgent"')) == []


def test_no_units(tmp_path: Path) -> None:
    """Without units every concern goes straight to the last resort, and that is said."""
    said = warnings(
        tmp_path,
        ("[units.elm]\n[units.ash]\n", ""),
        ('[devices.pump-1]\nunit = "elm"\nplace = "bay 1 bed 1"\npager_place = "b1 b1"\n', ""),
    )
    assert said == [("units", "", "no unit is named: every concern goes straight to the last resort")]


@pytest.mark.parametrize(
    ("rule", "threshold", "looser", "tighter", "shipped"),
    [
        ("unattended", "patience", '"301 s"', '"5 min"', "5 min"),  # looser is higher
        ("low-power-unplugged", "low", '"19 %"', '"21 %"', "20 %"),  # looser is lower
        ("repeated-occlusion", "times", "4", "2", "3"),
    ],
)
def test_a_threshold_less_watchful_than_shipped(
    tmp_path: Path, rule: str, threshold: str, looser: str, tighter: str, shipped: str
) -> None:
    """In the rule's own direction, at site, unit or device, a looser value is said and a tighter is not."""
    in_rules = f"[rules.{rule}]\n{threshold} = %s\n"
    (said,) = warnings(tmp_path, more=in_rules % looser)
    assert said[:2] == (f"rules.{rule}.{threshold}", looser.replace('"', "'"))
    assert said[2].startswith(f"less watchful than the shipped {shipped}, which has its reason: ")
    assert warnings(tmp_path, more=in_rules % tighter) == []
    same = shipped if shipped.isdigit() else f'"{shipped}"'
    assert warnings(tmp_path, more=in_rules % same) == []
    in_unit = f"thresholds = {{ {rule} = {{ {threshold} = %s }} }}\n"
    assert [key for key, _, _ in warnings(tmp_path, (IN_ASH, IN_ASH + in_unit % looser))] == [
        f"units.ash.thresholds.{rule}.{threshold}"
    ]
    assert [key for key, _, _ in warnings(tmp_path, more=in_unit % looser)] == [
        f"devices.pump-1.thresholds.{rule}.{threshold}"
    ]


def test_at_home_a_threshold_is_held_against_the_value_for_homes(tmp_path: Path) -> None:
    """What would be loose on a ward is not at home."""
    more = '[rules.out-of-sight]\npatience = "10 min"\n'
    assert [key for key, _, _ in warnings(tmp_path, more=more)] == ["rules.out-of-sight.patience"]
    assert warnings(tmp_path, ('"ward"', '"home"'), more=more) == []


def test_passwords_that_others_may_see(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A password file that others may read, a variable that is not set, and a way without protection are said."""
    secret = tmp_path / "secret"
    secret.write_text("geheim")
    secret.chmod(0o640)
    monkeypatch.delenv("BELL_PAGER", raising=False)
    said = warnings(
        tmp_path,
        ("[carriers.mail]", 'username = "u"\npassword_file = "secret"\n[carriers.mail]'),
        ('security = "none"', 'security = "tls"\nusername = "u"\npassword_file = "secret"'),
        ('limit = "10 s"', 'level = 2\nlogin = "x"\npassword_env = "BELL_PAGER"'),
    )
    others = f"others may read {secret} (mode 0640); chmod 0600 it"
    assert said == [
        ("broker.password_file", "", others),
        ("broker.password_file", "", CLEAR),
        ("carriers.mail.password_file", "", others),
        ("carriers.pager.password_env", "", "the environment variable BELL_PAGER is not set here and now"),
        ("carriers.pager.password_env", "", CLEAR),
    ]
