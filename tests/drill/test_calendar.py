"""Drills by calendar: when they are due, what the site file may say of them, and who hears that one was missed."""

from __future__ import annotations

import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import structlog
from apscheduler.schedulers.asyncio import AsyncIOScheduler

from monitor.drill import calendar as drill_calendar
from monitor.sitefile.drill_table import DrillTable
from monitor.testing import ward
from tests.drill.test_command import running
from tests.night import until
from tests.sitefile.site_text import errors, loaded, warnings

TWICE = '[[drills]]\nunit = "elm"\nat = "01:30"\ndays = ["mon", "sun"]\n'


def test_what_the_site_file_says_of_a_drill(tmp_path: Path) -> None:
    """Its defaults: every day, medium, ten minutes, the unit's ladder."""
    [drill, other] = loaded(tmp_path, more=TWICE).drills
    assert drill == DrillTable.model_validate({"unit": "elm", "at": "10:00"})
    assert (drill.days, drill.priority, drill.wait, drill.to) == (
        ("mon", "tue", "wed", "thu", "fri", "sat", "sun"), "medium", 600_000, None
    )  # fmt: skip
    assert (other.at, other.days) == (90, ("mon", "sun"))


@pytest.mark.parametrize(
    ("drill", "key", "value", "wanted"),
    [
        ('unit = "oak"\nat = "10:00"', "drills[1].unit", "'oak'", "one of the units of this file: ash, elm"),
        (
            'unit = "elm"\nat = "10:00"\nto = "x"', "drills[1].to", "'x'",
            "one of the people of this file: manager, nurse, technical",
        ),
        (
            'unit = "elm"\nat = "24:00"', "drills[1].at", "'24:00'",
            'a time of the local day in quotation marks, "00:00" to "23:59"',
        ),
        ('unit = "elm"\nat = "10:00"\nwait = "30 s"', "drills[1].wait", "'30 s'", 'a duration from "1 min" to "2 h"'),
    ],
)  # fmt: skip
def test_one_mistake_is_said_exactly(tmp_path: Path, drill: str, key: str, value: str, wanted: str) -> None:
    """Key, value and what is expected."""
    assert errors(tmp_path, more=f"[[drills]]\n{drill}\n") == [(key, value, wanted)]


def test_no_pump_may_be_called_as_drills_are(tmp_path: Path) -> None:
    """A pump's name that begins with drill- would make its trouble nobody's."""
    [(key, value, wanted)] = errors(tmp_path, ("[devices.pump-1]", "[devices.drill-1]"))
    assert (key, value) == ("devices.drill-1", "'drill-1'")
    assert wanted.startswith("another name")


def test_a_unit_without_a_drill_is_worth_a_second_look(tmp_path: Path) -> None:
    """One line names the units with pumps that no drill by calendar reaches; one to a single person does not count."""
    wanted = "none by calendar for elm: only a drill shows whether its people would be reached tonight"
    assert warnings(tmp_path, ("unit = 'elm'", "unit = 'ash'")) == [("drills", "", wanted)]
    assert warnings(tmp_path, ("unit = 'elm'", "unit = 'elm'\nto = 'technical'")) == [("drills", "", wanted)]


def test_when_it_is_due() -> None:
    """At its local time on its days, an hour of UTC earlier in summer.

    The instants are counted by hand; the days of the clock change (29 March 2026, 01:00 UTC) by the tz database.
    """
    trigger = drill_calendar.trigger(
        DrillTable.model_validate({"unit": "elm", "at": "10:00", "days": ("sat", "mon")}), "Europe/London"
    )
    found, last = [], None
    now = datetime.datetime(2026, 3, 27, 12, tzinfo=datetime.UTC)
    for _ in range(3):
        last = trigger.get_next_fire_time(last, now)
        assert last is not None
        now = last + datetime.timedelta(seconds=1)
        found.append(last.astimezone(datetime.UTC).isoformat())
    assert found == ["2026-03-28T10:00:00+00:00", "2026-03-30T09:00:00+00:00", "2026-04-04T09:00:00+00:00"]


class Serving:
    """As much of a service as the calendar needs: what it is asked for, and its answer."""

    def __init__(self, answer: dict[str, Any], *drills: DrillTable) -> None:
        self.asked: list[dict[str, Any]] = []
        self.site = ward(zone_name="Europe/London")
        self.settings = SimpleNamespace(drills=drills)
        self._answer = answer

    async def drill(self, **said: Any) -> dict[str, Any]:
        """Kept."""
        self.asked.append(said)
        return self._answer


async def test_the_calendar_asks_the_service() -> None:
    """Each drill of the site file is a job that asks for it by calendar, late by minutes at most, else left out."""
    table = DrillTable.model_validate({"unit": "elm", "at": "10:00", "to": "charge", "wait": "5 min"})
    serving = Serving({"ok": True, "text": "a1"}, table)
    scheduler = AsyncIOScheduler(timezone="Europe/London")
    drill_calendar.schedule(scheduler, serving)  # type: ignore[arg-type]
    [job] = scheduler.get_jobs()
    assert job.misfire_grace_time == drill_calendar.GRACE
    await job.func(*job.args)
    assert serving.asked == [
        {"unit": "elm", "to": "charge", "priority": "medium", "wait": 300_000, "by": "calendar"}
    ]


async def test_a_drill_that_is_refused_is_logged() -> None:
    """One is under way already: the log says so, and nothing is raised."""
    table = DrillTable.model_validate({"unit": "elm", "at": "10:00"})
    with structlog.testing.capture_logs() as logs:
        await drill_calendar.begin(Serving({"ok": False, "text": "No drill was begun."}), table)  # type: ignore[arg-type]
    assert logs == [{"event": "drill", "unit": "elm", "why": "No drill was begun.", "log_level": "warning"}]


@pytest.mark.long
async def test_it_begins_by_itself(tmp_path: Path) -> None:
    """A drill of the site file that is due within the minute: the page comes without anybody asking."""
    due = datetime.datetime.now(ZoneInfo("Europe/London")) + datetime.timedelta(minutes=1, seconds=15)
    more = f'[[drills]]\nunit = "elm"\nat = "{due:%H:%M}"\nto = "charge"\n'
    async with running(tmp_path / "ward", more) as made:
        await until(lambda: bool(made.smtp.mails), "the drill's mail", within=100)
        [entry] = made.happened("drill-asked")
        assert (entry["detail"]["by"], entry["detail"]["unit"]) == ("calendar", "elm")
