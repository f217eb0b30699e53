"""`run --record`, and `replay` of what it recorded: the same night again, to the millisecond and the last id.

Nothing that the trail holds is left out of the comparison, whatever it is about: the starts and stops of the process
are in the recording too.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import sqlite3
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.lockfile import KEY_NAME
from monitor.adapters.store_schema import FILE_NAME
from monitor.core.instants import show
from monitor.core.journal import Happening
from monitor.core.site import Site
from monitor.recorded import Input, Line, Recorded, input_line, message_line
from monitor.replay import Traces, as_json, in_order
from monitor.rerun import rerun
from monitor.settings import load
from tests.night import (
    BUTTON,
    ELM,
    MINUTE,
    SECOND,
    SITE_KEY,
    TEN,
    Ward,
    alarm,
    answer,
    raised,
    state,
    until,
    ward,
)

WITHOUT_COUNTERPART: frozenset[str] = frozenset()
"""Events of the trail that a replay does not give: none."""


def live(made: Ward) -> list[dict[str, Any]]:
    """The whole trail, as `replay --format jsonl` writes what happens."""
    found = []
    for entry in made.trail():
        detail = dict(entry.get("detail") or {})
        about: dict[str, Any] = {
            name: entry.get(name) for name in ("event", "concern", "rule", "device", "person", "priority")
        }
        found.append(Happening(at=entry["at"], now=detail.pop("noted", entry["at"]), detail=detail, **about))
    return as_printed(in_order(one for one in found if one.event not in WITHOUT_COUNTERPART))


def as_printed(happened: list[Happening]) -> list[dict[str, Any]]:
    """What the lines of the output say."""
    return [json.loads(as_json(one)) for one in happened]


def again(made: Ward) -> tuple[list[dict[str, Any]], list[str]]:
    """The recording run again in this process, and the doubts that were told."""
    doubts: list[str] = []
    held = Traces([made.folder / "kept"])
    found = printed(held, site_of(made), doubts.append)
    return found, doubts + held.tears


def site_of(made: Ward) -> Site:
    """What the site file says, with the secret of the wards that the tests run."""
    return load(made.site_file, key=SITE_KEY).site


def printed(
    entries: Iterable[Recorded], site: Site, say: Callable[[str], None] = lambda _: None
) -> list[dict[str, Any]]:
    """These inputs run again."""
    return as_printed(in_order(rerun(entries, site, say=say)))


async def replayed(made: Ward, *where: str, kills: int = 0) -> list[dict[str, Any]]:
    """What the command prints for the recording (or these files instead) and the same site file."""
    ran = await made.command("replay", *(where or (str(made.folder / "kept"),)), "--format", "jsonl")
    assert ran.returncode == 0
    assert len(re.findall("torn after line", ran.stderr)) == len(ran.stderr.splitlines()) == kills, ran.stderr
    return [json.loads(line) for line in ran.stdout.splitlines()]


@contextlib.asynccontextmanager
async def recorded(folder: Path, at: int | None = TEN) -> AsyncIterator[Ward]:
    """A ward with its service, which records."""
    async with ward(folder) as made:
        made.monitor.arguments = ("--record", str(folder / "kept"))
        await made.monitor.start(at)
        if at is not None:
            await made.step(at)
            await made.step(at + 2 * SECOND)
        yield made


async def counted(made: Ward, *names: str) -> list[int]:
    """The service's counters of these names."""
    counters = (await made.monitor.ask("state"))["counters"]
    return [counters.get(name, 0) for name in names]


