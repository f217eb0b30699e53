"""Every kind of mistake in a site file, with exactly what is said of it: key, value, and what was expected."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from monitor.core.problems import ProblemsFound
from monitor.settings import Unreadable, load
from monitor.sitefile.checks import ladder_for
from monitor.sitefile.reading import read
from tests.sitefile.site_text import KEY, SITE, errors, written

LEVEL = "1 to 64 letters, digits, - or _"
UNIT_NAME = f"a name of {LEVEL}; not bridge or monitor"
PEOPLE = "one of the people of this file: manager, nurse, technical"
UNITS = "one of the units of this file: ash, elm"
BROKER = 'a broker, such as "mqtt://broker.example:1883" or "mqtts://broker.example:8883"'
NO_LOGIN = "no name or password here: use username and password_file or password_env"
KINDS = "one of 'email', 'https', 'snpp'; no plug-in is installed"
NO_PASSWORD = "a password never stands in this file: use password_file or password_env"
WAIT = 'a duration from "30 s" to "2 h"'
RULES = (
    "behind-plan, chattering, drill-missed, hung-too-long, idle-past-limit, low-power-unplugged, muted-too-long,"
    " not-charging, out-of-sight, over-plan, repeated-occlusion, sight-lost, standing-alarm,"
    " stopped-at-glucose-risk, unattended"
)
LADDERS = [("*", "high"), ("*", "medium"), ("ash", "high"), ("ash", "medium"), ("ash", "low")]
PLACE = 'place = "bay 1 bed 1"'
ADDRESSES = 'addresses = ["mqtt://127.0.0.1:1883"]'
NURSE = 'tell = ["role:nurse"], wait = "3 min"'


def plan(rest: str, windows: str = '{ from = "20:00", to = "24:00" }') -> str:
    """A device's plan in TOML."""
    return f"plan = {{ windows = [{windows}]{rest} }}"


