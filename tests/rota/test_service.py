"""The rota of a real service: a swap taken by command, a file that breaks, a kill while it is broken."""

from __future__ import annotations

from pathlib import Path

from tests.adapters.calendars import calendar, event
from tests.night import SECOND, TEN, raised, ward
from tests.ward_site import site_text

SERIES = ("DTSTART:20260301T200000", "DTEND:20260302T080000", "RRULE:FREQ=DAILY", "LOCATION:elm")


async def test_a_swap_and_a_broken_file_over_a_kill(tmp_path: Path) -> None:
    """Read by `reload` while it runs; broken, the last good one goes on, also through SIGKILL and a start."""
    async with ward(tmp_path / "night") as made:
        text = site_text(made.broker.address, smtp=made.smtp.port, snpp=made.snpp.port)
        duty = text[text.index("[[duty]]") : text.index('[[duty]]\nperson = "charge"')]
        made.write_site(
            text.replace(duty, "").replace('name = "larkfield"', 'name = "larkfield"\nrota_dir = "rota"')
        )
        rota = made.folder / "rota" / "elm.ics"
        rota.parent.mkdir()
        rota.write_text(calendar(event(*SERIES, summary="nurse: nurse-2")))
        await made.monitor.start(TEN)
        await made.step(TEN)
        await made.step(TEN + 2 * SECOND)

        rota.write_text(calendar(event(*SERIES)))
        taken = await made.monitor.ask("reload")
        assert taken == {"ok": True, "text": "The rota is read: it counts from now on."}
        await raised(made)
        assert {page.pager for page in made.snpp.pages} == {"4101"}
        assert not any("night2" in mail.recipients[0] for mail in made.smtp.mails)

        rota.write_text(calendar(event(*SERIES, summary="nurse: Mary")))
        refused = await made.command("reload")
        assert refused.returncode == 1
        assert "SUMMARY = 'Mary': a person of the site file: " in refused.stdout
        await made.monitor.kill()
        await made.monitor.start(made.now)
        await made.step(made.now + 2 * SECOND)
        pages = len(made.snpp.pages)
        await raised(made, device="pump-0102")
        assert {page.pager for page in made.snpp.pages[pages:]} >= {"4101"}
        assert [entry["detail"] for entry in made.happened("rota-unread")] == [{"problems": 1}] * 2
        assert "Mary" not in made.monitor.log_file.read_text()  # what a calendar says may name somebody
        assert "Mary" not in str(made.trail())
        assert any("rota cannot be read" in mail.message["Subject"] for mail in made.smtp.mails)

        rota.write_text(calendar(event(*SERIES)))
        assert (await made.monitor.ask("reload"))["ok"]
        await made.step(made.now + 2 * SECOND)
        assert await made.monitor.stop() == 0