async def eventful(made: Ward) -> None:
    """A night with a little of everything."""
    # Answers: by the right code, by somebody else's, by no code; by a button, twice; refused ones too.
    concern = await raised(made)
    code = made.code("4101")
    assert (await made.monitor.ask("accept", reference="AAAAAA", person="nurse-1"))["ok"] is False
    assert (await made.monitor.ask("accept", reference=code, person="nurse-2"))["ok"] is False
    assert (await made.monitor.ask("accept", reference=code, person="nurse-1", reason="on my way"))["ok"]
    await made.step(made.now + 7)
    back = answer("button-1", concern=concern, answer="hand-back", person="nurse-1")
    await made.step(
        made.now + SECOND, (BUTTON, back), (BUTTON, back), (BUTTON, b"\xff no JSON"), (BUTTON, b"{}")
    )
    # Sends that fail: greylisted, refused for good, and a pager that takes nothing.
    made.smtp.manners.greylist_first = 1
    made.smtp.manners.replies["charge@larkfield.invalid"] = "550 5.1.1 <charge@larkfield.invalid> unknown"
    made.snpp.manners.pagers = frozenset({"4000"})
    at = made.now + SECOND
    empty = [alarm(at, priority="medium", condition="container-empty")]
    await made.step(at, state(at, "pump-0102", activity="stopped", alarms=empty))
    await made.step(at + 8 * MINUTE, state(at + 8 * MINUTE, "pump-0103"))
    made.snpp.manners.pagers = None
    # A plan, withdrawn again; an absurd value; a clock that is off.
    plan = json.loads(state(made.now, "pump-0104")[1]) | {"type": "secondbell.plan.v1"}
    plan["data"] = {"windows": [{"from": "00:00", "to": "24:00"}], "target_ml": 1000, "glucose_risk": True}
    await made.step(made.now + SECOND, (f"{ELM}/pump-0104/plan", json.dumps(plan).encode()))
    await made.step(made.now + SECOND, (f"{ELM}/pump-0104/plan", b""))
    await made.step(made.now + SECOND, state(made.now, "pump-0104", power={"battery_percent": 300}))
    await made.step(made.now + SECOND, state(made.now - 180 * MINUTE, "pump-0105"))
    # A snapshot that is overtaken by a deadline that has fired, and one that is late.
    began = made.now + SECOND
    await made.step(began, state(began, "pump-0106", activity="stopped", alarms=[alarm(began)]))
    await made.step(began + 2 * MINUTE + 5 * SECOND)
    await made.step(made.now + 3, state(began + 2 * MINUTE - SECOND, "pump-0106"))
    await made.step(made.now + 3, state(began - SECOND, "pump-0106", 1))
    assert await counted(made, "overtaken", "late") == [1, 1]


async def without_broker(made: Ward) -> None:
    """The broker goes, for an hour, and comes back with what a bridge had kept."""
    await made.broker.kill()
    await made.monitor.says("broker not there")
    await made.step(made.now + 60 * MINUTE)
    await made.broker.start()
    await until(
        lambda: made.monitor.log_file.read_text().count('"broker there"') >= 2,
        "the broker's return",
        within=60,
    )
    began = made.now - 30 * MINUTE
    backlog = [
        state(began, "pump-0107", activity="stopped", alarms=[alarm(began)]),
        state(made.now, "pump-0107"),
    ]
    await made.step(made.now, *backlog)
    await made.step(made.now + 5 * SECOND)


async def without_disk(made: Ward) -> None:
    """A transaction is refused for a while: what it holds is stored later, unchanged."""
    at = made.now + SECOND
    with contextlib.closing(sqlite3.connect(made.state_dir / FILE_NAME, isolation_level=None)) as db:
        db.execute("BEGIN IMMEDIATE")
        await made.monitor.ask("enter", at=at)
        await made.publish(state(at, "pump-0108", activity="stopped", alarms=[alarm(at)]))
        await made.monitor.says("cannot store")
        db.execute("ROLLBACK")
    await made.step(at)
    await made.step(at + 3 * MINUTE)


@pytest.mark.timeout(300)
async def test_a_night_is_replayed_to_the_millisecond(tmp_path: Path) -> None:
    """Live trail and replay are the same list: alarms, answers, failed sends, no broker, no disk, restarts, a kill."""
    async with recorded(tmp_path / "ward") as made:
        await eventful(made)
        await without_broker(made)
        assert await made.monitor.stop() == 0
        await made.monitor.start(made.now + 90 * SECOND)
        await made.step(made.now + 100 * SECOND, state(made.now + 100 * SECOND, "pump-0109"))
        await without_disk(made)
        await until(lambda: again(made)[0] == live(made), "what is stored to be recorded", within=60)
        await made.monitor.kill()
        await made.monitor.start(made.now + MINUTE)
        await made.step(made.now + 3 * MINUTE)
        assert await made.monitor.stop() == 0
        told = live(made)
        assert await replayed(made, kills=1) == told
        happened = {entry["event"] for entry in told}
        assert {
            "started", "stopped", "raised", "told", "accepted", "handed-back", "answer-refused", "settled", "link-down",
            "link-up", "caught-up", "notice-sent", "notice-try-later", "notice-refused", "quarantined", "plan-changed",
            "fields-dropped", "clock-doubtful",
        } <= happened  # fmt: skip
        assert sum(entry["event"] == "started" for entry in told) == 3
        assert len({entry["concern"] for entry in told}) > 4
        in_order_of_noting = [entry["event"] for entry in made.trail()]
        held = list(Traces([made.folder / "kept"]))
        assert [one.event for one in rerun(held, site_of(made), say=pytest.fail)] == in_order_of_noting
        await assert_mutants_are_found(made, held, told)
        assert_private(made)
        await assert_without_its_key(made, told)
        await assert_elsewhere(made)


