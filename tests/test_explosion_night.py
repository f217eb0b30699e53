"""Many pumps in trouble at once, through the real service: broker, store, mail and pager, a SIGKILL in between."""

from __future__ import annotations

import re
from pathlib import Path

from tests.night import MINUTE, SECOND, Ward, alarm, night, state

PUMPS = [f"pump-{n}" for n in range(60)]  # none of them listed


def mails(ward: Ward, to: str) -> list[str]:
    """The subjects of all mails to one address."""
    return [str(mail.message["Subject"]) for mail in ward.smtp.mails if to in mail.recipients]


def pages(ward: Ward, pager: str) -> list[str]:
    """All pages to one pager."""
    return [page.text for page in ward.snpp.pages if page.pager == pager]


async def test_sixty_pumps_are_six_pages_and_one_answer(tmp_path: Path) -> None:
    """High, killed while the rest are gathered: five at once, then one of all; taken with one code, heard once."""
    async with night(tmp_path / "ward") as made:
        at = made.now + SECOND
        await made.step(at, *[state(at, pump, activity="stopped", alarms=[alarm(at)]) for pump in PUMPS])
        await made.step(at + 2 * MINUTE + 3 * SECOND)  # raised, five told, the others being gathered
        assert len(made.happened("raised")) == len(PUMPS)
        assert len(pages(made, "4101")) == 5
        await made.monitor.kill()
        await made.monitor.start(made.now)
        await made.step(at + 2 * MINUTE + 20 * SECOND)
        told = pages(made, "4101")
        assert len(told) == 6
        assert re.fullmatch(r"HIGH elm: 60 pumps alarm unanswered\..* Code \w{6} takes all 60", told[-1])
        subjects = mails(made, "night2@larkfield.invalid")
        assert len(subjects) == 6
        assert subjects[-1] == "HIGH PRIORITY, unit elm: 60 pumps, alarm unanswered"
        code = told[-1].split("Code ")[1].split()[0]
        said = await made.command("accept", code, "--as", "nurse-1")
        assert said.returncode == 0, said.stderr
        assert said.stdout.startswith("You have 60 in unit elm (alarm unanswered).")
        await made.step(made.now + 10 * SECOND)
        assert mails(made, "night2@larkfield.invalid")[6:] == [
            "TAKEN: HIGH PRIORITY, unit elm: 60 pumps, alarm unanswered"
        ]
        assert {entry["device"] for entry in made.happened("accepted")} == set(PUMPS)
        together = made.happened("told-together")
        assert [len(entry["detail"]["concerns"]) for entry in together] == [60, 60, 60]
        assert (await made.command("trail", "verify")).returncode == 0
        assert (await made.command("reconcile")).returncode == 0
