"""What is published of a device's open concerns, and when."""

from __future__ import annotations

import json

import pytest

from monitor.core.gsm7 import SINGLE, septets
from monitor.testing import Bench, ward
from tests.core.explosions import by_mail, full_ward, lose_mains
from tests.core.stories import mended, unattended

TOPIC = "secondbell/v1/larkfield/elm/pump-1/concerns"


def said(bench: Bench) -> dict[str, object]:
    """The list as it stands on the bus."""
    found: dict[str, object] = json.loads(bench.published[TOPIC])
    return found


def test_a_list_is_published_when_it_changes_and_not_for_each_notice() -> None:
    """Told, told again on the next rung: nothing new for others. Accepted, and settled: each is."""
    bench = unattended()
    first = said(bench)
    bench.at("00:16:00")
    bench.assert_told("charge")
    assert said(bench) == first
    bench.accept("charge", "pump-1")
    accepted = said(bench)
    assert accepted["id"] != first["id"]
    bench.pass_by("1 min")  # the nurses hear who has it
    assert said(bench) == accepted
    mended(bench)
    bench.pass_by("2 min")
    assert said(bench)["data"] == []


def test_after_a_start_the_list_is_published_anew() -> None:
    """What is on the bus may be from long ago: the first list after a start is never held back."""
    bench = unattended()
    first = said(bench)
    bench.restart()
    again = said(bench)
    assert again["data"] == first["data"]
    assert again["id"] != first["id"]


def test_messages_that_change_nothing_publish_nothing() -> None:
    """A pump that goes on ringing has the same list as before, however often it reports."""
    bench = unattended()
    first = said(bench)
    for _ in range(5):
        bench.pass_by("30 s")
        bench.snapshot("pump-1")
    assert said(bench) == first


@pytest.mark.parametrize("broken", ["mail", "page", "many_mail", "many_page"])
def test_a_text_that_cannot_be_written_is_told_plainly(broken: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault of ours in one text stops nothing: place, what and code go out, and the trail says so without words."""

    def fault(*_: object) -> None:
        raise ValueError("bay 3 bed 1 of somebody")

    monkeypatch.setattr(f"monitor.core.teller.{broken}", fault)
    bench = full_ward(7, people=by_mail() if "mail" in broken else ward().people)
    lose_mains(bench, 15, *list(bench.site.devices)[: 7 if "many" in broken else 1])
    bench.pass_by("1 min 10 s")
    told = bench.assert_told("nurse-1")
    text = f"{told.subject}\n{told.text}"
    codes = [bench.code("nurse-1", one.subject) for one in bench.engine.responsibility.in_order()]
    assert any(f": battery nearly flat, not on mains. Code {code}" in text for code in codes)
    assert "MEDIUM B1/" in text or all(code in text for code in codes)
    assert "mail" in broken or septets(told.text) <= SINGLE
    faults = [one.detail["fault"] for one in bench.happened if one.event == "notice-fault"]
    assert set(faults) == {"ValueError"}