async def assert_mutants_are_found(made: Ward, held: list[Recorded], told: list[dict[str, Any]]) -> None:
    """One input left out, or one millisecond later: the comparison fails, whichever it is."""
    telling = ("asked", "attempted", "link-up", "link-down", "note")
    chosen: list[int] = []
    site = site_of(made)
    link = ""
    for n, entry in enumerate(held):
        if isinstance(entry, Input) and entry.kind in telling and not link == entry.kind == "link-down":
            chosen.append(n)  # a further attempt to connect that fails tells nothing new
        link = entry.kind if isinstance(entry, Input) and entry.kind.startswith("link-") else link
    attempts = [n for n in chosen if isinstance(entry := held[n], Input) and entry.kind == "attempted"]
    chosen = sorted({*chosen} - {*attempts} | {*attempts[::20]})
    alarms = [
        n for n, entry in enumerate(held) if isinstance(entry, Line) and b'"condition"' in entry.payload
    ]
    kinds = Counter(entry.kind for n in chosen if isinstance(entry := held[n], Input))
    assert all(kinds[kind] >= 1 for kind in telling), kinds
    for n in chosen + alarms:
        assert printed(held[:n] + held[n + 1 :], site) != told, f"nobody misses {held[n]}"
    for n in chosen:
        later = held[n]._replace(received=held[n].received + 1)
        assert printed([*held[:n], later, *held[n + 1 :]], site) != told, (
            f"nobody sees the delay of {held[n]}"
        )
    for n in (chosen[3], alarms[0]):  # and once by the command
        mutant = made.folder / "mutant" / "2026-03-14T22.jsonl"
        mutant.parent.mkdir(exist_ok=True)
        left = held[:n] + held[n + 1 :]
        mutant.write_bytes(b"".join(message_line(e) if isinstance(e, Line) else input_line(e) for e in left))
        ran = await made.command("replay", str(mutant), "--format", "jsonl")
        assert ran.returncode == 0
        assert [json.loads(line) for line in ran.stdout.splitlines()] != told


def assert_private(made: Ward) -> None:
    """No place, address, code or text of a notice is in what the recorder wrote; its files are for the owner."""
    text = ""
    for entry in Traces([made.folder / "kept"]):
        if isinstance(entry, Input):
            text += input_line(entry).decode()
    assert "nurse-1" in text, "who answered is in it"
    for private in (
        "bay 1 bed",
        "larkfield.invalid>",
        "night1@",
        "charge@",
        r"4101\b",
        "What to check",
        "Elm ward",
    ):
        assert not re.search(rf"\b{private}", text), private
    last = {page.text.split()[-1] for page in made.snpp.pages}
    codes = [
        word for word in last if re.fullmatch("[A-Z0-9]{6}", word)
    ]  # not "sight.", where a page ends with words
    assert codes
    assert not [code for code in codes if code in text]


async def assert_without_its_key(made: Ward, told: list[dict[str, Any]]) -> None:
    """On another machine, without the site's secret: all the same but for what is made with it, and it says so."""
    (made.state_dir / KEY_NAME).unlink()
    ran = await made.command("replay", str(made.folder / "kept"), "--format", "jsonl")
    assert ran.returncode == 0
    assert f"{KEY_NAME}: not there" in ran.stderr

    def without(entries: list[dict[str, Any]]) -> Any:
        text = json.dumps(entries, sort_keys=True)
        text = re.sub(r"\bp:[0-9a-f]{16}", "somebody", text)  # the key of a person
        return json.loads(re.sub(r'("text_sha256": )"[0-9a-f]{64}"', r'\1"a text with a code"', text))

    found = [json.loads(line) for line in ran.stdout.splitlines()]
    assert found != told
    assert without(found) == without(told)