# What is changed into what; then key, value and expectation of the one error that comes of it.
ONE_MISTAKE = [
    # [site]
    ('name = "larkfield"', 'name = "lark/field"', "site.name", "'lark/field'", LEVEL),
    ('name = "larkfield"', "name = 3", "site.name", "3", "text in quotation marks"),
    ('name = "larkfield"', "", "site.name", "", "is missing: the site's name in the topics"),
    ('setting = "ward"', 'setting = "clinic"', "site.setting", "'clinic'", "one of 'ward', 'home'"),
    ("Europe/London", "Europe/Londn", "site.zone", "'Europe/Londn'",
     "a zone of the tz database, such as Europe/London"),
    ('last_resort = "manager"', "", "site.last_resort", "",
     "is missing: the person who is told when nobody else accepts; a site without one does not start"),
    ('last_resort = "manager"', 'last_resort = "nobody"', "site.last_resort", "'nobody'", PEOPLE),
    ('technical = "technical"', 'technical = "ops"', "site.technical", "'ops'", PEOPLE),
    ("[site]", '[site]\nprefix = "a//b"', "site.prefix", "'a//b'",
     f"levels of a topic, each {LEVEL}, with / between"),
    ("[site]", '[site]\nmonitor = "a b"', "site.monitor", "'a b'", LEVEL),
    ("[site]", '[site]\nstate_dir = "site.toml"', "site.state_dir", "'site.toml'", "a folder; this is a file"),
    ("[site]", "[site]\npassword = 'geheim'", "site.password", "", NO_PASSWORD),
    ("[site]", "[site]\nzne = 'x'", "site.zne", "", 'no such key; did you mean "zone"?'),
    # [broker]
    (ADDRESSES, 'addresses = ["http://a"]', "broker.addresses[0]", "'http://a'", BROKER),
    (ADDRESSES, 'addresses = ["mqtt://a:70000"]', "broker.addresses[0]", "'mqtt://a:70000'", BROKER),
    (ADDRESSES, 'addresses = ["mqtt://a/b"]', "broker.addresses[0]", "'mqtt://a/b'", BROKER),
    (ADDRESSES, 'addresses = ["mqtt://u:geheim@a"]', "broker.addresses[0]", "", NO_LOGIN),
    (ADDRESSES, "addresses = []", "broker.addresses", "", "a list of at least 1"),
    (ADDRESSES, 'addresses = "mqtt://a"', "broker.addresses", "'mqtt://a'", "a list"),
    (ADDRESSES, 'addresses = ["mqtt://a", "mqtts://b"]', "broker.addresses", "",
     "all mqtt:// or all mqtts://, not both"),
    (ADDRESSES, f'{ADDRESSES}\nprotocol = "4"', "broker.protocol", "'4'", "one of '3.1.1', '5'"),
    (ADDRESSES, f'{ADDRESSES}\npassword_env = "gehe im"', "broker.password_env", "",
     "the name of an environment variable that holds the password"),
    (ADDRESSES, f'{ADDRESSES}\npassword_env = "A"', "broker.password_env", "",
     "username beside it: a password without one is never used"),
    (ADDRESSES, f'{ADDRESSES}\nPassword = "geheim"', "broker.Password", "", NO_PASSWORD),
    # [carriers.NAME]
    ('kind = "email"', 'kind = "fax"', "carriers.mail.kind", "'fax'", KINDS),
    ('kind = "email"', "", "carriers.mail.kind", "", f"is missing: {KINDS}"),
    ('host = "127.0.0.1"', "host = 'a b'", "carriers.mail.host", "'a b'", "a host name or an IP address"),
    ("port = 2525", "port = 0", "carriers.mail.port", "0", "at least 1"),
    ("port = 2525", "port = 65536", "carriers.mail.port", "65536", "at most 65535"),
    ("port = 2525", 'port = "25"', "carriers.mail.port", "'25'", "a whole number"),
    ("port = 2525", "port = 2525\nusername = 'u'", "carriers.mail.username", "'u'",
     "password_file or password_env beside it"),
    ('security = "none"', 'security = "ssl"', "carriers.mail.security", "'ssl'",
     "one of 'starttls', 'tls', 'none'"),
    ("port = 2525", "port = 2525\nusername = 'u'\npassword_file = 1234", "carriers.mail.password_file", "",
     "text in quotation marks"),
    ('security = "none"', 'security = "none"\npassword = "geheim"', "carriers.mail.password", "", NO_PASSWORD),
    ("<bell@larkfield.example.invalid>", "<bell>", "carriers.mail.sender", "'Second Bell <bell>'",
     'a mail address, such as "Second Bell <secondbell@ward.example>", in plain ASCII'),
    ('limit = "10 s"', 'limit = "10 min"', "carriers.pager.limit", "'10 min'", 'a duration from "1 s" to "2 min"'),
    ('limit = "10 s"', "limit = 10", "carriers.pager.limit", "10", 'a duration from "1 s" to "2 min"'),
    ('limit = "10 s"', "level = 3", "carriers.pager.level", "3", "one of 1, 2"),
    ('limit = "10 s"', 'login = "x"', "carriers.pager.login", "'x'", "a login needs level 2"),
    # [people.ID]
    ('called = "night nurse"', "", "people.nurse.called", "",
     "is missing: the duty, as others read it in notices; never a person's name"),
    ('"night nurse"', '""', "people.nurse.called", "''", "1 to 40 characters"),
    ('"night nurse"', r'"night\u0007nurse"', "people.nurse.called", r"'night\x07nurse'",
     "one line of text without control characters"),
    ('carrier = "pager", address = "4471"', 'carrier = "pagr", address = "4471"', "people.nurse.reach[0].carrier",
     "'pagr'", "one of the carriers of this file: mail, pager"),
    ('"4471"', "4471", "people.nurse.reach[0].address", "4471", "text in quotation marks"),
    ('"4471"', '"44 71"', "people.nurse.reach[0].address", "'44 71'",
     "a pager's id: 1 to 64 letters, digits, or any of @ . _ + -"),
    ('"nurse@larkfield.example.invalid"', '"nurse"', "people.nurse.reach[1].address", "'nurse'",
     "a mail address, in plain ASCII and without a name"),
    ('"4471"', '"4499"', "people.manager.reach[0].address", "'4499'",
     "an address of its own; it is also people.nurse.reach[0]"),
    ('"nurse@larkfield.example.invalid"', '"Manager@larkfield.example.invalid"', "people.manager.reach[1].address",
     "'manager@larkfield.example.invalid'", "an address of its own; it is also people.nurse.reach[1]"),
    ("[people.nurse]", '[people."n 1"]\ncalled = "x"\nreach = [{ carrier = "pager", address = "1" }]\n[people.nurse]',
     "people.n 1", "", "a name of 1 to 64 letters, digits, or any of . _ @ -"),
    # [units.NAME]
    ("[units.ash]", "[units.bridge]", "units.bridge", "", UNIT_NAME),
    ("[units.ash]", "[units.monitor]", "units.monitor", "", UNIT_NAME),
    ("[units.ash]", '[units."a/b"]', "units.a/b", "", UNIT_NAME),
    ("[units.ash]", "[units]\nash = 3", "units.ash", "3", "a table"),
    # [[ladders]] and [[duty]]
    (NURSE, 'tell = ["role:nurs"]', "ladders[0].rungs[0].tell[0]", "'role:nurs'",
     "a role that somebody has under [[duty]]; nobody has this one"),
    (NURSE, 'tell = ["nurse"]', "ladders[0].rungs[0].tell[0]", "'nurse'", '"role:ROLE" or "person:ID"'),
    (NURSE, "tell = []", "ladders[0].rungs[0].tell", "", "a list of at least 1"),
    ("person:manager", "person:boss", "ladders[0].rungs[1].tell[0]", "'person:boss'", PEOPLE),
    ('wait = "3 min"', 'wait = "29 s"', "ladders[0].rungs[0].wait", "'29 s'", WAIT),
    ('wait = "3 min"', 'wait = "121 min"', "ladders[0].rungs[0].wait", "'121 min'", WAIT),
    ('wait = "3 min"', "wait = 180", "ladders[0].rungs[0].wait", "180", WAIT),
    ("[units.ash]", "[units.ash]\n[times]\ngive_up = { high = '75 s' }", "ladders[0].rungs[0].wait", "'3 min'",
     "longer than 3 min, which is times.give_up.high and the limit of each way to nurse, together"),
    ('wait = "3 min"', 'wait = "2 min"', "ladders[0].rungs[0].wait", "'2 min'",
     "longer than 2 min, which is times.give_up.high and the limit of each way to nurse, together"),
    ('rungs = [{ tell = ["role:nurse"] }]', "rungs = []", "ladders[1].rungs", "", "a list of at least 1"),
    ('priority = "medium"', 'priority = "urgent"', "ladders[1].priority", "'urgent'",
     "one of 'high', 'medium', 'low'"),
    ('priority = "medium"', 'priority = "high"', "ladders[1].priority", "'high'",
     "one ladder for each unit and priority; ladders[0] is for * too"),
    ('unit = "*"', 'unit = "oak"', "ladders[0].unit", "'oak'", f'{UNITS}, or "*"'),
    ('priority = "high"', 'priority = "high"\nrepeat = "1 s"', "ladders[0].repeat", "'1 s'",
     'a duration from "1 min" to "2 h"'),
    ("[[duty]]", "[duty]", "duty", "", "tables, each under [[duty]]"),
    ('person = "nurse"', 'person = "nurs"', "duty[0].person", "'nurs'", PEOPLE),
    ('role = "nurse"', 'role = "nurse"\n[[duty]]\nperson = "nurse"\nrole = "charge"\nunit = "oak"', "duty[1].unit",
     "'oak'", f'{UNITS}, or "*"'),
    ('role = "nurse"', 'role = "nurse"\nfrom = 2026-03-14T21:00:00Z\nto = 2026-03-14T21:00:00Z', "duty[0].to", "",
     "later than from"),
    ('role = "nurse"', 'role = "nurse"\nfrom = 2026-03-14T21:00:00', "duty[0].from", "'2026-03-14T21:00:00'",
     "a time with its zone (RFC 3339), such as 2026-03-14T21:00:00Z"),
    ('role = "nurse"', 'role = "nurse"\nto = "tomorrow"', "duty[0].to", "'tomorrow'",
     "a time with its zone (RFC 3339), such as 2026-03-14T21:00:00Z"),
    # [devices.ID]
    ('unit = "elm"', 'unit = "oak"', "devices.pump-1.unit", "'oak'", UNITS),
    ("[devices.pump-1]", '[devices."pump 1"]', "devices.pump 1", "", f"a name of {LEVEL}"),
    (PLACE, r'place = "bay\n1"', "devices.pump-1.place", r"'bay\n1'", "one line of text without control characters"),
    (PLACE, f'place = "{"x" * 61}"', "devices.pump-1.place", f"'{'x' * 59}…", "1 to 60 characters"),
    (PLACE, plan("", '{ from = "20:60", to = "24:00" }'), "devices.pump-1.plan.windows[0].from", "'20:60'",
     'a time of the local day in quotation marks, "00:00" to "23:59"'),
    (PLACE, plan("", '{ from = "20:00", to = 07:00:00 }'), "devices.pump-1.plan.windows[0].to", "'07:00:00'",
     'a time of the local day in quotation marks, "00:00" to "24:00"'),
    (PLACE, plan("", ""), "devices.pump-1.plan.windows", "", "a list of at least 1"),
    (PLACE, plan(", target_ml = nan"), "devices.pump-1.plan.target_ml", "nan", "a number"),
    (PLACE, plan(", target_ml = -5"), "devices.pump-1.plan.target_ml", "-5", "more than 0"),
    (PLACE, plan(", target_ml = '5'"), "devices.pump-1.plan.target_ml", "'5'", "a number"),
    (PLACE, plan(", glucose_risk = 'yes'"), "devices.pump-1.plan.glucose_risk", "'yes'", "true or false"),
    (PLACE, plan(", feed_kind = 'soup'"), "devices.pump-1.plan.feed_kind", "'soup'",
     "one of 'closed', 'decanted', 'powder', 'infant'"),
    (PLACE, plan(", highest_rate_ml_h = 100", '{ from = "20:00", to = "06:00", rate_ml_h = 100.5 }'),
     "devices.pump-1.plan.windows[0].rate_ml_h", "100.5", "at most highest_rate_ml_h, 100"),
    (PLACE, plan(", rate_ml_h = 120, highest_rate_ml_h = 100"), "devices.pump-1.plan.rate_ml_h", "120",
     "at most highest_rate_ml_h, 100"),
    (PLACE, "plan = 3", "devices.pump-1.plan", "3", "a table"),
    # [rules.NAME] and the thresholds of units and devices
    ("[units.ash]", "[units.ash]\n[rules.nonesuch]\noff = 'not needed'", "rules.nonesuch", "",
     f"no such rule; known are {RULES}"),
    ("[units.ash]", "[units.ash]\n[rules.unattended]\npatienc = '5 min'", "rules.unattended.patienc", "'5 min'",
     "rule unattended has no such threshold; it has patience, patience_high"),
    ("[units.ash]", "[units.ash]\n[rules.unattended]\npatience = '5 mL'", "rules.unattended.patience", "'5 mL'",
     'a quantity like the shipped "5 min"'),
    ("[units.ash]", "[units.ash]\n[rules.unattended]\npatience = '0 s'", "rules.unattended.patience", "'0 s'",
     "more than nothing"),
    ("[units.ash]", "[units.ash]\n[rules.unattended]\npatience = 4.5", "rules.unattended.patience", "4.5",
     'a quantity like the shipped "5 min"'),
    ("[units.ash]", "[units.ash]\n[rules.unattended]\noff = 'no'", "rules.unattended.off", "'no'",
     "5 to 200 characters"),
    ("[units.ash]", "[units.ash]\n[rules.unattended]\noff = true", "rules.unattended.off", "true",
     "text in quotation marks"),
    ("[units.ash]", "[units.ash.thresholds.unattendd]\npatience = '5 min'", "units.ash.thresholds.unattendd", "",
     f"no such rule; known are {RULES}"),
    (PLACE, f"{PLACE}\nthresholds = {{ unattended = {{ patience = true }} }}",
     "devices.pump-1.thresholds.unattended.patience", "true", 'a quantity like the shipped "5 min"'),
    (PLACE, f"{PLACE}\nthresholds = {{ sight-lost = {{ patience = '2 min' }} }}",
     "devices.pump-1.thresholds.sight-lost.patience", "'2 min'",
     "a unit or [rules] to stand in: this rule is about a whole unit"),
    # [times] and the whole
    ("[units.ash]", "[units.ash]\n[times]\ngather = '61 s'", "times.gather", "'61 s'",
     'a duration from "0 s" to "1 min"'),
    ("[units.ash]", "[units.ash]\n[times]\nrecheck = { high = '1 s' }", "times.recheck.high", "'1 s'",
     'a duration from "1 min" to "4 h"'),
    ("[units.ash]", "[units.ash]\n[times]\nkeep_settled = '1 h'\nrelapse = '2 h'", "times.keep_settled", "'1 h'",
     "at least relapse, 2 h"),
    ("[units.ash]", "[units.ash]\n[tims]", "tims", "", 'no such key; did you mean "times"?'),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "value", "expected"), ONE_MISTAKE)
