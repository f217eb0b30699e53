"""The record keeper beside a real engine, store and mail server: heads, keys, retention, names; and a stopped store."""

from __future__ import annotations

import asyncio
import contextlib
import gzip
import re
import shutil
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any, TypeVar

import pytest

from monitor.adapters.carriers import Attempt, Parcel
from monitor.adapters.email import EmailCarrier
from monitor.adapters.mqtt import BrokerAddress
from monitor.adapters.store import SqliteStore
from monitor.adapters.store_heads import finish_pruning, last_key, prune_texts, to_prune
from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from monitor.adapters.trail_keys import NEXT, PRIVATE, PUBLIC, next_key, trail_key
from monitor.core.engine import Engine
from monitor.core.heads import KEY_CHANGED, KEY_LOST, PRUNED, read
from monitor.core.instants import DAY, HOUR
from monitor.core.parts import Loaded
from monitor.core.site import Site
from monitor.core.trail import Frontier
from monitor.reconcile import compare, read_trail, since
from monitor.reconcile_command import held
from monitor.record import RecordKeeper, changed
from monitor.testing import START, ward
from monitor.trail.check import read_head
from simulators.smtp_sink import SmtpSink
from tests.adapters.test_store_migrations import OLD
from tests.commands import Run
from tests.trails import Book, assert_found, checked, every_byte, raw
from tests.ward_site import site_text

Found = TypeVar("Found")