async def assert_elsewhere(made: Ward) -> None:
    """With another site file, without one, and by its rules alone the messages are run in virtual time."""
    kept = str(made.folder / "kept")
    made.site_file.write_text(made.site_file.read_text() + '\n[rules.unattended]\npatience_high = "3 min"\n')
    ran = await made.command("replay", kept)
    assert ran.returncode == 0, ran.stderr
    assert "another site file" in ran.stderr
    assert "raised" in ran.stdout
    rules = await made.command("replay", kept, "--only-rules", "--format", "jsonl")
    assert {json.loads(line)["event"] for line in rules.stdout.splitlines()} <= {
        "holds",
        "ends",
        "priority-raised",
    }
    assert rules.stdout
    assert rules.returncode == 0


async def test_a_wall_clock_run_is_replayed(tmp_path: Path) -> None:
    """By the system's clock, unstepped: a few seconds of messages as fast as they come, replayed to the millisecond."""
    async with recorded(tmp_path / "ward", None) as made:
        from monitor.adapters.clock import SystemClock

        clock = SystemClock()
        for number in range(1, 40):
            at = clock.now()
            alarms = [alarm(at, priority="medium")] if number % 10 < 4 else []
            await made.publish(
                state(at, "pump-0101", number, alarms=alarms, activity="stopped" if alarms else "feeding"),
                state(at, "pump-9999", number),  # a device that is not listed
                (f"{ELM}/pump-0102/state", b"nothing"),
            )
            await asyncio.sleep(0.02)
        assert (await made.monitor.ask("accept", reference="AAAAAA", person="nurse-1"))["ok"] is False
        await until(lambda: again(made)[0] == live(made) != [], "what is stored to be recorded", within=60)
        assert await made.monitor.stop() == 0
        told = live(made)
        assert await replayed(made) == told
        assert {"device-not-listed", "quarantined", "answer-refused", "stopped"} <= {
            entry["event"] for entry in told
        }
        held = list(Traces([made.folder / "kept"]))
        assert sum(isinstance(entry, Line) for entry in held) == 3 * 39
        assert [entry.received for entry in held] == sorted(entry.received for entry in held)


async def test_what_a_kill_has_torn_off_is_named(tmp_path: Path) -> None:
    """Inputs that never reached the disk: how many entries of the trail they led to is said, and the rest is told."""
    async with recorded(tmp_path / "ward") as made:
        await raised(made)
        await made.monitor.kill()
        [file] = (made.folder / "kept").iterdir()
        file.write_bytes(file.read_bytes()[:-120])
        await made.monitor.start(made.now)
        await made.step(made.now + MINUTE)
        assert await made.monitor.stop() == 0
        found, doubts = again(made)
        told = live(made)
        assert any("torn after line" in doubt for doubt in doubts), doubts
        [lacks] = [doubt for doubt in doubts if "that the recording lacks" in doubt]
        lost = int(lacks.split()[-1])
        assert 0 < lost < len(told)
        assert len(found) == len(told) - lost
        after = [entry for entry in told if entry["at"] > show(made.now - SECOND)]
        assert [entry for entry in found if entry["at"] > show(made.now - SECOND)] == after


async def test_a_recording_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    """A full disk under the recording: the night goes on, and the log says that recording pauses."""
    async with ward(tmp_path / "ward") as made:
        (made.folder / "kept").mkdir()
        (made.folder / "kept" / f"{show(TEN)[:13]}.jsonl.gz").symlink_to("/dev/full")
        made.monitor.arguments = ("--record", str(made.folder / "kept"))
        await made.monitor.start(TEN)
        await made.step(TEN + 2 * SECOND)
        await raised(made)
        assert made.snpp.pages
        assert await made.monitor.stop() == 0
        logged = {entry["event"]: entry for entry in made.monitor.log()}
        assert "No space left" in logged["recording pauses"]["why"]
        assert logged["the recording lacks inputs"]["not_recorded"] > 10


async def test_a_folder_that_cannot_be_made_keeps_the_service_from_starting(tmp_path: Path) -> None:
    """Exit status 2 and the folder's name: nobody should believe that it records."""
    async with ward(tmp_path / "ward") as made:
        (made.folder / "file").write_text("")
        ran = await made.command("run", "--record", str(made.folder / "file" / "kept"))
        assert ran.returncode == 2
        assert "file" in ran.stderr
        assert "Traceback" not in ran.stderr
