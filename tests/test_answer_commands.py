"""The answers' commands against a real service: by code and by pump, until a local time, through a SIGKILL."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.adapters.zones import zone_table
from monitor.commands import until_when
from monitor.core.instants import MINUTE, parse
from monitor.core.messages import ANSWERS
from tests.commands import Run
from tests.night import BUTTON, TEN, answer, night, state, until

LONDON = zone_table("Europe/London")
EVENING = parse("2026-03-28T22:00:00Z")  # the clocks go forward at 01:00 UTC


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Iterator[Run]:
    """Commands in this process."""
    with Run(capsys) as running:
        yield running


@pytest.mark.parametrize(
    ("said", "instant"),
    [
        ({"until": "23:30"}, "2026-03-28T23:30:00Z"),
        ({"until": "00:30"}, "2026-03-29T00:30:00Z"),
        ({"until": "2:00"}, "2026-03-29T01:00:00Z"),  # of summer time
        (
            {"until": "01:30"},
            "2026-03-29T01:30:00Z",
        ),  # there is none: RFC 5545 §3.3.5, the offset before the gap
        ({"until": "22:00"}, "2026-03-29T21:00:00Z"),  # this one is just past
        ({"until": "2026-03-29T01:15:00+01:00"}, "2026-03-29T00:15:00Z"),
        ({"until": EVENING + MINUTE}, "2026-03-28T22:01:00Z"),
        ({"for": "1 h 30 min"}, "2026-03-28T23:30:00Z"),
    ],
)
def test_until_when(said: dict[str, object], instant: str) -> None:
    """A local time is the next such; RFC 3339, an instant in ms, or a duration do as well."""
    assert until_when(said, EVENING, LONDON) == parse(instant)


@pytest.mark.parametrize("said", [{"until": "25:00"}, {"until": "soon"}, {"for": "long"}, {"until": True}])
def test_no_time_at_all(said: dict[str, object]) -> None:
    """Said, with what was found."""
    with pytest.raises(ValueError, match=r"is no time such as 02:30|is not a duration"):
        until_when(said, EVENING, LONDON)


def test_every_answer_of_the_contract_is_a_command(run: Run) -> None:
    """Each has its help, which says what it quiets and for how long."""
    for name in (*ANSWERS, "withdraw", "swap", "move"):
        status, out, _ = run(name, "--help")
        assert status == 0
        assert "--as PERSON" in out
        limit = {"hold": "2 h", "away": "60 min", "feed-ended": "30 min"}.get(name)
        assert limit is None or limit in out.replace("\n", " ")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("hold", "pump-1", "--as", "n", "--reason", "x"), "one of the arguments --until --for is required"),
        (("hold", "pump-1", "--as", "n", "--for", "1 h"), "--reason"),
        (("swap", "pump-1", "--as", "n", "--reason", "x"), "NEW"),
        (("move", "pump-1", "--as", "n"), "PLACE"),
    ],
)
def test_what_is_missing_is_said(run: Run, arguments: tuple[str, ...], said: str) -> None:
    """Usage, exit status 2."""
    status, _, err = run(*arguments)
    assert status == 2
    assert said in err


async def test_held_swapped_and_moved_through_a_kill(tmp_path: Path) -> None:
    """On the real socket: a hold keeps quiet over SIGKILL, and at its end the new pump's concern is told."""
    async with night(tmp_path / "ward") as made:
        await made.step(TEN, state(TEN), state(TEN, "pump-0102"))
        stop = TEN + MINUTE
        await made.step(stop, state(stop, activity="held"), state(stop, "pump-0102", activity="finished"))

        async def say(*words: str, ok: bool = True) -> str:
            said = await made.command(*words, "--as", "nurse-1")
            assert (said.returncode, said.stderr) == (0 if ok else 1, ""), said
            return said.stdout

        why = ("--reason", "bath")
        assert "2 h at most, so until 00:01 at the latest" in await say(
            "hold", "pump-0101", "--until", "00:02", *why, ok=False
        )
        assert "25:99" in await say("hold", "pump-0101", "--until", "25:99", *why, ok=False)
        assert "Held until 22:13: bay 1 bed 1." in await say("hold", "pump-0101", "--for", "12 min", *why)
        said = await say("swap", "pump-0101", "pump-0103", "--reason", "its screen is cracked")
        assert "goes on with pump-0103 at bay 1 bed 1" in said
        assert "is at bay 9 bed 9 from now on" in await say(
            "move", "pump-0103", "bay 9 bed 9", "--pager-place", "B9/9"
        )
        await made.step(stop + MINUTE, state(stop + MINUTE, "pump-0103", activity="idle"))
        await made.monitor.kill()
        await made.monitor.start(stop + MINUTE)
        for minute in range(2, 14):
            at = stop + minute * MINUTE
            if minute == 12:
                assert made.happened("raised") == []
            await made.step(at, state(at, "pump-0103", activity="idle"), state(at, activity="held"))
        raised = made.happened("raised")
        assert [(entry["rule"], entry["detail"]["after_hold"]) for entry in raised] == [
            ("idle-past-limit", True)
        ]
        await until(lambda: any("B9/9" in page.text for page in made.snpp.pages), "the page after the hold")
        trail = json.dumps(made.trail())
        assert "bay 9" not in trail
        assert {"held", "hold-ended", "swapped", "place-recorded"} <= {
            entry["event"] for entry in made.trail()
        }


async def test_a_button_that_holds_too_long_is_answered(tmp_path: Path) -> None:
    """By message: what is allowed is taken; what is too long is refused in the trail."""
    async with night(tmp_path / "ward") as made:
        await made.step(TEN, state(TEN))
        await made.step(
            TEN + 1000, (BUTTON, answer("b-1", answer="hold", person="nurse-1", until="2026-03-14T23:00:00Z"))
        )
        await made.step(
            TEN + 2000, (BUTTON, answer("b-2", answer="hold", person="nurse-1", until="2026-03-15T04:00:00Z"))
        )
        assert len(made.happened("held")) == 1
        assert "2 h at most" in made.happened("answer-refused")[0]["detail"]["why"]
