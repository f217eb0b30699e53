"""Carriers of others: installed as a distribution is, found by kind, checked by name, and harmless whatever they do."""

from __future__ import annotations

import asyncio
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters import plugins
from monitor.adapters.apart import CarrierApart
from monitor.adapters.carriers import Attempt, Carrier, Outcome, Parcel
from monitor.attempts import Attempts
from monitor.carrier_settings import PluginSettings
from monitor.core.effects import Attempted
from monitor.testing.carrier_contract import PARCEL
from tests.sitefile.site_text import errors, loaded
from tests.test_attempts import notice

TRAY = """
[carriers.tray]
kind = "folder"
folder = "/srv/notices"
limit = "5 s"
"""
REACH = (
    'reach = [{ carrier = "pager", address = "4471" }',
    'reach = [{ carrier = "tray", address = "nurse-1" }',
)

Install = Callable[..., None]


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Install]:
    """Installs a distribution with a plug-in, as pip would: a dist-info with its entry points, on the path."""
    where = tmp_path / "installed"
    where.mkdir()
    monkeypatch.syspath_prepend(str(where))
    modules = set(sys.modules)

    def make(name: str, value: str, text: str = "", *, of: str = "tray-for-notices") -> None:
        info = where / f"{of.replace('-', '_')}-1.0.dist-info"
        info.mkdir(exist_ok=True)
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {of}\nVersion: 1.0\n")
        points = f"[{plugins.GROUP}]\n{name} = {value}\n"
        (info / "entry_points.txt").write_text(points)
        if text:
            (where / f"{value.partition(':')[0]}.py").write_text(text)

    yield make
    for module in set(sys.modules) - modules:
        del sys.modules[module]


def test_the_example_is_installed_and_used(install: Install, tmp_path: Path) -> None:
    """A distribution's plug-in is a kind of carrier: its keys are read, and its text is a page."""
    install("folder", "monitor.testing.folder_carrier")
    settings = loaded(tmp_path, REACH, more=TRAY)
    tray = settings.carriers["tray"]
    assert isinstance(tray, PluginSettings)
    assert (tray.kind, tray.form, tray.limit) == ("folder", "page", 5000)
    assert tray.options.model_dump() == {"folder": "/srv/notices"}
    assert settings.site.carriers["tray"] == "page"


async def test_a_notice_goes_through_an_installed_plug_in(install: Install, tmp_path: Path) -> None:
    """From the site file to a file in the nurse's folder."""
    install("folder", "monitor.testing.folder_carrier")
    (tmp_path / "trays" / "nurse-1").mkdir(parents=True)
    settings = loaded(tmp_path, REACH, more=TRAY.replace("/srv/notices", str(tmp_path / "trays")))
    carrier = settings.carriers["tray"].carrier()
    attempt = await carrier.send(replace(PARCEL, address="nurse-1"))
    await carrier.close()
    assert attempt.outcome is Outcome.SENT
    [file] = (tmp_path / "trays" / "nurse-1").iterdir()
    assert (file.name, file.read_text().splitlines()) == ("n-0001.txt", [PARCEL.subject, PARCEL.body])


@pytest.mark.parametrize(
    ("old", "new", "key", "value", "expected"),
    [
        ('kind = "folder"', 'kind = "foldr"', "kind", "'foldr'",
         "one of 'email', 'https', 'snpp', or an installed plug-in: 'folder'"),
        ('folder = "/srv/notices"', "", "folder", "", "is missing: folder with one folder for each recipient"),
        ('folder = "/srv/notices"', "folder = 3", "folder", "3", "text in quotation marks"),
        ('limit = "5 s"', 'limit = "5 s"\nfoldr = "x"', "foldr", "", 'no such key; did you mean "folder"?'),
        ('limit = "5 s"', 'limit = "5 h"', "limit", "'5 h'", 'a duration from "1 s" to "2 min"'),
        ('limit = "5 s"', 'secret_file = "none"', "secret_file", "", None),
    ],
)  # fmt: skip
def test_a_mistake_in_its_table_is_said_as_any_other(
    install: Install, tmp_path: Path, old: str, new: str, key: str, value: str, expected: str | None
) -> None:
    """File, key, value and what is expected: of the keys that all carriers have, and of its own."""
    install("folder", "monitor.testing.folder_carrier")
    assert old in TRAY
    [(found, shown, said)] = errors(tmp_path, REACH, more=TRAY.replace(old, new))
    assert (found, shown) == (f"carriers.tray.{key}", value)
    assert said == expected or (expected is None and said.startswith("a file with the secret alone: "))