def test_one_mistake_is_said_exactly(
    tmp_path: Path, old: str, new: str, key: str, value: str, expected: str
) -> None:
    """One mistake makes one error, in these words, and none that only follows from it."""
    assert errors(tmp_path, (old, new)) == [(key, value, expected)]


def test_the_unchanged_site_has_no_mistake(tmp_path: Path) -> None:
    """What all these tests start from is right."""
    assert errors(tmp_path) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('wait = "3 min"', 'wait = "121 s"'),  # a second longer than trying all ways to the nurse
        ("[units.ash]", "[units.ash]\n[times]\ngive_up = { high = '74 s' }"),  # the same from the other side
        ('wait = "3 min"', 'wait = "2 h"'),
        ('limit = "10 s"', 'limit = "1 s"'),
        ("port = 2525", "port = 65535"),
        (PLACE, f'place = "{"x" * 60}"'),
        ("[units.ash]", "[units.ash]\n[rules.unattended]\noff = 'never'"),
        ("[units.ash]", "[units.ash]\n[times]\ngather = '0 s'\nlateness = '60 s'"),
        ("[units.ash]", "[units.ash]\n[times]\nkeep_settled = '1 h'\nrelapse = '1 h'"),
        (PLACE, plan(", rate_ml_h = 100, highest_rate_ml_h = 100")),
        ("[units.ash]", "[units.ash]\nthresholds = { sight-lost = { patience = '2 min' } }"),
        ("[site]", "\ufeff[site]"),  # as some editors begin a file
    ],
)
def test_what_is_just_allowed(tmp_path: Path, old: str, new: str) -> None:
    """A bound itself is no mistake."""
    assert errors(tmp_path, (old, new)) == []


