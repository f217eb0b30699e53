"""What `secondbell check` says of each rule: for which pumps it can hold, why not for others, what is looser or off."""

from __future__ import annotations

import io
import re
import time
from pathlib import Path

import pytest

from monitor.checking import report
from monitor.outlook import Outlook, outlooks
from monitor.settings import examine
from tests.sitefile.site_text import written
from tests.sitefile.test_own_rules import FLUSHES, IN_SITE, own

NOW = 1_790_000_000_000  # any: nothing here depends on the rota
PLACE = 'pager_place = "b1 b1"'
NIGHT = 'windows = [{ from = "20:00", to = "06:00" }]'
SECOND = '[devices.pump-2]\nunit = "ash"\nplace = "y"\npager_place = "y"\n'


def plan(said: str) -> tuple[str, str]:
    """The first pump has this plan."""
    return PLACE, f"{PLACE}\nplan = {{ {said} }}"


def seen(folder: Path, rule: str, *changes: tuple[str, str], more: str = "") -> tuple[str, tuple[str, ...]]:
    """For which pumps a rule can hold at a site, and what is said of it."""
    found = told(folder, *changes, more=more)[rule]
    return found.can_hold, found.remarks


def told(folder: Path, *changes: tuple[str, str], more: str = "") -> dict[str, Outlook]:
    """What is said of every rule, by id."""
    examined = examine(written(folder, *changes, more=more))
    rules = {file.rule.id: file.rule for file in examined.rules}
    return {found.rule: found for found in outlooks(examined.found, rules, examined.replaced)}


def test_what_a_pump_without_a_plan_lets_rules_see(tmp_path: Path) -> None:
    """By the site file alone: which shipped rules can hold, and what the others lack."""
    found = told(tmp_path)
    assert {rule: said.remarks for rule, said in found.items() if said.can_hold == "no"} == {
        "behind-plan": ("no plan with windows",),
        "hung-too-long": ("no kind of feed; no time when the giving set was hung",),
        "over-plan": ("no highest rate; no plan with windows",),
        "stopped-at-glucose-risk": ("no glucose risk",),
    }
    assert found["sight-lost"] == ("sight-lost", "2 of 2 units", ("never high: no glucose risk",))
    assert found["unattended"] == ("unattended", "1 of 1 pump", ())
    needs = (
        "only if the bridge sends changes at once: 3 times within 1 min do not show in reports 1 min apart"
    )
    assert found["chattering"].remarks == (needs,)


def test_what_a_plan_lets_rules_see(tmp_path: Path) -> None:
    """With everything in it every rule can hold; each part lacking keeps one from it."""
    whole = f'{NIGHT}, target_ml = 900, highest_rate_ml_h = 125, glucose_risk = true, feed_kind = "closed", '
    whole += "container_hung = 2026-03-14T20:00:00Z, set_hung = 2026-03-14T20:00:00Z"
    assert {said.can_hold for said in told(tmp_path, plan(whole)).values()} == {"1 of 1 pump", "2 of 2 units"}
    assert seen(tmp_path, "sight-lost", plan(whole)) == (
        "2 of 2 units",
        ("high for 1 only: no glucose risk",),
    )
    assert seen(tmp_path, "over-plan", plan(NIGHT)) == ("1 of 1 pump", ("never high: no highest rate",))
    assert seen(tmp_path, "over-plan", plan(whole)) == ("1 of 1 pump", ())
    hung = f'{NIGHT}, feed_kind = "powder"'
    assert seen(tmp_path, "hung-too-long", plan(hung)) == (
        "no", ("no time when the container was hung; no feed of such a kind; no time when the giving set was hung",)
    )  # fmt: skip
    hung += ", container_hung = 2026-03-14T20:00:00Z"
    assert seen(tmp_path, "hung-too-long", plan(hung)) == ("1 of 1 pump", ())


def test_it_is_counted_for_how_many(tmp_path: Path) -> None:
    """A pump without a plan beside one with: how many, and why not the rest."""
    assert seen(tmp_path, "behind-plan", plan(NIGHT), more=SECOND) == (
        "1 of 2 pumps",
        ("1: no plan with windows",),
    )


