"""The record of a real service: heads on the broker and by mail, checked from outside after kill and tampering."""

from __future__ import annotations

import asyncio
import dataclasses
import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.adapters.clock import SystemClock
from monitor.core.heads import read
from monitor.running import _run, open_service
from monitor.sitefile.heads_table import HeadsTable
from tests.commands import Run
from tests.night import PREFIX, SECOND, TEN, Ear, mended, raised, state, ward
from tests.trails import checked, raw

HEAD = f"{PREFIX}/monitor/night/head"


async def test_a_night_proved_from_outside(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Signed at start, at a stop, by a new key; a kill does no harm; what is changed later is found and named."""
    async with ward(tmp_path / "ward") as made:
        made.write_site()
        made.site_file.write_text(made.site_file.read_text() + '[heads]\nto = "technical"\n')
        with Ear(made.broker.address, HEAD) as ear:
            await made.monitor.start(TEN)
            await ear.hears(HEAD, lambda told: told is not None)
            early = tmp_path / "early.json"
            early.write_bytes(ear.heard[HEAD])
            old = tmp_path / "old.pub"
            shutil.copy(made.state_dir / "trail.pub", old)
            await made.step(made.now)
            await made.step(made.now + 2 * SECOND)
            concern = await raised(made)
            await mended(made)
            refused = await made.monitor.ask("forget", name="nurse-1")
            assert (refused["ok"], "under [people]" in refused["text"]) == (False, True)
            await made.step(made.now + SECOND, state(made.now + SECOND, "pump-0999"))
            refused = await made.monitor.ask("forget", name="pump-0999")
            assert (refused["ok"], "is still watched" in refused["text"]) == (False, True)
            turned = await made.command("trail", "key", "--rotate")
            assert (turned.returncode, "signs from now on" in turned.stdout) == (0, True), turned
            await ear.hears(HEAD, lambda told: told["head"]["key"] != read(early.read_text()).key)
            await made.monitor.kill()
            await made.monitor.start(made.now + SECOND)
            made.now += SECOND
            await made.step(made.now + 2 * SECOND)
            assert await made.monitor.stop() == 0
            await ear.hears(HEAD, lambda told: told["head"]["size"] == len(made.trail()))
        mail = next(m for m in made.smtp.mails if "record of larkfield" in str(m.message["Subject"]))
        saved = tmp_path / "head.eml"
        saved.write_bytes(mail.message.as_bytes())
        with Run(capsys) as run:
            proved(run, made.site_file, tmp_path, concern)
            tampered(run, made.state_dir, tmp_path)


async def test_heads_come_by_calendar(tmp_path: Path) -> None:
    """Under the machine's clock a head follows another without anybody asking."""
    async with ward(tmp_path / "ward") as made:
        await asyncio.to_thread(made.write_site)
        service, lock = open_service(made.site_file, SystemClock())
        often = HeadsTable.model_construct(to=None, at=7 * 60, every=200)
        service.settings = dataclasses.replace(service.settings, heads=often)
        running = asyncio.create_task(_run(service, made.site_file, 0, chores=True))
        with lock, Ear(made.broker.address, HEAD) as ear:
            first = await ear.hears(HEAD, lambda told: told is not None)
            await ear.hears(HEAD, lambda told: told["head"]["at"] > first["head"]["at"])
            service.stop()
            await running
    verdict = checked(made.state_dir)
    assert verdict.findings == []
    assert len(verdict.heads) >= 3


def proved(run: Run, site: Path, outside: Path, concern: str) -> None:
    """Verified with what was kept outside; an entry and the whole way from the first head proved to somebody else."""
    place = ("--site", str(site))
    heads = ("--head", str(outside / "early.json"), "--head", str(outside / "head.eml"))
    status, out, err = run("trail", "verify", *heads, "--key", str(outside / "old.pub"), *place)
    assert (status, err) == (0, ""), out
    assert out.startswith("whole: ")
    assert "compared with 2 heads that were kept elsewhere" in out
    assert "signed: 4 heads" in out, "start, new key, start, stop"
    status, out, _ = run("trail", "show", concern, *place)
    assert (status, "settled: " in out) == (0, True)
    for name, arguments in (
        ("entry.json", ("prove", "4")),
        ("way.json", ("prove", "--from", str(outside / "early.json"))),
    ):
        status, out, _ = run("trail", *arguments, "--out", str(outside / name), *place)
        assert (status, f"check_proof.py {outside / name}" in out) == (0, True)
    assert run("trail", "checker", "--out", str(outside / "check_proof.py"))[0] == 0
    new = outside / "new.pub"
    shutil.copy(site.parent / "state" / "trail.pub", new)
    for proof in ("entry.json", "way.json"):
        done = subprocess.run(
            [sys.executable, "-I", "check_proof.py", proof, "--key", "old.pub", "--key", "new.pub"],
            cwd=outside, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert (done.returncode, done.stdout.startswith("proved: ")) == (0, True), done
    status, out, _ = run("trail", "prove", "99999", *place)
    assert status == 1
    status, out, _ = run("trail", "key", *place)
    assert (status, read((outside / "early.json").read_text()).key in out) == (0, False)


def tampered(run: Run, state: Path, outside: Path) -> None:
    """An entry changed, a key gone, a head forged or of another site: found and named; bad files are bad input."""
    copy = outside / "copy"
    place = ("--state", str(copy))
    shutil.copytree(state, copy, ignore=shutil.ignore_patterns("*.sock"))
    mail, key = ("--head", str(outside / "head.eml")), ("--key", str(outside / "old.pub"))
    with raw(copy) as db:
        db.execute(
            "UPDATE trail SET text = replace(CAST(text AS TEXT), 'unattended', 'unattendEd') WHERE n = 4"
        )
    status, out, _ = run("trail", "verify", *place)
    assert (status, out.startswith("NOT whole, first at entry 4: entry 4 was edited")) == (1, True), out
    shutil.rmtree(copy)
    shutil.copytree(state, copy, ignore=shutil.ignore_patterns("*.sock"))
    for name in ("trail.key", "trail.pub"):
        (copy / name).unlink()
    assert run("trail", "key", *place)[0] == 1
    assert run("trail", "key", "--rotate", *place)[0] == 1, "the key that signed is not there"
    told = json.loads((outside / "early.json").read_text())
    other = outside / "other.json"
    for change, status in (({"site": "oakfield"}, 2), ({"size": 3}, 1)):
        told["head"] |= change
        other.write_text(json.dumps(told, sort_keys=True, separators=(",", ":")))
        assert run("trail", "verify", "--head", str(other), *place)[0] == status, change
        told["head"]["site"] = "larkfield"
    for bad in (
        ("--head", str(outside / "old.pub")),
        ("--key", str(other)),
        ("--head", str(outside / "none")),
    ):
        found, _, err = run("trail", "verify", *bad, *place)
        assert (found, err.startswith(f"secondbell: {bad[1]}: ")) == (2, True)
    assert run("trail", "verify", *mail, *key, *place)[0] == 0
    shutil.rmtree(copy)