def test_its_addresses_are_checked(install: Install, tmp_path: Path) -> None:
    """A person's address that the plug-in could never use is said at check, not in the night."""
    install("folder", "monitor.testing.folder_carrier")
    change = (REACH[0], REACH[1].replace("nurse-1", "../etc"))
    assert errors(tmp_path, change, more=TRAY) == [
        ("people.nurse.reach[0].address", "'../etc'", "the name of a folder: 1 to 64 letters, digits, - or _")
    ]


BROKEN = {
    "import": ("import nothing_of_that_name", "ModuleNotFoundError: No module named 'nothing_of_that_name'"),
    "raises": ("raise ValueError('no licence\\nfound')", "ValueError: no licence found"),
    "exits": ("import sys; sys.exit('no licence')", "SystemExit: no licence"),
    "syntax": ("def", "SyntaxError"),
    "empty": ("x = 1", "has no form, no options, no address_wanted, no open"),
    "fax": (
        "form = 'fax'; options = dict; address_wanted = open = print",
        "has no form that is mail or page, no options that are a pydantic model",
    ),
}


@pytest.mark.parametrize("which", BROKEN)
def test_one_that_cannot_be_loaded_is_a_named_mistake(install: Install, tmp_path: Path, which: str) -> None:
    """Whatever a plug-in does when it is loaded, the site file's reader says which one and why, in one line."""
    text, why = BROKEN[which]
    install("folder", f"broken_{which}", text)
    [(key, value, said)] = errors(tmp_path, REACH, more=TRAY)
    assert (key, value) == ("carriers.tray.kind", "'folder'")
    assert said.startswith(f"a plug-in that works; the plug-in broken_{which} of tray-for-notices ")
    assert why in said
    assert "\n" not in said


def test_two_of_one_name_are_a_mistake(install: Install, tmp_path: Path) -> None:
    """Which one is meant is not guessed."""
    install("folder", "monitor.testing.folder_carrier")
    install("folder", "another", of="another-tray")
    [(_, _, said)] = errors(tmp_path, REACH, more=TRAY)
    assert "several plug-ins of this name are installed: another, monitor.testing.folder_carrier" in said


def test_none_takes_the_place_of_ours(install: Install, tmp_path: Path) -> None:
    """A plug-in called email is not asked: mail is sent by our own carrier."""
    install("email", "broken_email", "raise ValueError")
    assert loaded(tmp_path).carriers["mail"].kind == "email"


ODD = """
from pydantic import BaseModel, field_validator
form = "page"
class options(BaseModel):
    folder: str
    @field_validator("folder")
    def read(cls, value):
        raise KeyError("a fault of its own")
def address_wanted(address):
    raise KeyError(address)
def open(name, options, secret):
    raise KeyError
"""


def test_one_whose_readers_fail_is_a_named_mistake(install: Install, tmp_path: Path) -> None:
    """An exception of another's reader becomes a line, without a trace."""
    install("folder", "odd_readers", ODD)
    [(key, _, said)] = errors(tmp_path, REACH, more=TRAY)
    assert key == "carriers.tray"
    assert "it failed on them: KeyError: 'a fault of its own'" in said
    install("folder", "odd_addresses", ODD.replace('raise KeyError("a fault of its own")', "return value"))
    [(key, _, said)] = errors(tmp_path, REACH, more=TRAY)
    assert (key, said) == (
        "people.nurse.reach[0].address", "one that its plug-in can read; it failed on it: KeyError",
    )  # fmt: skip


