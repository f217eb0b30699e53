"""The figures of `compare` and `sweep` as tables for a terminal."""

from __future__ import annotations

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from monitor.backtest.compare import Compared
from monitor.backtest.measures import ANSWERS, CAUTION, Measures, Rules, Story
from monitor.backtest.sweep import Swept
from monitor.core.instants import show, show_duration
from monitor.core.load import BANDS, HOUR

WIDE = 160  # characters of a table that goes into a file
MOST_LISTED = 40  # concerns that are in one only; the JSON has all

_ACCEPTABLE, _MANAGEABLE = BANDS[HOUR]
BANDS_SAID = (
    f"Bands by ISA-18.2, for one person: up to {_ACCEPTABLE} an hour acceptable, up to {_MANAGEABLE} manageable, above "
    "that over. Nurse-hours are hours on duty of everybody who has a duty."
)


def print_compared(compared: Compared, console: Console) -> None:
    """Both sites side by side, rule by rule, then the concerns that are in one only."""
    for name, label, found in zip(compared.names, "AB", compared.measures, strict=True):
        console.print(f"{label}: {name} (site {found.site})", markup=False)
    console.print(_period(compared.measures[0]), markup=False)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("rule", ""):
        table.add_column(heading, no_wrap=True)
    for heading in (
        "raised", "told", "settled", "over by\nitself in\n2 min", "holding\nto first\nnotice",
        "trouble\nto first\nnotice", "first\nnotices", "a nurse-\nhour", "worst\n10 min", "all\nnotices",
        "a nurse-\nhour",
    ):  # fmt: skip
        table.add_column(heading, justify="right")
    for rule, one, other in compared.rows():
        first, second = _rule_cells(one), _rule_cells(other)
        differs = [a != b for a, b in zip(first, second, strict=True)]
        table.add_row(rule or "all rules", "A", *first)
        marked = [
            Text(cell + "*", "bold") if odd else cell for cell, odd in zip(second, differs, strict=True)
        ]
        table.add_row("", "B", *marked, end_section=True)
    console.print(table)
    console.print("* another than with A")
    _print_nurses(compared, console)
    if compared.alike:
        console.print("No difference: every concern and every notice is the same.")
    for label, mine in zip("AB", compared.only(), strict=True):
        _print_only(label, mine, console)
    _print_cautions(console)


def print_swept(swept: Swept, console: Console) -> None:
    """A line for each value."""
    asked = swept.wanted
    console.print(f"{asked.rule.id}, {asked.key}: {asked.rule.thresholds[asked.key].reason}", markup=False)
    console.print(_period(swept.played[0].measures), markup=False)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in (
        "value", "concerns", "a device-\nday", "over by\nitself in\n2 min", "holding\nto first\nnotice",
        "trouble\nto first\nnotice", "first\nnotices of\nthe rule", "first\nnotices of\nall rules",
        "all, nobody\naccepting", "worst\n10 min",
    ):  # fmt: skip
        table.add_column(heading, justify="right")
    for value, found in swept.points():
        rule, every = found.of(asked.rule.id), found.asked()
        marks = [
            said
            for said, at in (("shipped", asked.shipped), ("this site's", asked.site))
            if at == value and (said == "shipped" or asked.site != asked.shipped)
        ]
        table.add_row(
            f"{', '.join(marks)}: {value}" if marks else str(value), str(rule.raised),
            number(found.per_device_day(asked.rule.id)), share(rule.soon), delay(rule.delay), delay(rule.begun),
            number(rule.asked.first_per_nurse_hour), _banded(every.first_per_nurse_hour, every.band),
            _banded(every.all_per_nurse_hour, every.band_all), str(every.worst),
        )  # fmt: skip
    console.print(table)
    console.print(
        "Notices are for each nurse-hour; the worst 10 min are those of one person, first notices of all rules."
    )
    if asked.shipped not in asked.values:
        console.print(f"Shipped: {asked.shipped}, which is none of these values.")
    if asked.site not in (*asked.values, asked.shipped):
        console.print(f"This site's: {asked.site}, which is none of these values.")
    _print_cautions(console)


def _print_nurses(compared: Compared, console: Console) -> None:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("person", "", "hours on duty", "first notices", "an hour", "worst 10 min", "all notices"):
        table.add_column(heading, justify="left" if heading in ("person", "") else "right", no_wrap=True)
    by_site = [{nurse.person: nurse for nurse in found.nurses()} for found in compared.measures]
    for person in sorted({*by_site[0], *by_site[1]}):
        for label, nurses in zip("AB", by_site, strict=True):
            if (nurse := nurses.get(person)) is None:
                table.add_row(person, label, *["-"] * 5)
                continue
            table.add_row(
                person, label, f"{nurse.hours:.1f}", str(nurse.first), _banded(nurse.first_per_hour, nurse.band),
                str(nurse.worst), str(nurse.all),
            )  # fmt: skip
    console.print(table)


def _print_only(label: str, stories: list[Story], console: Console) -> None:
    console.print(f"Only with {label}: {len(stories)}")
    for story in stories[:MOST_LISTED]:
        over = "open at the end" if story.over is None else f"over {show(story.over)}"
        console.print(
            f"  {show(story.raised)}  {story.rule}  {story.subject}  {story.priority}  {over}",
            markup=False,
            soft_wrap=True,
        )
    if len(stories) > MOST_LISTED:
        console.print(f"  and {len(stories) - MOST_LISTED} more: --format json has all")


def _print_cautions(console: Console) -> None:
    for text in (BANDS_SAID, ANSWERS, CAUTION):
        console.print(text, markup=False)


def _period(found: Measures) -> str:
    return (
        f"{show(found.since)} to {show(found.until)}, {found.messages} messages, {found.devices} devices, "
        f"{found.device_days:.1f} device-days"
    )


def _rule_cells(found: Rules) -> list[str]:
    asked = found.asked
    return [
        str(found.raised), str(found.told), str(found.settled), share(found.soon), delay(found.delay),
        delay(found.begun), str(asked.first), _banded(asked.first_per_nurse_hour, asked.band), str(asked.worst),
        str(asked.all), _banded(asked.all_per_nurse_hour, asked.band_all),
    ]  # fmt: skip


def _banded(value: float | None, band: object) -> str:
    return number(value) if band is None else f"{number(value)} {band}"


def number(value: float | None) -> str:
    """A number with two digits after the point, "-" for none."""
    return "-" if value is None else f"{value:.2f}"


def share(value: float | None) -> str:
    """A share in percent."""
    return "-" if value is None else f"{100 * value:.0f} %"


def delay(ms: int | None) -> str:
    """A delay as a duration."""
    return "-" if ms is None else show_duration(ms)
