"""The live service as a process: started, stopped, cut off, answered, and given what no bridge should send."""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import signal
import sqlite3
import stat
from pathlib import Path

import pytest

from monitor.adapters import control
from monitor.adapters.lockfile import KEY_NAME, LOCK_NAME
from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from monitor.core.instants import parse, show
from monitor.core.picture import Picture
from tests.brokers import dead_address, login_settings
from tests.night import (
    BUTTON,
    ELM,
    MINUTE,
    PRESENCE,
    SECOND,
    Ear,
    Monitor,
    answer,
    mended,
    night,
    raised,
    secondbell,
    state,
    ward,
)
from tests.ward_site import site_text

# ---- being there, and not being there ------------------------------------------------------------------------


async def test_it_says_that_it_is_there_and_that_it_has_gone(tmp_path: Path) -> None:
    """Presence is online while it runs and offline after SIGTERM, both retained; it exits with 0, without a socket."""
    async with ward(tmp_path / "ward") as made:
        await made.monitor.start()
        with Ear(made.broker.address, PRESENCE) as ear:
            said = await ear.hears(PRESENCE, lambda said: said["online"])
            assert parse(said["last_step"]) <= parse(said["at"])
            assert (said["stopped"], said["late_ms"], said["unstored_since"]) == (False, 0, None)
        assert await made.monitor.stop() == 0
        with Ear(made.broker.address, PRESENCE) as ear:
            assert (await ear.hears(PRESENCE, lambda said: not said["online"]))["stopped"]
        assert not (made.state_dir / control.SOCKET_NAME).exists()
        assert [entry["event"] for entry in made.trail()][-1] == "stopped"


async def test_its_last_will_says_that_it_was_killed(tmp_path: Path) -> None:
    """After SIGKILL the broker says that it is offline."""
    async with ward(tmp_path / "ward") as made:
        await made.monitor.start()
        with Ear(made.broker.address, PRESENCE) as ear:
            await ear.hears(PRESENCE, lambda said: said["online"])
            await made.monitor.kill()
            assert not (await ear.hears(PRESENCE, lambda said: not said["online"]))["stopped"]


@pytest.mark.long
async def test_its_heart_beats_when_nothing_happens(tmp_path: Path) -> None:
    """Without a single message its presence is said anew within 15 seconds and a little."""
    async with ward(tmp_path / "ward") as made:
        await made.monitor.start()
        with Ear(made.broker.address, PRESENCE) as ear:
            first = await ear.hears(PRESENCE, lambda said: said["online"])
            await asyncio.sleep(11)
            again = await ear.hears(PRESENCE, lambda said: said["at"] != first["at"])
            assert 14_000 < parse(again["at"]) - parse(first["at"]) < 17_000


async def test_a_restart_goes_on_where_it_was(tmp_path: Path) -> None:
    """After a stop the trail says how long the gap was, the concern is still open and its next rung is told in time."""
    async with night(tmp_path / "ward") as made:
        concern = await raised(made)
        called = made.happened("notice-sent")[0]["at"]
        assert await made.monitor.stop() == 0
        await made.monitor.start(made.now + 30 * SECOND)
        await made.step(called + 3 * MINUTE + SECOND)
        assert made.happened("started")[1]["detail"]["gap"] == 30 * SECOND
        rungs = [(e["at"], e["detail"]["why"]) for e in made.happened("called") if e["concern"] == concern]
        assert rungs[1:] == [(called + 3 * MINUTE, "next-rung")]
        assert [e["concern"] for e in made.happened("raised") if e["rule"] == "unattended"] == [concern]


async def test_open_concerns_are_listed_on_the_bus(tmp_path: Path) -> None:
    """A device's list is retained, names nobody, tells whether somebody has it, and is empty once it is settled."""
    async with night(tmp_path / "ward") as made:
        concern = await raised(made)
        topic = f"{ELM}/pump-0101/concerns"
        with Ear(made.broker.address, topic) as ear:
            [listed] = (await ear.hears(topic, lambda said: said["data"]))["data"]
            assert listed == {
                "concern": concern,
                "rule": "unattended",
                "priority": "high",
                "state": "open",
                "since": show(made.happened("raised")[0]["at"]),
                "accepted": False,
            }
            await made.monitor.ask("accept", reference=concern, person="nurse-1")
            await ear.hears(topic, lambda said: said["data"][0]["accepted"])
            assert b"nurse" not in ear.heard[topic]
            await mended(made)
            await ear.hears(topic, lambda said: said["data"] == [])


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
async def test_without_a_broker_it_keeps_trying_serves_and_stops(tmp_path: Path, how: signal.Signals) -> None:
    """No broker: it says so, answers commands meanwhile, connects when one is there, and stops cleanly."""
    async with ward(tmp_path / "ward") as made:
        await made.broker.kill()
        await made.monitor.start(broker=False)
        await made.monitor.says("broker not there")
        said = await made.command("accept", "AAAAAA", "--as", "nurse-1")
        assert (said.returncode, said.stderr) == (1, "")
        assert "no such code" in said.stdout
        await made.broker.start()
        await made.monitor.says("broker there")
        assert await made.monitor.stop(how) == 0