def test_a_role_that_nobody_has_for_a_unit(tmp_path: Path) -> None:
    """A ladder for all units needs its roles in each of them; a unit with its own ladder is not looked at."""
    only_elm = ('role = "nurse"', 'role = "nurse"\nunit = "elm"')
    lacking = "a role that somebody has; nobody has it for ash"
    assert errors(tmp_path, only_elm) == [
        ("ladders[0].rungs[0].tell[0]", "'role:nurse'", lacking),
        ("ladders[1].rungs[0].tell[0]", "'role:nurse'", lacking),
    ]
    own = "".join(
        f'[[ladders]]\nunit = "ash"\npriority = "{priority}"\nrungs = [{{ tell = ["person:manager"] }}]\n'
        for priority in ("high", "medium", "low")
    )
    assert errors(tmp_path, only_elm, more=own) == []


def test_only_those_whom_a_rung_tells_must_be_quick_to_reach(tmp_path: Path) -> None:
    """A slow way to somebody with the role for another unit only does not lengthen the wait."""
    slow = 'carriers.slow]\nkind = "snpp"\nhost = "a"\nlimit = "2 min"\n[people.ann]\ncalled = "ann"\n'
    slow += 'reach = [{ carrier = "slow", address = "1" }, { carrier = "pager", address = "2" }]\n'
    slow += '[[duty]]\nperson = "ann"\nrole = "nurse"\nunit = "elm"\n'
    slow += (
        '[[ladders]]\nunit = "%s"\npriority = "high"\nrungs = [{ tell = ["role:nurse"], wait = "220 s" }]\n'
    )
    no_high = ('priority = "high"', 'priority = "low"')
    assert errors(tmp_path, no_high, more=f"[{slow % 'ash'}") == []
    assert errors(tmp_path, no_high, more=f"[{slow % 'elm'}") == [
        ("ladders[2].rungs[0].wait", "'3 min 40 s'",
         "longer than 3 min 40 s, which is times.give_up.high and the limit of each way to ann, together")
    ]  # fmt: skip


