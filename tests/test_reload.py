"""A running service that is told to reload: a right site file is taken, a wrong one changes nothing and is named."""

from __future__ import annotations

import signal
from pathlib import Path

from tests.night import MINUTE, SECOND, Ward, alarm, night, raised, state, until

SHORTER = '[units.elm.thresholds.unattended]\npatience_high = "1 min"\n'
WRONG = '[units.elm.thresholds.unattended]\nno_such = "1 min"\n[rules.nonesuch]\noff = "a reason"\n'
LATE = """
[carriers.late]
kind = "email"
host = "mail.example.invalid"
sender = "bell@example.invalid"
"""
UNUSABLE = {
    'username = "bell"\npassword_env = "BELL_NEVER_SET"\n': "carriers.late: what it needs: the environment variable",
    'ca_file = "site.toml"\n': "carriers.late.ca_file = 'site.toml': certificates to trust (PEM): no certificate",
}


async def rings(ward: Ward, device: str) -> int:
    """Let a high alarm ring at a pump; how long it took until that was unattended, in ms."""
    at = ward.now + SECOND
    await ward.step(at, state(at, device, activity="stopped", alarms=[alarm(at)]))
    await ward.step(at + 3 * MINUTE)
    [found] = [e for e in ward.happened("raised") if (e["device"], e["rule"]) == (device, "unattended")]
    return int(found["at"]) - at


async def test_a_wrong_site_file_changes_nothing(tmp_path: Path) -> None:
    """Each mistake is said, the trail has their number, and what ran goes on: by command and by SIGHUP.

    Also what only shows when it is used, as a port that is taken: the service must not end by it.
    """
    async with night(tmp_path / "night") as ward:
        ward.write_site(ward.site_file.read_text() + WRONG)
        done = await ward.command("reload")
        assert done.returncode == 1
        assert "no_such" in done.stdout
        assert "nonesuch" in done.stdout
        right = ward.site_file.read_text()
        for wrong, said in UNUSABLE.items():
            ward.write_site(right.replace(WRONG, "") + LATE + wrong)
            done = await ward.command("reload")
            assert (done.returncode, said in done.stdout) == (1, True), done.stdout
        ward.write_site(f'{right.replace(WRONG, "")}[health]\nlisten = "127.0.0.1:{ward.smtp.port}"\n')
        done = await ward.command("reload")
        assert (done.returncode, "health.listen" in done.stdout) == (1, True), done.stdout
        ward.write_site(right)
        ward.monitor.process.send_signal(signal.SIGHUP)
        log = ward.monitor.log_file
        await until(lambda: log.read_text().count("reload refused") == 7, "both mistakes, once more")
        assert await rings(ward, "pump-0101") == 2 * MINUTE
        assert [entry["detail"] for entry in ward.happened("reload-refused")] == [
            {"problems": 2},
            *[{"problems": 1}] * 3,
            {"problems": 2},
        ]
        assert len(ward.happened("started")) == 1


async def test_a_right_site_file_is_taken(tmp_path: Path) -> None:
    """The same process goes on with it: open concerns stay open, and new limits hold from then on."""
    async with night(tmp_path / "night") as ward:
        concern = await raised(ward)
        unchanged = await ward.command("reload")
        assert (unchanged.returncode, "nothing was changed" in unchanged.stdout) == (0, True)
        process = ward.monitor.process.pid
        ward.write_site(ward.site_file.read_text() + SHORTER)
        done = await ward.command("reload")
        assert done.returncode == 0, done.stdout + done.stderr
        await until(lambda: len(ward.happened("started")) == 2, "the second start")
        await ward.monitor.serves_again()
        assert (ward.monitor.process.pid, ward.monitor.process.returncode) == (process, None)
        await ward.step(ward.now + 2 * SECOND)
        assert len(ward.happened("configuration-changed")) == 2
        assert await rings(ward, "pump-0102") == MINUTE
        said = await ward.monitor.ask("accept", reference=concern, person="nurse-1")
        assert said["ok"], said
        assert await ward.monitor.stop() == 0
