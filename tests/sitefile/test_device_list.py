"""The table of devices beside the site file: what it may say, and what is said of its mistakes."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from monitor.core.messages import Plan, Window
from monitor.settings import examine
from monitor.sitefile.device_list import COLUMNS, read_devices
from tests.sitefile.site_text import loaded, written

IN_SITE = ("[site]", '[site]\ndevices_csv = "pumps.csv"')
HEAD = ",".join(COLUMNS)
FULL = (
    'pump-2,elm,"bay 2, bed 1",b2 b1,"20:00-06:00; 12:00-13:00",900,80.5,125,1.5,yes,closed,'
    "2026-03-14T20:00:00Z,2026-03-14T21:00:00+01:00"
)
WINDOWS = 'times of the local day, such as "20:00-06:00; 12:00-13:00"'
NUMBER = "a number, with a point if it has decimals"


def table(folder: Path, *lines: str, head: str = HEAD, coding: str = "utf-8") -> Path:
    """The table with these lines below its head."""
    path = folder / "pumps.csv"
    path.write_bytes("\n".join([head, *lines, ""]).encode(coding))
    return path


def said(folder: Path, *lines: str, head: str = HEAD) -> list[tuple[str, str, str]]:
    """Every error that such a table makes; each names the table."""
    path = table(folder, *lines, head=head)
    found = examine(written(folder, IN_SITE)).errors
    assert {problem.file for problem in found} <= {str(path)}
    return [(problem.key, problem.value, problem.expected) for problem in found]


@pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("separator", [",", ";"])
def test_a_whole_line(tmp_path: Path, separator: str, coding: str) -> None:
    """With or without a byte order mark, by comma or semicolon: the device with its plan, beside those of the file."""
    full = FULL.replace(",", separator).replace(f"bay 2{separator}", "bay 2,")
    table(tmp_path, full, "", coding=coding, head=HEAD.replace(",", separator))
    site = loaded(tmp_path, IN_SITE).site
    assert list(site.devices) == ["pump-1", "pump-2"]
    device = site.devices["pump-2"]
    assert (device.unit, device.place, device.pager_place) == ("elm", "bay 2, bed 1", "b2 b1")
    hung = 1_773_518_400_000
    assert device.plan == Plan(
        (Window(1200, 360, None), Window(720, 780, None)), 900, 80.5, 125, 1.5, True, "closed", hung, hung
    )


def test_few_columns_and_empty_cells(tmp_path: Path) -> None:
    """Only id and unit are needed; a cell that says there is no risk makes no plan."""
    table(tmp_path, "pump-2,elm,no", " pump-3 , elm ,", head="ID, Unit ,glucose_risk")
    site = loaded(tmp_path, IN_SITE).site
    assert [(name, entry.plan) for name, entry in site.devices.items()] == [
        ("pump-1", None),
        ("pump-2", None),
        ("pump-3", None),
    ]


# One line of the table; then key, value and expectation of the one error that it makes.
ONE_MISTAKE = [
    ("pump-2,oak,,,,,,,,,,,", "line 2, column unit", "'oak'", "one of the units of this file: ash, elm"),
    ("pump 2,elm,,,,,,,,,,,", "line 2, column id", "'pump 2'", "a name of 1 to 64 letters, digits, - or _"),
    (",elm,,,,,,,,,,,", "line 2, column id", "''", "a name of 1 to 64 letters, digits, - or _"),
    ("pump-1,elm,,,,,,,,,,,", "line 2, column id", "'pump-1'",
     "an id of its own; devices.pump-1 of site.toml has it too"),
    ("pump-2,elm,,,,,,,,,,", "line 2", "", "13 cells, as the first line has; there are 12"),
    (f"pump-2,elm,{'x' * 61},,,,,,,,,,", "line 2, column place", f"'{'x' * 59}…", "1 to 60 characters"),
    ("pump-2,elm,,,20:00,,,,,,,,", "line 2, column windows", "'20:00'", WINDOWS),
    ("pump-2,elm,,,20:00-25:00,,,,,,,,", "line 2, column windows", "'20:00-25:00'", WINDOWS),
    ("pump-2,elm,,,,900,,,,,,,", "line 2, column windows", "", "is missing: when feed is due, each day"),
    ('pump-2,elm,,,20:00-06:00,"1,5",,,,,,,', "line 2, column target_ml", "'1,5'", NUMBER),
    ("pump-2,elm,,,20:00-06:00,-5,,,,,,,", "line 2, column target_ml", "'-5'", NUMBER),
    ("pump-2,elm,,,20:00-06:00,nan,,,,,,,", "line 2, column target_ml", "'nan'", NUMBER),
    ("pump-2,elm,,,20:00-06:00,0,,,,,,,", "line 2, column target_ml", "'0'", "more than 0"),
    ("pump-2,elm,,,20:00-06:00,,90,80,,,,,", "line 2, column rate_ml_h", "90", "at most highest_rate_ml_h, 80"),
    ("pump-2,elm,,,20:00-06:00,,,,21,,,,", "line 2, column kcal_per_ml", "'21'", "at most 20"),
    ("pump-2,elm,,,20:00-06:00,,,,,maybe,,,", "line 2, column glucose_risk", "'maybe'",
     "true or false, or yes or no"),
    ("pump-2,elm,,,20:00-06:00,,,,,,soup,,", "line 2, column feed_kind", "'soup'",
     "one of 'closed', 'decanted', 'powder', 'infant'"),
    ("pump-2,elm,,,20:00-06:00,,,,,,,2026-03-14 20:00,", "line 2, column container_hung", "'2026-03-14 20:00'",
     "a time with its zone (RFC 3339), such as 2026-03-14T21:00:00Z"),
    ('pump-2,elm,"bay,,,,,,,,,,', "line 2", "", "comma or semicolon separated values: unexpected end of data"),
]  # fmt: skip


@pytest.mark.parametrize(("line", "key", "value", "expected"), ONE_MISTAKE)
def test_one_mistake_is_said_exactly(tmp_path: Path, line: str, key: str, value: str, expected: str) -> None:
    """With the line and the column that it stands in, and none that only follows from it."""
    assert said(tmp_path, line) == [(key, value, expected)]


def test_all_mistakes_at_once(tmp_path: Path) -> None:
    """Line by line and column by column; a line that is empty or goes over several is counted as an editor does."""
    found = said(
        tmp_path,
        "",
        'pump-2,elm,"two\nlines",,20-21,x,,,,,,,',
        "pump-2,oak,,,,,,,,,,,",
        "pump-3,elm,,,,,,,,,,,",
    )
    assert [(key, expected) for key, _, expected in found] == [
        ("line 3, column target_ml", NUMBER),
        ("line 3, column place", "one line of text without control characters"),
        ("line 3, column windows", WINDOWS),
        ("line 5, column id", "an id of its own; line 3 has it too"),
    ]


@pytest.mark.parametrize(
    ("head", "problems"),
    [
        ("id,unit,bed", [("line 1, column bed", "'bed'", f"one of {', '.join(COLUMNS)}")]),
        ("id,unit,unit", [("line 1, column unit", "", "each column once")]),
        ("id,place", [("line 1, column unit", "", "is missing: each device has one")]),
    ],
)
def test_columns_that_are_not_right(tmp_path: Path, head: str, problems: list[tuple[str, str, str]]) -> None:
    """Nothing is read below a first line that is wrong."""
    assert said(tmp_path, "pump-2,elm,x", head=head) == problems


def test_a_table_that_cannot_be_read(tmp_path: Path) -> None:
    """None there, none in it, and one that is not UTF-8, are said."""
    (error,) = examine(written(tmp_path, IN_SITE)).errors
    assert (error.key, error.value) == ("site.devices_csv", "'pumps.csv'")
    assert error.expected.endswith("cannot be read: No such file or directory")
    assert said(tmp_path, head="") == [("line 1", "", f"a first line with the columns: {', '.join(COLUMNS)}")]
    table(tmp_path, "pump-2,elm,Föhr,,,,,,,,,,", coding="latin-1")
    (error,) = examine(written(tmp_path, IN_SITE)).errors
    assert (error.key, error.expected) == ("line 2", "UTF-8 text; save it as UTF-8")


def test_second_looks_name_the_line_too(tmp_path: Path) -> None:
    """What is allowed and doubtful is said with line and column."""
    path = table(tmp_path, 'pump-2,elm,b,b,"20:00-06:00; 05:00-07:00",2000,80,,,,,,')
    found = examine(written(tmp_path, IN_SITE)).warnings
    assert [(p.file, p.key, p.value) for p in found] == [
        (str(path), "line 2, column windows", "05:00-07:00"),
        (str(path), "line 2, column target_ml", "2000"),
    ]
    assert found[0].expected == "it overlaps with windows[0], 20:00-06:00: no time counts twice"
    assert found[1].expected == "more than the planned rate gives: 880 mL in 11 h"


def test_the_table_is_part_of_what_was_configured(tmp_path: Path) -> None:
    """A change of it is a change of the configuration, which goes into the trail."""
    table(tmp_path, FULL)
    digest = loaded(tmp_path, IN_SITE).digest
    table(tmp_path, FULL.replace("900", "901"))
    assert loaded(tmp_path, IN_SITE).digest != digest


def test_a_hundred_thousand_devices_load_in_seconds(tmp_path: Path) -> None:
    """In processor time, as the machine may have other work: 5 s, where a pump costs about 13 µs."""
    lines = [f"pump-{n},elm,bay {n},b{n},20:00-06:00,900,90,,1.5,no,closed,," for n in range(100_000)]
    path = table(tmp_path, *lines)
    began = time.process_time()
    found = read_devices(path, {}, "site.toml")
    took = time.process_time() - began
    assert (len(found.devices), found.problems) == (100_000, [])
    assert took < 5


def test_the_readme_explains_it() -> None:
    """Each column is named there, and its example is right."""
    page = (Path(__file__).parents[2] / "config" / "README.md").read_text(encoding="utf-8")
    part = page[page.index("## Many pumps") : page.index("## What a plan is for")]
    assert [name for name in COLUMNS if f"`{name}`" not in part] == []
    example = [line.strip() for line in part.splitlines() if line.startswith("    ")]
    assert set(example[0].split(",")) <= set(COLUMNS)
    assert len(example[1].split(",")) == len(example[0].split(","))