@pytest.mark.parametrize("lines", [*itertools.combinations(LADDERS, 3), *itertools.combinations(LADDERS, 1)])
def test_the_ladder_checked_is_the_ladder_climbed(tmp_path: Path, lines: tuple[tuple[str, str], ...]) -> None:
    """Which ladder a unit's concerns climb is the same for the check as for the engine."""
    text = "".join(
        f'[[ladders]]\nunit = "{unit}"\npriority = "{priority}"\nrepeat = "{number + 1} min"\n'
        'rungs = [{ tell = ["person:manager"] }]\n'
        for number, (unit, priority) in enumerate(lines)
    )
    shipped = SITE[SITE.index("[[ladders]]") : SITE.index("[[duty]]")]
    path = written(tmp_path, (shipped, text))
    site, found = load(path, key=KEY).site, read(path)
    for unit, priority in itertools.product(("elm", "ash"), ("high", "medium", "low")):
        checked = ladder_for(found, unit, priority)
        climbed = site.ladder(unit, priority)
        if checked is None:
            assert climbed.rungs == ()
        else:
            assert climbed.repeat == (checked[0] + 1) * 60_000


def test_a_last_resort_who_cannot_be_reached(tmp_path: Path) -> None:
    """A last resort without a way is an error of its own, beside that of a person without one."""
    reach = SITE[
        SITE.index('reach = [{ carrier = "pager", address = "4499"') : SITE.index("[people.technical]")
    ]
    assert errors(tmp_path, (reach, "")) == [
        ("site.last_resort", "'manager'", "a person who can be reached; manager has no reach"),
        ("people.manager.reach", "", "at least one way to this person"),
    ]


