"""What `secondbell check` and `secondbell init` do: everything of a site read and judged, and a new one begun."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Literal, NamedTuple, TextIO

from monitor.adapters.carriers import without_controls
from monitor.core.problems import Problem
from monitor.core.traces import trace_problems
from monitor.outlook import Outlook, outlooks
from monitor.rota.check import look
from monitor.settings import Examined, Unreadable, examine, settings_of
from monitor.shipped import shipped

FOUND_NOTHING, FOUND_WRONG, UNREADABLE = 0, 1, 2


def check(path: Path, *, now: int) -> tuple[list[Problem], list[Problem]]:
    """All errors and all warnings of a site: its file, the shipped rules with their traces, its own rules, its rota.

    Raises Unreadable for a file that cannot be read or is not TOML.
    """
    judged = _judged(examine(path), now)
    return [*judged.errors, *judged.rota], judged.warnings


def report(path: Path, out: TextIO, *, now: int) -> int:
    """Print what `check` finds; 0 if nothing is wrong (warnings or not), 1 if something is, 2 if not readable.

    `now` (ms UTC) is from when on it is looked for holes in the rota.
    """
    try:
        examined = examine(path)
    except Unreadable as error:
        _print(out, "This file cannot be read", error.problems, str(path))
        return UNREADABLE
    errors, rota, warnings, holes = _judged(examined, now)
    _print(out, "Wrong; the service does not start with this", errors, str(path))
    _print(
        out,
        "Wrong in the rota; a service goes on with the last good one, and does not start without",
        rota,
        str(path),
    )
    _print(out, "Allowed, but worth a second look", warnings, str(path))
    for title, lines in holes:
        print(f"{title}:", *(f"  {without_controls(line)}" for line in lines), "", sep="\n", file=out)
    _print_outlooks(out, examined)
    print(without_controls(_read(examined)), file=out)
    wrong = len(errors) + len(rota)
    verdict = "Nothing is wrong." if not wrong else f"{_count(wrong, 'thing is', 'things are')} wrong."
    print(verdict, file=out)
    return FOUND_WRONG if wrong else FOUND_NOTHING


SERVICE_FILES = (
    "secondbell.service",
    "secondbell-watch.service",
    "watch.toml",
    "mosquitto.conf",
    "mosquitto.acl",
)
"""What a site needs besides to run without anybody at a terminal."""


def init(folder: Path, setting: Literal["ward", "home"], *, service: bool = False) -> list[Path]:
    """Begin a site: the sample for its setting, README.md and a sample rota; FileExistsError overwrites nothing.

    With `service` what runs it without a terminal too: units, the watch's file, the broker's files.
    """
    source = shipped("config")
    made = {folder / "site.toml": source / f"{setting}.toml", folder / "README.md": source / "README.md"}
    made[folder / "rota" / "rota.ics"] = source / f"{setting}-rota.ics"
    made |= {folder / name: source / name for name in SERVICE_FILES if service}
    for path in made:
        if path.exists() or path.is_symlink():
            raise FileExistsError(f"{path} is there already; nothing was written")
    folder.mkdir(parents=True, exist_ok=True)
    for path, sample in made.items():
        path.parent.mkdir(exist_ok=True)
        with path.open("xb") as file:
            file.write(sample.read_bytes())
    return list(made)


class _Judged(NamedTuple):
    """What is wrong, what is wrong in the rota's calendars alone, what is worth a second look, and the rota's holes."""

    errors: list[Problem]
    rota: list[Problem]
    warnings: list[Problem]
    holes: tuple[tuple[str, tuple[str, ...]], ...]


def _judged(examined: Examined, now: int) -> _Judged:
    traces = [
        problem
        for file in examined.shipped  # the site's own have run in `examine`
        for problem in trace_problems(file.rule, file.file)
    ]
    if examined.errors:  # what else is wrong, the rota cannot be held against
        return _Judged([*examined.errors, *traces], [], list(examined.warnings), ())
    looked = look(examined.found, settings_of(examined, key=b""), now)
    return _Judged(traces, list(looked.errors), [*examined.warnings, *looked.warnings], looked.lines)


def _print(out: TextIO, title: str, problems: Sequence[Problem], file: str) -> None:
    """The problems under a title; the name of the site file is not repeated in every line."""
    if not problems:
        return
    print(f"{title}:", file=out)
    for problem in problems:
        shown = problem._replace(file=Path(file).name) if problem.file == file else problem
        print(f"  {without_controls(str(shown))}", file=out)  # a key may hold anything
    print(file=out)


def _print_outlooks(out: TextIO, examined: Examined) -> None:
    """What each rule can do at this site, as a table."""
    rules = {file.rule.id: file.rule for file in examined.rules}
    found = [*outlooks(examined.found, rules, examined.replaced)]
    if not found or examined.found.site is None:
        return  # of a site that could not be read there is nothing to be said
    rows = [Outlook("rule", "can hold for", ("remarks",)), *found]
    first, second = (max(len(row[column]) for row in rows) for column in (0, 1))
    print("What each rule can do here, by this file:", file=out)
    for rule, can_hold, remarks in rows:
        for number, remark in enumerate(remarks or ("",)):
            cells = (rule, can_hold) if number == 0 else ("", "")
            line = f"  {cells[0]:{first}}  {cells[1]:{second}}  {remark}"
            print(without_controls(line.rstrip()), file=out)
    print("  A plan that is not in this file may still come from a bridge.\n", file=out)


def _read(examined: Examined) -> str:
    found = examined.found
    units = ", ".join(
        f"{(table.called or name)} ({_count(sum(d.unit == name for d in found.devices.values()), 'device')})"
        for name, table in found.units.items()
    )
    folder = found.site.rota_dir if found.site is not None else None
    calendars = "" if folder is None else f" and those of the calendars in {folder}"
    off = sum(table.off is not None and name not in examined.replaced for name, table in found.rules.items())
    return (
        f"Read {found.path}: {units or 'no unit'}; {_count(len(found.people), 'person', 'people')},"
        f" {_count(len(found.carriers), 'carrier')}, {_count(len(found.ladders), 'ladder')},"
        f" {_count(len(found.duty), 'duty', 'duties')}{calendars}; {_count(len(examined.rules), 'rule')},"
        f" {off} of them switched off."
    )


def _count(number: int, one: str, many: str | None = None) -> str:
    return f"{number} {one if number == 1 else many or f'{one}s'}"