def test_a_key_that_a_plug_in_does_not_know_is_a_mistake_however_lenient_it_is(
    install: Install, tmp_path: Path
) -> None:
    """A misspelt key is not lost in a model that ignores what it does not know, as pydantic's do by default."""
    lenient = ODD.replace('raise KeyError("a fault of its own")', "return value").replace(
        "raise KeyError(address)", "return None"
    )
    install("folder", "lenient", lenient)
    assert errors(tmp_path, REACH, more=TRAY) == []
    assert errors(tmp_path, REACH, more=TRAY + 'fodler = "/srv"\n') == [
        ("carriers.tray.fodler", "", 'no such key; did you mean "folder"?')
    ]


# ---- kept apart ------------------------------------------------------------------------------------------------------


class Sick:
    """A carrier that does one thing that it should not."""

    name = "sick"

    def __init__(self, how: Callable[[], Any]) -> None:
        self.how = how

    async def send(self, parcel: Parcel) -> Attempt:
        """Do it."""
        del parcel
        found = self.how()
        if asyncio.iscoroutine(found):
            found = await found
        return found  # type: ignore[no-any-return]

    async def close(self) -> None:
        """Do it again, at once."""
        found = self.how()
        if asyncio.iscoroutine(found):
            found.close()


def raising(error: BaseException) -> Callable[[], Any]:
    """Raises it."""

    def how() -> Any:
        raise error

    return how


async def apart(opened: Callable[[], Carrier], limit: float = 5.0, secrets: tuple[str, ...] = ()) -> Attempt:
    """One attempt of a plug-in's carrier."""
    carrier = CarrierApart("sick", opened, limit=limit, secrets=secrets)
    try:
        async with asyncio.timeout(20):
            return await carrier.send(PARCEL)
    finally:
        await carrier.close()


@pytest.mark.parametrize(
    ("how", "said"),
    [
        (raising(ValueError("bad\nthing with s3cret")), "ValueError: bad thing with [hidden]"),
        (raising(SystemExit(3)), "SystemExit: 3"),
        (raising(asyncio.CancelledError("not asked for")), "CancelledError: not asked for"),
        (lambda: None, "TypeError: no Attempt but NoneType"),
        (lambda: Attempt(outcome="maybe", text=""), "ValueError: 'maybe' is not a valid Outcome"),  # type: ignore[arg-type]
    ],
)
async def test_what_it_raises_or_gives_is_tried_later_by_name(how: Callable[[], Any], said: str) -> None:
    """Nothing that a plug-in raises gets further than its thread; the notice waits, and goes another way."""
    attempt = await apart(lambda: Sick(how), secrets=("s3cret",))
    assert (attempt.outcome, attempt.text) == (Outcome.TRY_LATER, f"fault in the plug-in: {said}")


async def test_its_words_are_made_one_safe_line() -> None:
    """Controls and the secret go, as of every carrier; an empty text says that it is."""
    said = Attempt(outcome=Outcome.SENT, text="done\x1b[0m\r\nby s3cret" + "z" * 500)
    attempt = await apart(lambda: Sick(lambda: said), secrets=("s3cret",))
    assert attempt.text.startswith("done [0m by [hidden]zz")
    assert len(attempt.text) == 200
    assert (await apart(lambda: Sick(lambda: Attempt(outcome=Outcome.SENT, text="")))).text == "(no words)"


async def stubborn() -> None:
    """Will not be cancelled."""
    for _ in range(8):
        try:
            await asyncio.sleep(0.1)
        except asyncio.CancelledError:
            continue


@pytest.mark.parametrize(
    "how",
    [lambda: asyncio.sleep(600), lambda: time.sleep(0.6), stubborn],
    ids=["hangs", "blocks", "stubborn"],
)
async def test_one_that_hangs_or_blocks_costs_its_time_limit_and_holds_up_nobody(
    how: Callable[[], Any],
) -> None:
    """Whether it waits, blocks its thread or will not be cancelled: our loop goes on, and the attempt ends."""
    turns = 0

    async def others() -> None:
        nonlocal turns
        while True:
            await asyncio.sleep(0.01)
            turns += 1

    beside = asyncio.create_task(others())
    attempt = await apart(lambda: Sick(how), limit=0.3)
    beside.cancel()
    assert attempt.outcome is Outcome.TRY_LATER
    assert attempt.text == "no answer from the plug-in within 0.3 s (the notice may have gone out)"
    assert turns > 3