class Link:
    """What was published last on each topic."""

    def __init__(self) -> None:
        self.published: dict[str, bytes] = {}

    def publish(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> None:
        """Keep it."""
        assert (qos, retain) == (1, True)
        self.published[topic] = payload


class Host:
    """A real engine on a real store, stepped by hand: what the keeper needs of a service."""

    def __init__(self, folder: Path, **site: Any) -> None:
        self.folder, self.link, self.again, self.at = folder, Link(), False, START
        self.site: Site = ward(key=bytes(range(32)), **site)
        self.store = SqliteStore.open(folder, site=self.site.name)
        found = self.store.load()
        loaded = Loaded(found.rows, Frontier.from_text(found.frontier), found.next_entry)
        self.engine = Engine(self.site, now=self.at, link=True, loaded=loaded if found.next_entry else None)
        self.commit()

    def now(self) -> int:
        """Where time stands."""
        return self.at

    def note(self, event: str, **detail: object) -> None:
        """Into the trail."""
        self.engine.now = max(self.engine.now, self.at)
        self.engine.note(event, **detail)

    def take(self, event: object) -> None:
        """At once."""
        self.engine.now = max(self.engine.now, self.at)
        self.engine.receive(event, self.engine.now)

    def commit(self) -> None:
        """Store what the engine did."""
        self.store.commit(self.engine.take_changes())
        self.engine.take_effects()

    async def stored(self) -> None:
        """Store it."""
        self.commit()

    async def in_store(self, work: Callable[[], Found]) -> Found:
        """In a thread, as a service does."""
        return await asyncio.to_thread(work)

    def keeper(self, **more: Any) -> RecordKeeper:
        """A keeper that has begun."""
        keeper = RecordKeeper(self.store, site=self.site, monitor="night", **more)
        keeper.begin(self)
        self.commit()
        return keeper

    def verdict(self) -> Any:
        """What the verification says."""
        return checked(self.folder)


@contextlib.asynccontextmanager
async def hosted(folder: Path, **site: Any) -> AsyncIterator[Host]:
    """A host, and its store closed after it."""
    (folder / "site.key").write_bytes(bytes(range(32)))
    (folder / "site.key").chmod(0o600)
    host = Host(folder, **site)
    try:
        yield host
    finally:
        host.store.close()


def files(folder: Path) -> list[Path]:
    """All files of a folder."""
    return list(folder.iterdir())


# ---- heads and keys ----------------------------------------------------------------------------------------


async def test_a_head_is_signed_published_and_verifies(tmp_path: Path) -> None:
    """What is on the broker is what is in the store, byte for byte; the key is the owner's alone."""
    async with hosted(tmp_path) as host:
        keeper = host.keeper()
        host.note("started")
        host.commit()
        first = await keeper.sign(host)
        host.at += HOUR
        second = await keeper.sign(host)
        assert first is not None
        assert second is not None
        assert (first.size, second.previous) == (second.size, first.digest)
        topic = "secondbell/v1/larkfield/monitor/night/head"
        assert read(host.link.published[topic]) == second
        assert host.verdict().heads == [first, second]
        assert (tmp_path / PRIVATE).stat().st_mode & 0o777 == 0o600
        assert host.verdict().findings == []


class Broken:
    """A carrier that breaks the promise to raise nothing."""

    name = "mail"

    async def send(self, parcel: Parcel) -> Attempt:
        """Raise."""
        raise RuntimeError(parcel.notice)

    async def close(self) -> None:
        """Nothing is kept open."""


async def test_a_carrier_that_raises_keeps_no_stop_from_its_end(tmp_path: Path) -> None:
    """What follows the last head at a stop closes the store: the mail is given up, and nothing is raised."""
    async with hosted(tmp_path) as host:
        keeper = host.keeper(mail=(Broken(), "records@larkfield.invalid"))
        await keeper.last(host)
        assert keeper._unmailed
        assert len(host.verdict().heads) == 1


async def test_a_head_is_mailed_and_the_saved_mail_is_one(tmp_path: Path) -> None:
    """The day's mail arrives; as a saved file it reads back as the head; a mail that failed goes with the next head."""
    (tmp_path / "state").mkdir(mode=0o700)
    async with SmtpSink() as smtp, hosted(tmp_path / "state") as host:
        dead = EmailCarrier("127.0.0.1", 9, "Second Bell <s@larkfield.invalid>", "none", None, None, 2.0)
        carrier = EmailCarrier(
            "127.0.0.1", smtp.port, "Second Bell <s@larkfield.invalid>", "none", None, None, 5.0
        )
        keeper = host.keeper(mail=(dead, "records@larkfield.invalid"))
        host.note("started")
        host.commit()
        await keeper.sign_and_mail(host)
        assert smtp.mails == []
        keeper._mail = (carrier, "records@larkfield.invalid")
        host.at += HOUR
        head = await keeper.sign(host)
        [mail] = smtp.mails
        host.at += HOUR
        await keeper.sign(host)
        assert len(smtp.mails) == 1, "between the days' mails none is sent"
        await keeper.last(host)
        assert len(smtp.mails) == 2, "but at a stop"
        host.again = True
        await keeper.last(host)
        assert len(smtp.mails) == 2, "not where it begins again at once"
        saved = tmp_path / "head.eml"
        saved.write_bytes(mail.message.as_bytes())
        assert mail.recipients == ("records@larkfield.invalid",)
        assert read_head(saved) == head
        assert checked(host.folder, outside=[("head.eml", read_head(saved))]).findings == []
        text = mail.message.get_content()
        assert "Nothing has to be done." in text
        for person in host.site.people.values():
            assert person.called not in text
        await carrier.close()
        await dead.close()


async def test_keys_are_changed_and_a_cut_short_change_is_finished(tmp_path: Path) -> None:
    """By the command; and where a kill came after the entry, or before it, the next start finishes or undoes it."""
    async with hosted(tmp_path) as host:
        keeper = host.keeper()
        await keeper.sign(host)
        first = trail_key(tmp_path)
        said = await keeper.commands(host)["trail-key-rotate"]({})
        second = trail_key(tmp_path)
        assert (said["ok"], second.id in said["text"], first.id in said["text"]) == (True, True, True)
        third = next_key(tmp_path)  # killed before the trail heard of it
        assert (await host.keeper().sign(host) or first).key == second.id  # type: ignore[union-attr]
        assert not (tmp_path / NEXT).exists()
        third = next_key(tmp_path)
        host.note(KEY_CHANGED, **changed("larkfield", second, third))  # killed just after it
        host.commit()
        head = await host.keeper().sign(host)
        assert head is not None
        assert head.key == third.id == last_key(host.store)
        assert host.verdict().findings == []
        assert checked(tmp_path, trusted=[first.public]).findings == []


async def test_a_lost_key_is_said_in_the_trail(tmp_path: Path) -> None:
    """A start without the key makes another one, says so, and signs; the verification wants somebody's word for it."""
    async with hosted(tmp_path) as host:
        await host.keeper().sign(host)
        (tmp_path / PRIVATE).unlink()
        head = await host.keeper().sign(host)
        assert head is not None
        assert [finding.wrong for finding in host.verdict().findings] == ["key"]
        assert checked(tmp_path, trusted=[trail_key(tmp_path).public]).findings == []
        with StoreReader(tmp_path) as reader:
            assert len(list(reader.entries(events=(KEY_LOST,)))) == 1
        await host.keeper().sign(host)
        with StoreReader(tmp_path) as reader:
            assert len(list(reader.entries(events=(KEY_LOST,)))) == 1, "said once"


@pytest.mark.parametrize("harm", ["damaged", "exposed"])
async def test_a_key_that_cannot_be_used_keeps_no_service_from_running(tmp_path: Path, harm: str) -> None:
    """No head is signed, and that is logged; once the key is mended, heads go on."""
    async with hosted(tmp_path) as host:
        keeper = host.keeper()
        await keeper.sign(host)
        text = (tmp_path / PRIVATE).read_bytes()
        if harm == "damaged":
            (tmp_path / PRIVATE).write_bytes(b"nonsense")
        else:
            (tmp_path / PRIVATE).chmod(0o644)
        keeper = host.keeper()
        assert await keeper.sign(host) is None
        assert not (await keeper.commands(host)["trail-key-rotate"]({}))["ok"]
        (tmp_path / PRIVATE).write_bytes(text)
        (tmp_path / PRIVATE).chmod(0o600)
        assert await keeper.sign(host) is not None
        assert host.verdict().findings == []


async def test_somebody_is_told_if_no_head_is_signed_for_a_day(tmp_path: Path) -> None:
    """Not for an hour's trouble; after a day, also over a start, and that it is over."""
    async with hosted(tmp_path) as host:
        await host.keeper().sign(host)
        text = (tmp_path / PRIVATE).read_bytes()
        (tmp_path / PRIVATE).write_bytes(b"nonsense")
        keeper = host.keeper()
        host.at += HOUR
        assert await keeper.sign(host) is None
        assert "record-not-signed" not in host.engine.technical.troubles
        host.at += DAY
        keeper = host.keeper()
        assert await keeper.sign(host) is None
        trouble = host.engine.technical.troubles["record-not-signed"]
        assert (trouble.since, trouble.over) == (START, None)
        (tmp_path / PRIVATE).write_bytes(text)
        assert await host.keeper().sign(host) is not None
        assert trouble.over == host.at


# ---- retention ---------------------------------------------------------------------------------------------


def grown(host: Host, days: int) -> None:
    """A trail of so many days, an entry every 12 hours about a device that has a name."""
    for number in range(days * 2):
        host.at += 12 * HOUR
        host.engine.now = host.at
        host.engine.journal.note("plan-changed", now=host.at, device=f"pump-{number % 5}", withdrawn=False)
    host.commit()


async def test_old_texts_go_and_the_trail_still_verifies(tmp_path: Path) -> None:
    """After 130 days with 100 to keep: 30 days' texts are gone, hashes fit, and reconcile agrees."""
    async with hosted(tmp_path) as host:
        keeper = host.keeper(keep=100 * DAY)
        await keeper.sign(host)
        assert await keeper.retain(host) == 0
        grown(host, 130)
        before = await keeper.sign(host)
        gone = await keeper.retain(host)
        await keeper.sign(host)
        verdict = host.verdict()
        assert (verdict.findings, verdict.pruned) == ([], gone)
        assert 59 <= gone <= 62
        assert checked(tmp_path, outside=[("before", before)]).findings == []
        with StoreReader(tmp_path) as reader:
            [told] = reader.entries(events=(PRUNED,))
            assert f'"entries":{gone}' in told.text.decode()
            lines = {line.of: line for line in compare(held(reader), now=host.at)}
            assert lines["trail, by event"].differs == 0
            assert (
                read_trail(reader.entries(), since({"engine": reader.rows("engine")})).entries == verdict.size
            )
        assert await keeper.retain(host) == 0, "nothing is left that old, and nothing is said twice"
        host.at += 10 * DAY
        assert await keeper.retain(host) > 0
        assert host.verdict().findings == []


async def test_a_kill_between_the_word_and_the_deed(tmp_path: Path) -> None:
    """The trail says that texts are gone while they are still there: it verifies, and the next time they go."""
    async with hosted(tmp_path) as host:
        grown(host, 120)
        told = to_prune(host.store, host.at - 100 * DAY)
        assert told is not None
        host.note(PRUNED, keep=100 * DAY, **told)
        host.commit()
        assert (host.verdict().findings, host.verdict().pruned) == ([], 0)
        keeper = host.keeper(keep=100 * DAY)
        assert await keeper.retain(host) == told["entries"] == host.verdict().pruned
        assert (finish_pruning(host.store), prune_texts(host.store, told["before"])) == (0, 0)
        with StoreReader(tmp_path) as reader:
            assert len(list(reader.entries(events=(PRUNED,)))) == 1, "said once"
        assert host.verdict().findings == []


async def test_what_is_left_of_a_pruned_trail_cannot_be_changed_either(tmp_path: Path) -> None:
    """Sampled: any byte of the pruned part's rows and of its entry is found; so is a text taken without the policy."""
    async with hosted(tmp_path) as host:
        grown(host, 104)
        keeper = host.keeper(keep=100 * DAY)
        gone = await keeper.retain(host)
        await keeper.sign(host)
    state = tmp_path
    blank = [byte for byte in every_byte(state) if byte.table == "trail" and int(byte.where[4:]) < gone]
    assert len(blank) > 200
    for byte in blank[::9]:
        assert_found(state, byte, 4)
    with raw(state) as db:
        db.execute("UPDATE trail SET text = x'', at = 0, event = '', concern = NULL WHERE n = ?", (gone + 1,))
    assert checked(state).findings[0].n == gone + 1


# ---- names -------------------------------------------------------------------------------------------------


async def test_a_name_is_forgotten_and_nothing_else(tmp_path: Path) -> None:
    """Refused while the site lists it; then the key alone is left, the trail says so, and no file holds the name."""
    async with hosted(tmp_path) as host:
        keeper = host.keeper()
        host.engine.journal.note("answer-refused", now=host.at, person="somebody-gone", device="pump-9")
        host.engine.journal.note("answer-refused", now=host.at, person="nurse-1", device="pump-9")
        host.commit()
        forget = keeper.commands(host)["forget"]
        for name, why in (
            ("nurse-1", "under [people]"),
            ("pump-1", "under [devices]"),
            ("nobody", "knows no person and no device by the name nobody"),
        ):
            said = await forget({"name": name})
            assert (said["ok"], why in said["text"]) == (False, True), said
        said = await forget({"name": "somebody-gone"})
        assert (said["ok"], "Forgotten: somebody-gone (p:" in said["text"]) == (True, True)
        verdict = host.verdict()
        assert (verdict.findings, verdict.forgotten) == ([], 1)
        with StoreReader(tmp_path) as reader:
            assert "somebody-gone" not in {name for _, name in reader.names().values()}
            assert "nurse-1" in {name for _, name in reader.names().values()}
        assert not [file for file in files(tmp_path) if b"somebody-gone" in file.read_bytes()]
        assert not (await forget({"name": "somebody-gone"}))["ok"]


async def test_without_the_service(tmp_path: Path) -> None:
    """A stopped store: the key is changed, a name is forgotten, the books still agree, a running one is refused."""
    from monitor.adapters.lockfile import Lock, StateInUse
    from monitor.stopped import rotate

    async with hosted(tmp_path) as host:
        host.note("started")
        host.commit()
    assert rotate(tmp_path, START)["ok"]
    first = trail_key(tmp_path).id
    assert rotate(tmp_path, START)["ok"]
    assert trail_key(tmp_path).id != first
    verdict = checked(tmp_path)
    assert (verdict.findings, len(verdict.heads)) == ([], 3)
    with StoreReader(tmp_path) as reader:
        lines = {line.of: line for line in compare(held(reader), now=START)}
        assert lines["trail, by event"].differs == 0
    with Lock(tmp_path), pytest.raises(StateInUse):
        rotate(tmp_path, START)
    (tmp_path / PRIVATE).unlink()
    said = rotate(tmp_path, START)
    assert (said["ok"], "is not here: start the service" in said["text"]) == (False, True)


def test_a_public_key_that_was_altered_is_written_anew(tmp_path: Path) -> None:
    """The public key beside the private one is always its own."""
    book = Book(tmp_path)
    good = (tmp_path / PUBLIC).read_bytes()
    (tmp_path / PUBLIC).write_bytes(good.replace(b"MCow", b"MCox"))
    trail_key(tmp_path)
    assert (tmp_path / PUBLIC).read_bytes() == good
    book.close()


def test_a_name_is_forgotten_in_a_stopped_store(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A person and a pump of a real night, off the site file: erased, whole, the books agree; not before, not half."""
    state = tmp_path / "state"
    state.mkdir(mode=0o700)
    with gzip.open(OLD) as packed, (state / FILE_NAME).open("wb") as file:
        shutil.copyfileobj(packed, file)
    (state / "site.key").write_bytes(bytes(range(32)))
    (state / "site.key").chmod(0o600)
    site = tmp_path / "site.toml"
    text = site_text(BrokerAddress("127.0.0.1", 1), smtp=2, snpp=3)
    site.write_text(text)
    with Run(capsys) as run:
        status, out, _ = run("forget", "nurse-2", "--site", str(site))
        assert (status, "under [people]" in out) == (1, True)
        status, _, err = run("forget", "nurse-2", "--state", str(state))
        assert (status, "name the site file" in err) == (2, True)
        assert '[people.nurse-2]\ncalled = "night nurse 2"' in text
        text = re.sub(r"\[people\.nurse-2\]\n.*\n.*\n", "", text)
        text = re.sub(r'\[\[duty\]\]\nperson = "nurse-2"\n.*\n.*\n', "", text)
        site.write_text(re.sub(r"\[devices\.pump-0101\]\n.*\n.*\n", "", text))
        for name in ("nurse-2", "pump-0101"):
            status, out, _ = run("forget", name, "--site", str(site))
            assert (status, out.startswith(f"Forgotten: {name} (")) == (0, True), out
        status, out, _ = run("forget", "nurse-2", "--site", str(site))
        assert (status, "knows no person and no device" in out) == (1, True)
        status, out, _ = run("trail", "verify", "--site", str(site))
        assert (status, "2 names were erased" in out) == (0, True), out
        status, out, _ = run("reconcile", "--site", str(site))
        assert status == 0, out
        status, out, _ = run("trail", "show", "gmlvrkqfgsvx", "--site", str(site))
        assert (status, "nurse-2" in out, "pump-0101, " in out, "is told by mail" in out) == (
            0,
            False,
            False,
            True,
        )
    with StoreReader(state) as reader:
        assert {"nurse-2", "pump-0101"} & {name for _, name in reader.names().values()} == set()
        assert "pump-0101" not in reader.rows("device")