@pytest.mark.parametrize("section", ["site", "broker"])
def test_a_section_that_is_needed(tmp_path: Path, section: str) -> None:
    """Without [site] or [broker] nothing can be done, and it is said which."""
    said = errors(tmp_path, (f"[{section}]", f"[{section}x]"))
    assert [key for key, _, _ in said] == [f"{section}x", section]
    assert said[0][2] == f'no such key; did you mean "{section}"?'
    assert said[1][2].startswith(f"is missing: the table [{section}], ")


def test_without_carriers_nobody_can_be_told(tmp_path: Path) -> None:
    """A file of nothing names all that is needed."""
    path = tmp_path / "site.toml"
    path.write_text("")
    with pytest.raises(ProblemsFound) as caught:
        load(path, key=KEY)
    assert [problem.key for problem in caught.value.problems] == ["site", "broker", "carriers"]


def test_a_name_that_exists_only_broken_is_no_second_mistake(tmp_path: Path) -> None:
    """A person whose own table is wrong is still there for the ladder, the duty and the last resort."""
    said = errors(tmp_path, ('called = "night nurse"', ""), ('called = "ward manager"', "called = 1"))
    assert [key for key, _, _ in said] == ["people.nurse.called", "people.manager.called"]


def test_many_mistakes_at_once(tmp_path: Path) -> None:
    """Mistakes in ten places, of the tables and between them, are all said in one go, with the file's name."""
    path = written(
        tmp_path,
        ('setting = "ward"', 'setting = "clinic"'),
        ('technical = "technical"', 'technical = "ops"'),
        (ADDRESSES, f"{ADDRESSES}\nport = 1"),
        ("port = 2525", "port = -1"),
        ('"4471"', '"4499"'),
        ('wait = "3 min"', 'wait = "1 s"'),
        ('person = "nurse"', 'person = "n"'),
        ('unit = "elm"', 'unit = "oak"'),
        ("[units.ash]", "[units.ash]\n[rules.unattended]\npatience = '5 mL'\noff = 'x'\n[times]\ngather = 5"),
    )
    with pytest.raises(ProblemsFound) as caught:
        load(path, key=KEY)
    assert {problem.file for problem in caught.value.problems} == {str(path)}
    assert {problem.key for problem in caught.value.problems} == {
        "site.setting",
        "broker.port",
        "carriers.mail.port",
        "people.manager.reach[0].address",
        "ladders[0].rungs[0].wait",
        "duty[0].person",
        "devices.pump-1.unit",
        "rules.unattended.patience",
        "rules.unattended.off",
        "times.gather",
    }
    assert f"{path}: duty[0].person = 'n': {PEOPLE}" in str(caught.value)


