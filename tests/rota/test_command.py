"""`secondbell rota` and the holes that `secondbell check` lists."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.checking import init, report
from monitor.cli import main
from monitor.core.instants import DAY, HOUR, parse
from monitor.core.ladders import Ladder, Rung
from monitor.core.rota import Rota, Span
from monitor.rota.check import MOST_LINES
from monitor.rota.holes import empty_ladders, holes, stretches
from monitor.testing import ward
from tests.adapters.calendars import calendar, event
from tests.night import alarm, state
from tests.sitefile.site_text import written

NOW = parse("2026-10-20T09:00:00Z")
NIGHT = ("DTSTART:20260105T200000", "DTEND:20260106T080000", "RRULE:FREQ=DAILY", "LOCATION:elm")
DAYTIME = ("DTSTART:20260105T080000", "DTEND:20260105T200000", "RRULE:FREQ=DAILY", "LOCATION:elm")


def site(folder: Path, *events: str) -> Path:
    """A site whose nurses stand in a calendar: nights and days, of elm alone."""
    path = written(folder, ("[site]", '[site]\nrota_dir = "rota"'))
    text = path.read_text()
    start = text.index("[[duty]]")
    end = min((at for at in (text.find("\n[", start + 3),) if at >= 0), default=len(text))
    path.write_text(text[:start] + text[end:])
    (folder / "rota").mkdir(exist_ok=True)
    nights = event(*NIGHT, "EXDATE:20261022T200000", uid="night", summary="nurse: nurse")
    days = event(*DAYTIME, uid="day", summary="nurse: manager")
    (folder / "rota" / "r.ics").write_text(calendar(nights, days, *events))
    return path


Printed = Callable[..., tuple[int, str, str]]


@pytest.fixture
def printed(capsys: pytest.CaptureFixture[str]) -> Printed:
    """`secondbell rota` with these arguments: its status, and what it printed."""

    def run(*arguments: str) -> tuple[int, str, str]:
        status = main(["rota", *arguments])
        return status, *capsys.readouterr()

    return run


def test_who_is_on_duty_at_a_time(tmp_path: Path, printed: Printed) -> None:
    """By unit and role, since when and until when, local; NOBODY where nobody is, and the status says so."""
    path = str(site(tmp_path))
    status, shown, wrong = printed("--site", path, "--at", "2026-10-24 23:00", "--unit", "elm")
    assert (status, wrong) == (0, "")
    assert shown.splitlines()[:4] == [
        "On duty at Sat 24 Oct 2026 23:00, Europe/London:",
        "",
        "elm",
        "  nurse  night nurse (nurse)  since Sat 24 Oct 20:00, until Sun 25 Oct 08:00",
    ]
    status, missing, _ = printed("--site", path, "--at", "2026-10-22T21:00:00Z", "--unit", "elm")
    assert status == 1
    assert "  nurse  NOBODY  since Thu 22 Oct 20:00, until Fri 23 Oct 08:00" in missing.splitlines()


def test_a_week(tmp_path: Path, printed: Printed) -> None:
    """Rows of shifts with their true length over the change of clocks, holes in them."""
    path = str(site(tmp_path))
    status, shown, _ = printed("--site", path, "--week", "2026-10-22", "--unit", "elm")
    assert status == 1
    lines = shown.splitlines()
    assert lines[0] == "From Thu 22 Oct 00:00 to Thu 29 Oct 00:00, Europe/London:"
    assert "  Thu 22 Oct 20:00 to Fri 23 Oct 08:00  12 h  NOBODY" in lines
    assert "  Sat 24 Oct 20:00 to Sun 25 Oct 08:00  13 h  night nurse (nurse)" in lines
    assert len([line for line in lines if line.startswith("  ")]) == 15


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--at", "tonight"), "--at 'tonight'"),
        (("--week", "2026-13-01"), "--week '2026-13-01': a date such as 2026-03-14"),
        (("--unit", "cellar"), "--unit 'cellar': one of ash, elm"),
    ],
)
def test_what_was_asked_wrongly(
    tmp_path: Path, printed: Printed, arguments: tuple[str, ...], said: str
) -> None:
    """A time, date or unit that is none: what is expected, and status 2."""
    status, shown, wrong = printed("--site", str(site(tmp_path)), *arguments)
    assert (status, shown) == (2, "")
    assert said in wrong


def checked(path: Path, now: int = NOW) -> tuple[int, str]:
    """What `check` says."""
    out = io.StringIO()
    return report(path, out, now=now), out.getvalue()


def test_check_lists_every_hole(tmp_path: Path) -> None:
    """Of each unit and role that a ladder names, local, with the weekday; holes are no errors."""
    status, text = checked(site(tmp_path))
    assert status == 0
    assert "Nobody is on duty, in the coming 4 weeks:\n" in text
    assert "  elm, nurse: Thu 22 Oct 20:00 to Fri 23 Oct 08:00 (12 h)\n" in text
    assert "  ash, nurse: the whole 4 weeks; is it written in the same way in ladders and rota?\n" in text
    assert (
        "so that only the last resort would be told, in the coming 4 weeks:\n  elm, high priority: Thu 22"
        in text
    )


def test_many_holes_are_counted(tmp_path: Path) -> None:
    """No more than 20 lines of a kind, and how many more there are."""
    path = site(tmp_path)
    (tmp_path / "rota" / "r.ics").write_text(calendar(event(*NIGHT, summary="nurse: nurse")))
    _, text = checked(path)
    assert text.count(" elm, nurse: ") == MOST_LINES
    assert "\n  and 10 more\n" in text


def test_a_broken_rota_is_an_error_of_check(tmp_path: Path) -> None:
    """Named with file, event, day, value and what is expected; the status is 1."""
    path = site(tmp_path, event(*NIGHT, uid="x", summary="nurse: ghost"))
    status, text = checked(path)
    assert status == 1
    wanted = "rota/r.ics: event 3 (UID x) of 2026-10-19 20:00: SUMMARY = 'ghost': a person of the site file: "
    assert wanted in text
    title = "Wrong in the rota; a service goes on with the last good one, and does not start without:"
    assert text.startswith(f"{title}\n  {tmp_path}/rota/r.ics: ")
    assert text.endswith("\n1 thing is wrong.\n")


def test_a_wait_too_short_for_somebody_of_the_rota(tmp_path: Path) -> None:
    """As with [[duty]]: all ways to a person must have been tried before the wait is over."""
    path = site(tmp_path)
    text = path.read_text().replace('limit = "10 s"', 'limit = "2 min"')
    path.write_text(text)
    status, said = checked(path)
    assert (status, "longer than" in said) == (0, True)


@pytest.mark.parametrize("setting", ["ward", "home"])
def test_the_sample_rota_fits_the_sample_site(tmp_path: Path, setting: str) -> None:
    """With `rota_dir` and without [[duty]]: nothing wrong, and nobody missing in the four weeks."""
    made = init(tmp_path / "site", "ward" if setting == "ward" else "home")
    text = made[0].read_text().replace("# rota_dir", "rota_dir")
    start = text.index("\n[[duty]]")
    made[0].write_text(text[:start] + text[text.index("\n# ----", start) :])
    assert b"\r\n" in made[2].read_bytes()  # RFC 5545 §3.1
    status, said = checked(made[0])
    assert (status, "Nobody" in said) == (0, False)


def test_a_ladder_is_empty_only_where_all_its_rungs_are() -> None:
    """Two roles with different holes: only where they overlap is nobody told but the last resort."""
    ladder = Ladder((Rung(("role:nurse",), 1), Rung(("role:charge", "person:day-1"), 1)))
    made = ward([], units=("elm",), ladders={("*", "medium"): ladder})
    spans = [
        Span("nurse-1", "nurse", "elm", 0, 10 * HOUR),
        Span("charge", "charge", "*", 0, 5 * HOUR),
        Span("charge", "charge", "*", 12 * HOUR, 20 * HOUR),
        Span("day-1", "porter", "*", 15 * HOUR, 22 * HOUR),
    ]
    rota = Rota(spans)
    assert [(h.what, h.start // HOUR, h.end // HOUR) for h in holes(made, rota, 0, DAY)] == [
        ("nurse", 10, 24), ("charge", 5, 12), ("charge", 20, 24),
    ]  # fmt: skip
    found = {(h.start // HOUR, h.end // HOUR) for h in empty_ladders(made, rota, 0, DAY)}
    assert found == {(10, 12), (22, 24)}
    on_call = Rota(spans[:3])  # whoever is in no rota is always on call
    assert [*empty_ladders(made, on_call, 0, DAY)] == []


spans = st.lists(
    st.builds(
        lambda person, start, length: Span(person, "nurse", "*", start, start + length),
        st.sampled_from("abc"),
        st.integers(0, 40),
        st.integers(1, 30),
    ),
    max_size=6,
)


@given(spans)
def test_stretches_and_holes_are_what_is_looked_up_instant_by_instant(listed: list[Span]) -> None:
    """Against `on_duty` at every instant."""
    rota = Rota(listed)
    made = ward([], units=("elm",), ladders={("*", "medium"): Ladder((Rung(("role:nurse",), 1),))})
    found = stretches(rota.of_role("elm", "nurse"), 0, 60)
    at_each = {at: one.people for one in found for at in range(one.start, one.end)}
    assert at_each == {at: rota.on_duty("elm", "nurse", at) for at in range(60)}
    empty = {at for hole in holes(made, rota, 0, 60) for at in range(hole.start, hole.end)}
    assert empty == {at for at in range(60) if not rota.on_duty("elm", "nurse", at)}


def test_a_replay_knows_who_was_on_duty(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A trace of a past night is told to whom the calendars had then."""
    path = site(tmp_path)
    at = parse("2026-10-21T21:00:00Z")
    trace = tmp_path / "trace.jsonl"
    told = [
        state(at + minute * 60_000, "pump-1", activity="stopped", alarms=[alarm(at)]) for minute in range(6)
    ]
    trace.write_bytes(b"".join(payload + b"\n" for _, payload in told))
    assert main(["replay", str(trace), "--site", str(path), "--format", "jsonl"]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    (called,) = [line for line in lines if line["event"] == "called" and line["rule"] == "unattended"][:1]
    assert called["detail"]["empty"] == []
