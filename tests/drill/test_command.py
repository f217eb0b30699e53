"""`secondbell drill` against a real service: real broker, mail and paging servers, and processes that are killed."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.drill import command as drill_command
from tests.night import ELM, Ward, until, ward
from tests.test_recording import again, live
from tests.ward_site import site_text

AT_ONCE = '[times]\nlateness = "0 s"\ngather = "0 s"\n'  # so that a drill takes a second, not eight


@contextlib.asynccontextmanager
async def running(folder: Path, more: str = "") -> AsyncIterator[Ward]:
    """A ward whose service runs by the wall clock and has read what the broker had; `more` of its site file."""
    async with ward(folder) as made:
        text = site_text(made.broker.address, smtp=made.smtp.port, snpp=made.snpp.port)
        made.write_site(text + AT_ONCE + more)
        made.monitor.arguments = ("--record", str(folder / "kept"))
        await made.monitor.start()
        await until(lambda: bool(made.happened("caught-up")), "the backlog to be read")
        yield made


async def drill(made: Ward, *more: str) -> asyncio.subprocess.Process:
    """The command as a process of its own."""
    return await asyncio.create_subprocess_exec(
        sys.executable, "-m", "monitor", "drill", "--unit", "elm", "--site", str(made.site_file), *more,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, env={**os.environ, "PYTHONWARNINGS": "error"},
    )  # fmt: skip


async def said(process: asyncio.subprocess.Process) -> tuple[int, list[str], str]:
    """Its exit status and what it has printed, at its end."""
    async with asyncio.timeout(30):
        out, err = await process.communicate()
    assert process.returncode is not None
    return process.returncode, out.decode().splitlines(), err.decode()


async def paged(made: Ward, pager: str = "4101") -> str:
    """The code in the page of a drill, once there is one."""
    await until(
        lambda: any(p.pager == pager and p.text.startswith("DRILL ") for p in made.snpp.pages),
        "the drill's page",
    )
    return made.code(pager)


def subjects(made: Ward) -> list[str]:
    """The subjects of all mails so far."""
    return [str(mail.message["Subject"]).strip() for mail in made.smtp.mails]


async def test_it_goes_the_whole_way_and_tells_each_leg(tmp_path: Path) -> None:
    """Published, back from the broker, held, called, taken by SNPP and SMTP, accepted: printed with times, exit 0."""
    async with running(tmp_path / "ward") as made:
        process = await drill(made)
        code = await paged(made)
        forged = {
            "specversion": "1.0", "id": "drill-x", "source": "urn:bridge:drill", "type": "secondbell.device-state.v1",
            "subject": "drill-elm", "time": "2026-03-14T22:00:00Z",
            "data": {"sequence": 9, "activity": "idle", "alarms": []},
        }  # fmt: skip
        await made.publish((f"{ELM}/drill-elm/state", json.dumps(forged).encode()))
        await until(
            lambda: made.quarantined().get("reserved-name") == 1, "the forged message to be put aside"
        )
        accepted = await made.command("accept", code, "--as", "nurse-1")
        assert (
            accepted.stdout == "Accepted: the drill of elm has reached you. Nothing else is asked of you.\n"
        )
        status, lines, err = await said(process)
        assert (status, err) == (0, "")
        assert lines[0].startswith("Drill of elm, medium priority, to the unit's ladder. It waits 10 min")
        words = [line[16:] for line in lines[1:-1]]
        assert words[:3] == [
            "the made-up alarm was published",
            "it came back from the broker, as any pump's message does",
            "the rule unattended held",
        ]
        assert {word.partition(":")[0] for word in words[3:-1]} == {
            "night nurse 1 was called by pager",
            "night nurse 2 was called by mail",
            "pager took it for night nurse 1",
            "mail took it for night nurse 2",
        }
        assert words[-1] == "night nurse 1 accepted"
        assert lines[-1].startswith("ACCEPTED: it would have reached night nurse 1 in ")
        await until(lambda: "DRILL OVER" in subjects(made)[-1], "the stand-down by mail")
        assert all(subject.startswith("DRILL ") for subject in subjects(made))
        assert [entry["detail"]["outcome"] for entry in made.happened("drill-ended")] == ["accepted"]
        assert not made.happened("device-not-listed")
        await until(lambda: again(made)[0] == live(made) != [], "its recording to be replayed exactly")
        assert await made.monitor.stop() == 0
        reconciled = await made.command("reconcile")
        assert (reconciled.returncode, reconciled.stderr) == (0, "")


@pytest.mark.long
async def test_it_outlives_a_service_that_is_killed_and_can_be_stopped(tmp_path: Path) -> None:
    """SIGKILL in mid-drill: after the restart it goes on; Ctrl-C then ends it, and whoever was told hears so."""
    async with running(tmp_path / "ward") as made:
        process = await drill(made, "--to", "nurse-1", "--priority", "high")
        await paged(made)
        await made.monitor.kill()
        await made.monitor.start()
        await until(lambda: bool(made.happened("caught-up")[1:]), "the backlog to be read")
        assert process.stdout is not None
        async with asyncio.timeout(10):
            while b"the drill goes on" not in (line := await process.stdout.readline()):
                assert line, "the command has ended"
        process.send_signal(signal.SIGINT)
        status, lines, err = await said(process)
        assert (status, lines[-1]) == (1, "Stopped; whoever was told hears it.")
        assert "Traceback" not in err
        await until(lambda: len(made.snpp.pages) == 2, "the page that it is over")
        assert made.snpp.pages[1].text.startswith("DRILL WITHDRAWN HIGH made-up pump of elm")
        assert {page.pager for page in made.snpp.pages} == {"4101"}
        [ended] = made.happened("drill-ended")
        assert ended["detail"]["outcome"] == "stopped"


def test_without_a_service_it_says_that_it_needs_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody listens: one line that says so, exit status 1; a wait that cannot be is refused as usage."""
    assert main(["drill", "--unit", "elm", "--state", str(tmp_path)]) == 1
    err = capsys.readouterr().err
    assert "no service is listening" in err
    assert err.rstrip().endswith(
        "A drill needs the running service: it goes the way that a real trouble goes"
    )
    assert main(["drill", "--unit", "elm", "--state", str(tmp_path), "--wait", "5 s"]) == 2
    assert "1 min to 2 h" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("legs", "outcome", "why", "words"),
    [
        (
            [
                ["sent", 48_000, {"person": "night nurse 1", "carrier": "pager"}],
                ["accepted", 125_000, {"person": "night nurse 1"}],
            ],
            "accepted", "",
            "ACCEPTED: it would have reached night nurse 1 in 48.0 s, and was accepted after 2 min 5 s.",
        ),
        (
            [["accepted", 30_000, {"person": "charge nurse"}]], "accepted", "",
            "ACCEPTED: charge nurse accepted it 30.0 s after it began.",
        ),
        (
            [["sent", 48_000, {"person": "night nurse 1", "carrier": "pager"}]],
            "missed", "nobody accepted it within 10 min",
            "MISSED: nobody accepted it within 10 min. It was taken by pager for night nurse 1.",
        ),
        (
            [], "put-off", "real trouble is open",
            "PUT OFF: real trouble is open. Nobody was called; let it run again when that is over.",
        ),
        (
            [], "cut-short", "a real trouble has come up, which goes first",
            "CUT SHORT: a real trouble has come up, which goes first.",
        ),
    ],
)  # fmt: skip
def test_verdicts(legs: list[object], outcome: str, why: str, words: str) -> None:
    """Each way in which a drill ends is said in one line."""
    assert drill_command.verdict({"legs": legs, "started": 0, "outcome": outcome, "why": why}) == words


def test_its_help_says_what_it_does(capsys: pytest.CaptureFixture[str]) -> None:
    """The help warns that it waits for real trouble, and tells the exit statuses."""
    assert main(["drill", "--help"]) == 0
    assert "gives way to one" in " ".join(capsys.readouterr().out.split())