def test_where_no_pump_is_listed(tmp_path: Path) -> None:
    """Any pump is watched, with the plan that a bridge may send."""
    listed = '[devices.pump-1]\nunit = "elm"\nplace = "bay 1 bed 1"\npager_place = "b1 b1"\n'
    found = told(tmp_path, (listed, ""))
    assert found["unattended"] == ("unattended", "yes", ("no pump is listed",))
    assert found["behind-plan"] == ("behind-plan", "no", ("no plan with windows", "no pump is listed"))


# A rule, the threshold set for all pumps, the plan; then why it cannot hold, None if it can: at the limit and past it.
NEVER = [
    ("idle-past-limit", 'patience = "10 h"', NIGHT,
     "patience of 10 h is never over: feed is due for 10 h at most"),
    ("idle-past-limit", 'patience = "9 h 59 min"', NIGHT, None),
    ("idle-past-limit", 'patience = "48 h"', 'windows = [{ from = "06:00", to = "06:00" }]', None),
    ("idle-past-limit", 'patience = "11 h"',
     'windows = [{ from = "20:00", to = "02:00" }, { from = "02:00", to = "08:00" }]', None),
    ("idle-past-limit", 'patience = "11 h"\nbridging = "2 min"',
     'windows = [{ from = "20:00", to = "02:00" }, { from = "02:01", to = "08:00" }]', None),
    ("idle-past-limit", 'patience = "11 h"\nbridging = "60 s"',
     'windows = [{ from = "20:00", to = "02:00" }, { from = "02:01", to = "08:00" }]',
     "patience of 11 h is never over: feed is due for 6 h at most"),
    ("repeated-occlusion", 'times = 10\nwithin = "1 ms"', NIGHT, "10 times cannot come within 1 ms"),
    ("repeated-occlusion", 'times = 9\nwithin = "1 ms"', NIGHT, None),
    ("chattering", 'times = 11\nwithin = "10 ms"', NIGHT, "11 times cannot come within 10 ms"),
    ("chattering", 'times = 10\nwithin = "10 ms"', NIGHT, None),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "thresholds", "said", "why"), NEVER)
def test_thresholds_that_are_never_met(
    tmp_path: Path, rule: str, thresholds: str, said: str, why: str | None
) -> None:
    """A patience longer than any window, and more times than there are instants: at the limit and beside it."""
    can_hold, remarks = seen(tmp_path, rule, plan(said), more=f"[rules.{rule}]\n{thresholds}\n")
    assert can_hold == ("1 of 1 pump" if why is None else "no")
    assert (remarks[0] if why else None) == why


def test_a_limit_that_no_plan_can_pass(tmp_path: Path) -> None:
    """No more can be missing than was wanted; a percentage of it is no more than 100."""
    small = f"{NIGHT}, target_ml = 200"
    more = '[rules.own]\nvolume = "200 mL"\n'
    text = FLUSHES.replace('id = "flushing-too-long"', 'id = "own"').replace(
        'field = "activity"\nis = "flushing"', 'field = "shortfall_ml"\nabove = "volume"'
    )
    text = text[: text.index("[[traces]]")] + '[thresholds.volume]\nvalue = "50 mL"\nlooser = "higher"\n'
    text += 'reason = "an invented limit"\nsource = "none"\n' + "".join(
        f'[[traces]]\nname = "{n}"\nuntil = "1 min"\nsteps = [{{ at = "0 s" }}]\n' for n in range(2)
    )
    own(tmp_path, text=text)
    assert seen(tmp_path, "own", IN_SITE, plan(small)) == ("1 of 1 pump", ())
    can_hold, remarks = seen(tmp_path, "own", IN_SITE, plan(small), more=more)
    assert (can_hold, remarks[0]) == (
        "no",
        "volume of 200 mL is never passed: shortfall_ml is 200 mL at most",
    )
    assert remarks[1] == "looser than shipped: volume 200 mL instead of 50 mL, for the site"