async def test_it_stops_at_once_without_a_broker(tmp_path: Path) -> None:
    """SIGTERM ends a service that never found its broker."""
    async with ward(tmp_path / "ward") as made:
        made.write_site(site_text(dead_address(), smtp=made.smtp.port, snpp=made.snpp.port))
        await made.monitor.start(broker=False)
        await made.monitor.says("broker not there")
        assert await made.monitor.stop() == 0
        assert [entry["event"] for entry in made.trail()][-1] == "stopped"


async def test_a_wrong_login_is_named(tmp_path: Path) -> None:
    """A broker that refuses the password is called that, not "not there" alone, and the password is not shown."""
    (tmp_path / "login").mkdir()
    settings = login_settings(tmp_path / "login", "monitor", "right-one")
    (tmp_path / "password").write_text("wrong-one")
    (tmp_path / "password").chmod(0o600)
    login = f'username = "monitor"\npassword_file = "{tmp_path / "password"}"'
    async with ward(tmp_path / "ward", settings=settings, login=login) as made:
        await made.monitor.start(broker=False)
        await made.monitor.says("login refused by the broker")
        assert "wrong-one" not in made.monitor.log_file.read_text()
        assert await made.monitor.stop() == 0


async def test_a_second_service_is_refused(tmp_path: Path) -> None:
    """Only one may write a state directory: the second says which process has it, and the first goes on."""
    async with ward(tmp_path / "ward") as made:
        await made.monitor.start()
        second = await asyncio.to_thread(secondbell, "run", "--site", str(made.site_file))
        assert second.returncode == 2
        assert (
            f"in use by process {made.monitor.process.pid}; only one monitor can write there" in second.stderr
        )
        assert (await made.monitor.ask("state"))["link"]


async def test_its_files_are_its_owners_alone(tmp_path: Path) -> None:
    """State directory 0700; store, key, lock and control socket 0600."""
    async with ward(tmp_path / "ward") as made:
        made.state_dir.chmod(0o755)
        await made.monitor.start()
        assert stat.S_IMODE(made.state_dir.stat().st_mode) == 0o700
        for name in (FILE_NAME, KEY_NAME, LOCK_NAME, control.SOCKET_NAME):
            assert stat.S_IMODE((made.state_dir / name).stat().st_mode) == 0o600, name


async def test_a_state_directory_may_have_a_long_path(tmp_path: Path) -> None:
    """The socket works beyond the 107 bytes that a Unix socket's address holds."""
    async with ward(tmp_path / "ward") as made:
        long = "/".join(["a" * 60] * 4)
        made.write_site(site_text(made.broker.address, smtp=made.smtp.port, snpp=made.snpp.port, state=long))
        monitor = Monitor(made.site_file, state_dir=made.folder / long)
        try:
            await monitor.start()
            said = await made.command("accept", "AAAAAA", "--as", "nurse-1")
            assert "no such code" in said.stdout
            assert await monitor.stop() == 0
        finally:
            await monitor.kill()


async def test_an_open_line_does_not_hold_up_a_stop(tmp_path: Path) -> None:
    """Somebody connected to the control socket, saying nothing or half a line, is hung up on."""
    async with ward(tmp_path / "ward") as made:
        await made.monitor.start()
        _, silent = await asyncio.open_unix_connection(made.state_dir / control.SOCKET_NAME)
        _, half = await asyncio.open_unix_connection(made.state_dir / control.SOCKET_NAME)
        half.write(b'{"command": "acc')
        await half.drain()
        assert await made.monitor.stop() == 0
        silent.close()
        half.close()


