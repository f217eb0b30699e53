"""An answer that cannot be stored: the phone is told not to count on it, and does not wait for ever."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.commands import STOPPING, Commands
from monitor.core.effects import Asked
from monitor.testing import Bench
from monitor.web import pages
from monitor.web.views import Opened
from tests.sitefile.site_text import loaded

TABLE = '\n[pages]\nlisten = "127.0.0.1:8780"\nbase_url = "https://bell.example.invalid"\n'


def made(folder: Path, given: list[object]) -> tuple[pages.Pages, Commands]:
    """Pages whose answers go nowhere: nothing is ever stored."""
    settings = loaded(folder, more=TABLE)
    engine = Bench(settings.site).engine
    commands = Commands(engine, give=given.append, now=lambda: 0, stepped=None, reload=None)
    return pages.Pages(settings, engine, commands, now=lambda: 0, refused=lambda _: None), commands


OPENED = Opened("aaaaaaaaaaaa", "nurse", (), False, 0)


async def test_an_answer_that_is_not_stored_in_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It was given to the engine, by page; the phone hears that it is not stored, and to go to the pump."""
    monkeypatch.setattr(pages, "PATIENCE", 0.01)
    given: list[object] = []
    served, _ = made(tmp_path, given)
    assert await served._answer("accept", OPENED, None, None) == (False, pages.UNSTORED)
    [asked] = given
    assert isinstance(asked, Asked)
    assert (asked.reference, asked.person, asked.via) == ("aaaaaaaaaaaa", "nurse", "page")


async def test_an_answer_while_the_service_stops(tmp_path: Path) -> None:
    """Nothing was done, and the phone hears so."""
    served, commands = made(tmp_path, [])
    commands.refuse()
    assert await served._answer("accept", OPENED, None, None) == (False, STOPPING)