def test_no_password_is_ever_shown(tmp_path: Path) -> None:
    """A password written where it does not belong appears in no message."""
    path = written(
        tmp_path,
        ("[site]", '[site]\npasword = "geheim"'),
        (ADDRESSES, 'addresses = ["mqtt://u:geheim@a"]\npassword = "geheim"\npassword_env = "geheim!"'),
        ("port = 2525", 'port = 2525\npassword_file = ["geheim"]\nPASSWORD = "geheim"'),
        ('limit = "10 s"', 'pass = "geheim"'),
    )
    with pytest.raises(ProblemsFound) as caught:
        load(path, key=KEY)
    assert len(caught.value.problems) >= 7
    assert "geheim" not in str(caught.value)


@pytest.mark.parametrize(
    ("content", "key", "expected"),
    [
        (b'[site]\nname = "x"\nzone = \n', "line 3", "not valid TOML: Invalid value (at column 8)"),
        (b"[site]\n[site]\n", "line 2", "not valid TOML: Cannot declare ('site',) twice (at column 6)"),
        (b"a = [", "", "not valid TOML: Invalid value (at end of document)"),
        (b"a = '\xff'", "", "not UTF-8 text (at byte 5)"),
        (b"a = " + b"[" * 5000 + b"]" * 5000, "", "not valid TOML: nested too deep"),
    ],
)
def test_what_is_not_toml(tmp_path: Path, content: bytes, key: str, expected: str) -> None:
    """A file that is not TOML is unreadable, and the line is named where there is one."""
    path = tmp_path / "site.toml"
    path.write_bytes(content)
    with pytest.raises(Unreadable) as caught:
        load(path, key=KEY)
    assert [(problem.file, problem.key, problem.expected) for problem in caught.value.problems] == [
        (str(path), key, expected)
    ]


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """A missing file, or a folder, is unreadable and says why."""
    for path, why in ((tmp_path / "none.toml", "No such file or directory"), (tmp_path, "Is a directory")):
        with pytest.raises(Unreadable) as caught:
            load(path, key=KEY)
        assert str(caught.value) == f"{path}: (whole file): cannot be read: {why}"