async def test_a_damaged_store_is_refused_in_a_line(tmp_path: Path) -> None:
    """Rows that are not what was written there keep it from starting, without a stack trace."""
    async with night(tmp_path / "ward") as made:
        await made.step(made.now + SECOND, state(made.now + SECOND))
        assert await made.monitor.stop() == 0
        with contextlib.closing(sqlite3.connect(made.state_dir / FILE_NAME)) as db:
            db.execute("UPDATE state SET body = '[1]' WHERE kind = 'device'")
            db.commit()
        again = await asyncio.to_thread(secondbell, "run", "--site", str(made.site_file))
        assert again.returncode == 2
        assert again.stderr.count("\n") >= 1
        assert "secondbell.db: what it holds cannot be read" in again.stderr
        assert "Traceback" not in again.stderr


async def test_a_fault_of_its_own_on_one_message_costs_that_message_only(tmp_path: Path) -> None:
    """It is named in log and quarantine, the next pump is heard, and the service goes on."""
    async with night(tmp_path / "ward") as made:
        at = made.now + SECOND
        await made.step(at, state(at), state(at, "pump-0102"))
        assert await made.monitor.stop() == 0
        with contextlib.closing(sqlite3.connect(made.state_dir / FILE_NAME)) as db:
            [(body,)] = db.execute("SELECT body FROM state WHERE kind = 'device' AND key = 'pump-0102'")
            version, picture, subject = json.loads(body)
            picture[Picture.FIELDS.index("time")] = "soon"  # what only a fault of ours could leave there
            db.execute(
                "UPDATE state SET body = ? WHERE kind = 'device' AND key = 'pump-0102'",
                [json.dumps([version, picture, subject])],
            )
            db.commit()
        await made.monitor.start(at + SECOND)
        await made.step(at + MINUTE, state(at + MINUTE, "pump-0102"), state(at + MINUTE))
        [fault] = [line for line in made.monitor.log() if line["level"] == "critical"]
        assert "TypeError" in json.dumps(fault)
        with StoreReader(made.state_dir) as reader:
            place = Picture.FIELDS.index("time")
            assert json.loads(reader.rows("device")["pump-0101"])[1][place] == at + MINUTE
            assert [kept.reason for kept in reader.quarantine()] == ["engine-fault"]
            assert reader.verify() is None


# ---- answers -------------------------------------------------------------------------------------------------


async def test_accepting_and_its_kin_by_command(tmp_path: Path) -> None:
    """Each answer does what it says, is said back in words, and stands in the trail when the command returns."""
    async with night(tmp_path / "ward") as made:
        concern = await raised(made)
        code = made.code("4101")

        async def say(answer: str, *more: str, reference: str = code) -> str:
            said = await made.command(answer, reference, "--as", "nurse-1", *more)
            assert (said.returncode, said.stderr) == (0, ""), said
            return said.stdout

        assert "You have bay 1 bed 1" in await say("accept", reference=code.lower())
        assert [entry["person"] for entry in made.happened("accepted")] == ["nurse-1"]
        assert (
            "You already have" in (await made.monitor.ask("accept", reference=code, person="nurse-1"))["text"]
        )
        assert "Handed back" in await say("hand-back")
        assert "eclined" in await say("decline")
        assert (await made.monitor.ask("accept", reference=concern, person="nurse-2"))["ok"]
        assert "You have" in await say("take-over")
        assert made.happened("taken-over")[0]["person"] == "nurse-1"
        assert "the feed is over" in await say("feed-ended")
        assert "Withdrawn" in await say("withdraw", "--reason", "sent for repair")
        assert made.happened("withdrawn")[0]["detail"]["reason"] == "sent for repair"


async def test_answers_that_cannot_be_served(tmp_path: Path) -> None:
    """A wrong person or code: exit status 1, one clear line, and nothing changes."""
    async with night(tmp_path / "ward") as made:
        await raised(made)
        code = made.code("4101")
        for reference, person, text in (
            (code, "nurse-9", "nobody here has this id"),
            ("AAAAAA", "nurse-1", "no such code"),
            (code, "nurse-2", "given to somebody else"),
        ):
            said = await made.command("accept", reference, "--as", person)
            assert (said.returncode, said.stderr, said.stdout.count("\n")) == (1, "", 1), said
            assert text in said.stdout
        assert made.happened("accepted") == []