async def test_one_that_cannot_be_opened_is_opened_anew_for_each_notice(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """The service starts all the same; each attempt says why, until it works."""
    faults: list[Exception] = [OSError("no such device"), OSError("still none"), OSError("still none")]

    def opened() -> Carrier:
        if faults:
            raise faults.pop(0)
        return Sick(lambda: Attempt(outcome=Outcome.SENT, text="done"))

    carrier = CarrierApart("sick", opened, limit=5)
    attempts = [await carrier.send(PARCEL) for _ in range(3)]
    await carrier.close()
    assert [one.outcome for one in attempts] == [Outcome.TRY_LATER, Outcome.TRY_LATER, Outcome.SENT]
    assert attempts[0].text == "fault in the plug-in: OSError: still none"
    del caplog


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
async def test_one_that_ends_its_thread_is_said_to_have() -> None:
    """A callback of its own that ends the loop: from then on each attempt fails at once, by name."""

    def how() -> Any:
        asyncio.get_running_loop().call_soon(raising(SystemExit(1)))
        return Attempt(outcome=Outcome.SENT, text="done")

    carrier = CarrierApart("sick", lambda: Sick(how), limit=1)
    await carrier.send(PARCEL)
    await asyncio.to_thread(carrier._thread.join)
    attempt = await carrier.send(PARCEL)
    await carrier.close()
    assert (attempt.outcome, attempt.text) == (
        Outcome.TRY_LATER,
        "fault in the plug-in: its thread has ended",
    )


async def test_a_plug_in_leaves_no_thread_behind() -> None:
    """After closing, its thread has ended; closing twice and sending then raise nothing."""
    before = threading.active_count()
    carrier = CarrierApart("sick", lambda: Sick(lambda: Attempt(outcome=Outcome.SENT, text="done")), limit=1)
    assert (await carrier.send(PARCEL)).outcome is Outcome.SENT
    await carrier.close()
    await carrier.close()
    assert (await carrier.send(PARCEL)).outcome is Outcome.TRY_LATER
    assert threading.active_count() <= before + 1  # the pool that waited for it may have one


# ---- in flight -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("how", "said"),
    [
        (raising(ValueError("x")), "fault in the carrier"),
        (raising(asyncio.CancelledError()), "fault in the carrier"),
        (lambda: asyncio.sleep(600), "fault in the carrier"),
        (lambda: None, "fault in the carrier"),
    ],
    ids=["raises", "cancels itself", "hangs", "gives nothing"],
)
async def test_no_carrier_can_keep_an_attempt_from_ending(how: Callable[[], Any], said: str) -> None:
    """Even a carrier that is not kept apart and breaks every promise: its attempt ends, and is tried again."""
    ended: list[Attempted] = []
    attempts = Attempts({"mail": Sick(how)}, ended.append, longest=0.2)
    attempts.start(notice(1))
    await attempts.wait(10)
    assert [(one.outcome, one.text) for one in ended] == [("try-later", said)]
    await attempts.close()


async def test_a_carrier_that_will_not_close_keeps_no_other_open(monkeypatch: pytest.MonkeyPatch) -> None:
    """At the end each is closed, whatever another does, and the end comes."""
    monkeypatch.setattr("monitor.adapters.carriers.CLOSING", 0.2)
    closed: list[str] = []

    class Closing(Sick):
        async def close(self) -> None:
            found = self.how()
            if asyncio.iscoroutine(found):
                await found
            closed.append(self.name)

    carriers = {
        "raises": Closing(raising(ValueError("x"))),
        "hangs": Closing(lambda: asyncio.sleep(600)),
        "good": Closing(lambda: None),
    }
    async with asyncio.timeout(20):
        await Attempts(carriers, lambda _: None).close()
    assert closed == ["sick"]