def test_what_is_looser_and_for_whom(tmp_path: Path) -> None:
    """At each level, in the rule's own direction; a tighter value is nothing to be said."""
    can_hold, remarks = seen(
        tmp_path,
        "unattended",
        ("[units.ash]", "[units.ash]\nthresholds = { unattended = { patience = '7 min' } }"),
        (PLACE, PLACE + "\nthresholds = { unattended = { patience_high = '3 min', patience = '1 min' } }"),
        more=SECOND + "[rules.unattended]\npatience = '7 min'\n",
    )
    assert (can_hold, remarks) == (
        "2 of 2 pumps",
        (
            "looser than shipped: patience 7 min instead of 5 min, for the site, unit ash",
            "looser than shipped: patience_high 3 min instead of 2 min, for pump-1",
        ),
    )


def test_the_threshold_of_the_device_decides(tmp_path: Path) -> None:
    """What a pump itself has counts before its unit's and the site's."""
    changes = (
        plan(NIGHT),
        ("[units.elm]", "[units.elm]\nthresholds = { idle-past-limit = { patience = '11 h' } }"),
    )
    assert seen(tmp_path, "idle-past-limit", *changes)[0] == "no"
    less = (
        f"plan = {{ {NIGHT} }}",
        f"plan = {{ {NIGHT} }}\nthresholds = {{ idle-past-limit = {{ patience = '5 min' }} }}",
    )
    assert seen(tmp_path, "idle-past-limit", *changes, less)[0] == "1 of 1 pump"


def test_what_is_switched_off(tmp_path: Path) -> None:
    """With its reason; a rule of the site in its place is said to be one."""
    more = "[rules.chattering]\noff = 'bedside alarms are on trial'\n"
    assert seen(tmp_path, "chattering", more=more) == (
        "switched off",
        ("reason: bedside alarms are on trial",),
    )
    own(tmp_path, ('id = "flushing-too-long"', 'id = "chattering"'))
    in_place = (
        "the site's own, in the place of the shipped one, which is switched off: bedside alarms are on trial"
    )
    assert seen(tmp_path, "chattering", IN_SITE, more=more) == ("1 of 1 pump", (in_place,))


def test_it_is_printed_as_a_table(tmp_path: Path) -> None:
    """After errors and warnings, one line a remark, in columns; what stands in the file cannot break the lines."""
    out = io.StringIO()
    more = "[rules.chattering]\noff = 'on trial'\n[rules.unattended]\npatience = '7 min'\n"
    assert report(written(tmp_path, plan(NIGHT), more=SECOND + more), out, now=NOW) == 0
    lines = out.getvalue().splitlines()
    first = lines.index("What each rule can do here, by this file:")
    assert lines.index("Allowed, but worth a second look:") < first
    table = lines[first + 1 : lines.index("", first)]
    column = table[0].index("remarks")
    assert {line[column - 2 : column].strip() for line in table[1:-1]} == {""}
    (chattering,) = [line for line in table if line.startswith("  chattering ")]
    assert re.split(r"  +", chattering.strip()) == ["chattering", "switched off", "reason: on trial"]
    begin = next(n for n, line in enumerate(table) if line.startswith("  over-plan "))
    assert [line[column:] for line in table[begin : begin + 2]] == [
        "1: no highest rate; no plan with windows",
        "never high: no highest rate",
    ]
    assert table[-1] == "  A plan that is not in this file may still come from a bridge."
    assert lines[-1] == "Nothing is wrong."


def test_of_a_site_that_cannot_be_read_nothing_is_said(tmp_path: Path) -> None:
    """Without its table [site] all that would be said of rules is guessed."""
    out = io.StringIO()
    assert report(written(tmp_path, ('setting = "ward"', "setting = 3")), out, now=NOW) == 1
    assert "What each rule can do here" not in out.getvalue()


def test_many_pumps_are_gathered(tmp_path: Path) -> None:
    """20,000 pumps take no longer than what differs between them: a second of processor time is far more."""
    lines = [f"pump-{n + 2},elm,b{n},b{n},20:00-06:00" for n in range(20_000)]
    head = "id,unit,place,pager_place,windows"
    (tmp_path / "pumps.csv").write_text("\n".join([head, *lines]), encoding="utf-8")
    examined = examine(written(tmp_path, ("[site]", '[site]\ndevices_csv = "pumps.csv"')))
    began = time.process_time()
    rules = {file.rule.id: file.rule for file in examined.rules}
    found = {said.rule: said for said in outlooks(examined.found, rules)}
    assert time.process_time() - began < 1
    assert found["behind-plan"].can_hold == "20000 of 20001 pumps"