async def test_answers_that_come_too_late(tmp_path: Path) -> None:
    """Somebody else has it, or it is over: the answer says so."""
    async with night(tmp_path / "ward") as made:
        concern = await raised(made)
        assert (await made.monitor.ask("accept", reference=concern, person="nurse-1"))["ok"]
        said = await made.command("accept", concern, "--as", "nurse-2")
        assert "Already with night nurse 1" in said.stdout
        await mended(made)
        over = await made.command("accept", concern, "--as", "nurse-2")
        assert "It ended at 22:05" in over.stdout


async def test_an_answer_that_changes_nothing_is_no_success(tmp_path: Path) -> None:
    """Accepting what somebody else has, or what is over, ends with exit status 1."""
    async with night(tmp_path / "ward") as made:
        concern = await raised(made)
        await made.monitor.ask("accept", reference=concern, person="nurse-1")
        taken = await made.command("accept", concern, "--as", "nurse-2")
        not_hers = await made.command("hand-back", concern, "--as", "nurse-2")
        await mended(made)
        over = await made.command("accept", concern, "--as", "nurse-1")
        assert [taken.returncode, not_hers.returncode, over.returncode] == [1, 1, 1]


async def test_a_withdrawal_needs_a_reason(tmp_path: Path) -> None:
    """Without --reason it is usage, and a blank one is refused."""
    async with night(tmp_path / "ward") as made:
        concern = await raised(made)
        without = await made.command("withdraw", concern, "--as", "nurse-1")
        assert (without.returncode, "--reason" in without.stderr) == (2, True)
        blank = await made.command("withdraw", concern, "--as", "nurse-1", "--reason", "  ")
        assert (blank.returncode, "say why" in blank.stdout) == (1, True)
        assert made.happened("withdrawn") == []


async def test_an_answer_to_no_service(tmp_path: Path) -> None:
    """Nobody is listening: exit status 1, and the line names the socket."""
    async with ward(tmp_path / "ward") as made:
        said = await made.command("accept", "AAAAAA", "--as", "nurse-1")
        assert (said.returncode, said.stdout) == (1, "")
        assert f"{made.state_dir / control.SOCKET_NAME}: no service is listening" in said.stderr


async def test_a_bedside_button_answers_over_mqtt(tmp_path: Path) -> None:
    """An answer by message is taken once by its id; one that cannot be served stands in the trail with why."""
    async with night(tmp_path / "ward") as made:
        concern = await raised(made)
        accept = answer("button-1", concern=concern, answer="accept", person="nurse-1")
        await made.step(made.now + SECOND, (BUTTON, accept), (BUTTON, accept))
        assert [(e["person"], e["concern"]) for e in made.happened("accepted")] == [("nurse-1", concern)]
        assert made.happened("accepted-again") == []
        await made.step(made.now + SECOND, (BUTTON, answer("button-2", answer="accept", person="nobody")))
        [refused] = made.happened("answer-refused")
        assert "nobody here has this id" in refused["detail"]["why"]
        await made.step(made.now + SECOND, (BUTTON, answer("button-3", answer="hand-back", person="nurse-1")))
        assert {entry["person"] for entry in made.happened("handed-back")} == {"nurse-1"}
        assert concern in [entry["concern"] for entry in made.happened("handed-back")]


async def test_the_control_socket_takes_nonsense(tmp_path: Path) -> None:
    """Whatever is sent to the socket is answered by a line that says what was wrong, and the service goes on."""
    async with night(tmp_path / "ward") as made:
        for line, text in (
            (b"\n", "one JSON object"),
            (b"[]\n", "one JSON object"),
            (b"\xff\xfe\n", "one JSON object"),
            (b"[" * 60_000 + b"\n", "one JSON object"),
            (b"{}\n", "no such command: None"),
            (b'{"command": ["accept"]}\n', "no such command"),
            (b'{"command": "enter", "at": "soon"}\n', "no such command"),
            (b'{"command": "accept", "reference": {}, "person": 7}\n', "nobody here has this id"),
            (b" " * 70_000 + b"\n", "at most 65536 bytes"),
        ):
            reader, writer = await asyncio.open_unix_connection(made.state_dir / control.SOCKET_NAME)
            writer.write(line)
            said = json.loads(await asyncio.wait_for(reader.readline(), 10))
            assert said["ok"] is False
            assert re.search(text, said["text"]), (line[:30], said)
            writer.close()
        assert (await made.monitor.ask("state"))["ok"]
