"""The pages of a running service, as phones see them: each test has its own pump of one ward, and its own phone."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from itertools import count
from typing import Any, NamedTuple

import httpx
import pytest
import pytest_asyncio

from monitor.adapters.store_reader import StoreReader
from monitor.core.instants import HOUR
from monitor.web.app import BODY
from monitor.web.gate import WRONG_EACH
from tests.night import MINUTE, Ward, mended, raised
from tests.web.phone import BASE, Phone, forms, link_in, phone_night, site, words

pytestmark = pytest.mark.asyncio(loop_scope="module")

SITE = site("nurse-1", "nurse-2", "gone")
ODD = """
[devices.pump-0199]
unit = "elm"
place = 'bay <b>9</b> & "<script>x</script>"'
"""
PUMPS, CLIENTS = count(101), count(1)


class Night(NamedTuple):
    """One ward for all tests here, and a phone that knows where its pages are."""

    ward: Ward
    phone: Phone


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def night(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Night]:
    """One ward with its service, behind a proxy."""
    async with phone_night(
        tmp_path_factory.mktemp("ward") / "ward", more=ODD, pages="proxies = 1\ncodes = true"
    ) as made:
        yield Night(*made)


@pytest_asyncio.fixture(loop_scope="module")
async def phone(night: Night) -> AsyncIterator[Phone]:
    """A phone with an address of its own."""
    headers = {"x-forwarded-for": f"198.51.100.66, 192.0.2.{next(CLIENTS)}"}
    async with httpx.AsyncClient(
        base_url=f"http://127.0.0.1:{night.phone.port}", headers=headers, trust_env=False
    ) as client:
        yield Phone(night.phone.port, client)


async def concern(night: Night, device: str = "", **said: str) -> str:
    """A concern of a pump that no other test has."""
    return await raised(night.ward, device=device or f"pump-0{next(PUMPS)}", **said)


def link(night: Night, about: str, person: str = "nurse-1", *, ago: int = 0) -> str:
    """The link that a notice of a while ago would have."""
    found = SITE.link(about, person, night.ward.now - ago)
    assert found is not None
    return found


def stored(ward: Ward) -> tuple[int, dict[str, Any]]:
    """How long the trail is, and every row that is about people and pumps."""
    with StoreReader(ward.state_dir) as reader:
        return len(list(reader.entries())), {
            kind: dict(reader.rows(kind)) for kind in ("device", "concern", "notice", "hold", "group", "unit")
        }


# ---- looking -------------------------------------------------------------------------------------------------


async def test_the_link_of_a_mail_shows_its_concern(night: Night, phone: Phone) -> None:
    """Where, what, how long, who is next, what to look at, the last values and the caution: all on one page."""
    device = f"pump-0{next(PUMPS)}"
    about = await concern(night, device)
    texts = [mail.message for mail in night.ward.smtp.mails if "night2@larkfield.invalid" in mail.recipients]
    page = await phone.open(link_in(next(m for m in texts if device in m["Subject"]).get_content()))
    assert page.status_code == 200
    said = words(page)
    for part in (
        "High priority: go now",
        "has been sounding for",
        "Nobody has it yet.",
        "charge nurse is told.",
        "Look at the person first.",
        "doing: stopped by an alarm condition",
        "Accepting does not silence the pump.",
        "The maker's instructions and local policy come first.",
    ):
        assert part in said
    assert about not in page.text
    assert set(forms(page)) >= {"accept", "decline"}


async def test_opening_changes_nothing(night: Night, phone: Phone) -> None:
    """However often a link is opened, by GET or HEAD, no row and no entry of the trail is another afterwards."""
    about = await concern(night)
    before = stored(night.ward)
    for method in ("GET", "HEAD", "GET"):
        assert (await phone.open(link(night, about), method)).status_code == 200
    assert (await phone.open(link(night, about) + "?answer=accept&form=x")).status_code == 200
    assert (await phone.open("/")).status_code == 200
    await night.ward.step(night.ward.now)
    assert stored(night.ward) == before


async def test_what_a_site_writes_is_text_on_the_page(night: Night, phone: Phone) -> None:
    """Signs of HTML in a place are shown as they are, and do nothing."""
    page = await phone.open(link(night, await concern(night, "pump-0199")))
    assert "bay &lt;b&gt;9&lt;/b&gt; &amp;" in page.text
    assert 'bay <b>9</b> & "<script>x</script>"' in words(page).replace("&#34;", '"')


# ---- answering -----------------------------------------------------------------------------------------------


async def test_it_is_accepted_by_a_button(night: Night, phone: Phone) -> None:
    """One press: it is stored, by page, the page says so, and the other nurse hears who has it."""
    about = await concern(night)
    page = await phone.press(await phone.open(link(night, about)), "accept")
    assert "You have it." in words(page)
    [entry] = [entry for entry in night.ward.happened("accepted") if entry["concern"] == about]
    assert (entry["person"], entry["device"][:5]) == ("nurse-1", "pump-")
    await night.ward.step(night.ward.now + MINUTE)
    assert any("TAKEN" in mail.message["Subject"] for mail in night.ward.smtp.mails)


async def test_what_was_said_is_shown_once_it_is_done(night: Night, phone: Phone) -> None:
    """The page after a press says what was done; the same address without it, or another's, does not."""
    about = await concern(night)
    page = await phone.press(await phone.open(link(night, about)), "accept")
    assert 'class="said"' in page.text
    assert 'class="said"' not in (await phone.open(link(night, about))).text
    other = link(night, about, "nurse-2") + "?" + page.url.query.decode()
    assert 'class="said"' not in (await phone.open(other)).text


async def test_a_button_pressed_twice_answers_once(night: Night, phone: Phone) -> None:
    """The same form once more is refused, says so, changes nothing and stands in the trail."""
    about = await concern(night)
    page = await phone.open(link(night, about))
    await phone.press(page, "accept")
    again = await phone.press(page, "accept")
    assert again.status_code == 409
    assert "Nothing was done: it has changed meanwhile" in words(again)
    await night.ward.step(night.ward.now)
    assert len([entry for entry in night.ward.happened("accepted") if entry["concern"] == about]) == 1
    [entry] = [entry for entry in night.ward.happened("form-refused") if entry["concern"] == about]
    assert (entry["person"], entry["detail"]) == ("nurse-1", {"why": "used"})


async def test_the_second_hears_who_has_it(night: Night, phone: Phone) -> None:
    """Two look, both press: the second is told who has it, and can take it over from there."""
    about = await concern(night)
    one, two = [await phone.open(link(night, about, who)) for who in ("nurse-1", "nurse-2")]
    await phone.press(one, "accept")
    second = await phone.press(two, "accept")
    assert second.status_code == 409
    assert "Night nurse 1 has it." in words(second)
    taken = await phone.press(second, "take-over")
    assert "You have it." in words(taken)
    await night.ward.step(night.ward.now)
    assert [e["person"] for e in night.ward.happened("taken-over") if e["concern"] == about] == ["nurse-2"]


async def test_a_button_of_a_page_that_is_out_of_date_does_nothing(night: Night, phone: Phone) -> None:
    """Who would hold the feed on a page of before somebody took it has to look again, though it is offered then too."""
    about = await concern(night)
    before = await phone.open(link(night, about, "nurse-2"))
    await phone.press(await phone.open(link(night, about)), "accept")
    page = await phone.press(before, "hold", minutes="15", why="washing or care")
    assert page.status_code == 409
    assert "hold" in forms(page)


async def test_it_is_declined_and_handed_back(night: Night, phone: Phone) -> None:
    """Who cannot says so; who has it and cannot any more hands it back, and it is open again."""
    about = await concern(night)
    page = await phone.press(await phone.open(link(night, about, "nurse-2")), "decline")
    assert 'class="said"' in page.text
    page = await phone.press(await phone.press(await phone.open(link(night, about)), "accept"), "hand-back")
    assert "Nobody has it now. Night nurse 1 had it." in words(page)
    await night.ward.step(night.ward.now)
    happened = [(e["event"], e.get("person")) for e in night.ward.trail() if e.get("concern") == about]
    for entry in (("declined", "nurse-2"), ("accepted", "nurse-1"), ("handed-back", "nurse-1")):
        assert entry in happened


async def test_a_feed_is_held_until_a_time(night: Night, phone: Phone) -> None:
    """For how long and why are needed; then it is held until exactly then, with the reason chosen and written."""
    about = await concern(night)
    page = await phone.open(link(night, about))
    assert re.findall(r'name="minutes" value="(\d+)"', page.text) == ["15", "30", "60", "120"]
    for wrong in (
        {},
        {"minutes": "30"},
        {"minutes": "240", "words": "x"},
        {"minutes": "30", "why": "made up"},
    ):
        page = await phone.press(page, "hold", **wrong)
        assert page.status_code == 400
        assert "Nothing was done" in words(page)
    page = await phone.press(page, "hold", minutes="30", why="washing or care", words="back\x07 soon")
    assert page.status_code == 200
    await night.ward.step(night.ward.now)
    [entry] = night.ward.happened("held")
    assert entry["person"] == "nurse-1"
    assert entry["detail"]["reason"] == "washing or care; back soon"


async def test_the_feed_is_over(night: Night, phone: Phone) -> None:
    """The answer that no feed is wanted for now is taken."""
    about = await concern(night)
    page = await phone.press(await phone.open(link(night, about)), "feed-ended")
    assert 'class="said"' in page.text
    await night.ward.step(night.ward.now)
    assert [entry["person"] for entry in night.ward.happened("feed-ended")] == ["nurse-1"]


async def test_what_is_over_says_so_and_offers_nothing(night: Night, phone: Phone) -> None:
    """After it has settled the link says when and why, for as long as it is kept; a button of before does nothing."""
    device = f"pump-0{next(PUMPS)}"
    about = await concern(night, device)
    before = await phone.open(link(night, about))
    await mended(night.ward, device)
    page = await phone.open(link(night, about))
    assert re.search(r"It ended at \d\d:\d\d: it feeds again", words(page))
    assert forms(page) == {}
    late = await phone.press(before, "accept")
    assert late.status_code == 409
    assert "It ended at" in words(late)


async def test_forms_that_no_page_sends_are_refused(night: Night, phone: Phone) -> None:
    """Another kind of body, too much of it, too many fields, another site's page, no known answer: nothing is done."""
    about = await concern(night)
    page = await phone.open(link(night, about))
    good = {"answer": "accept", "form": forms(page)["accept"]}
    client, path = phone._client, page.url.path
    for answer in (
        await client.post(path, json=good),
        await client.post(path, data=good | {"x": "y" * BODY}),
        await client.post(path, data=good | {f"x{n}": "y" for n in range(9)}),
        await client.post(path, data=good, headers={"sec-fetch-site": "cross-site"}),
        await client.post(
            path, content=b"\xff\xfe=1", headers={"content-type": "application/x-www-form-urlencoded"}
        ),
    ):
        assert answer.status_code == 400
        assert "Nothing was done" in words(answer)
    for spoilt in (
        good | {"answer": "withdraw"},
        good | {"answer": ""},
        {"answer": "accept"},
        good | {"form": "1.x"},
    ):
        assert (await phone.send(path, spoilt)).status_code == 409
    assert "Nobody has it yet." in words(await phone.open(path))


# ---- what opens nothing --------------------------------------------------------------------------------------


async def test_what_opens_nothing_says_nothing(night: Night, phone: Phone) -> None:
    """Forged, unknown, of somebody no longer listed, no address at all: one and the same page, to the byte."""
    about = await concern(night)
    good = link(night, about)
    pages = [
        await phone.open(other)
        for other in (
            good[:-1] + ("A" if good[-1] != "A" else "B"),
            good + "A",
            link(night, "aaaaaaaaaaaa"),
            link(night, about, "gone"),
            "/a/x",
            "/other",
        )
    ]
    pages.append(await phone.send(link(night, "aaaaaaaaaaaa").removeprefix(BASE), {"answer": "accept"}))
    assert {page.status_code for page in pages} == {404}
    assert len({(page.text, str(sorted(set(page.headers) - {"date"}))) for page in pages}) == 1
    assert "bay" not in pages[0].text
    assert "pump-0" not in pages[0].text
    await night.ward.step(night.ward.now)
    why = [entry["detail"]["why"] for entry in night.ward.happened("link-refused")]
    assert {"not one of ours", "about nothing that is kept", "of somebody no longer listed"} <= set(why)


async def test_a_link_expires(night: Night, phone: Phone) -> None:
    """Twelve hours after its notice it opens nothing, and the trail has whose it was; a second before, it opens."""
    about = await concern(night)
    assert (await phone.open(link(night, about, ago=12 * HOUR - 1_000))).status_code == 200
    page = await phone.open(link(night, about, "nurse-2", ago=12 * HOUR))
    assert page.status_code == 410
    assert "This link is too old" in words(page)
    assert "bay" not in page.text
    await night.ward.step(night.ward.now)
    [entry] = [e for e in night.ward.happened("link-refused") if e["detail"]["why"] == "expired"]
    assert (entry["person"], entry["concern"]) == ("nurse-2", about)


async def test_anothers_button_does_not_work_on_my_page(night: Night, phone: Phone) -> None:
    """A form's token of one person's link, sent to another's, is refused."""
    about = await concern(night)
    mine, other = [await phone.open(link(night, about, who)) for who in ("nurse-1", "nurse-2")]
    found = await phone.send(other.url.path, {"answer": "accept", "form": forms(mine)["accept"]})
    assert found.status_code == 409
    assert "Nobody has it yet." in words(found)


# ---- codes ---------------------------------------------------------------------------------------------------


async def test_a_code_opens_the_same_page(night: Night, phone: Phone) -> None:
    """The code of a page, typed with the person's id, in whatever case: its concern."""
    about = await concern(night)
    page = await phone.code(f" {SITE.code(about, 'nurse-1').lower()} ", "nurse-1")
    assert page.status_code == 200
    taken = await phone.press(page, "accept")
    assert "You have it." in words(taken)
    await night.ward.step(night.ward.now)
    assert [e["person"] for e in night.ward.happened("accepted") if e["concern"] == about] == ["nurse-1"]


async def test_codes_cannot_be_guessed(night: Night, phone: Phone) -> None:
    """Another's code, an unknown id, no code: one and the same answer; after five this phone may try no more."""
    about = await concern(night)
    code = SITE.code(about, "nurse-1")
    tries = [
        (code, "nurse-2"),
        (SITE.code(about, "gone"), "gone"),
        ("AAAAAA", "nurse-1"),
        ("", ""),
        ("\u00e4" * 200, "x" * 200),
    ]
    assert len(tries) == WRONG_EACH
    wrong = [await phone.code(*each) for each in tries]
    assert {page.status_code for page in wrong} == {403}
    assert len({page.text for page in wrong}) == 1
    closed = await phone.code(code, "nurse-1")
    assert closed.status_code == 429
    assert "links still work" in words(closed)
    assert (await phone.open(link(night, about))).status_code == 200
    await night.ward.step(night.ward.now)
    why = [entry["detail"]["why"] for entry in night.ward.happened("code-refused")]
    assert why == ["no such code for this person"] * WRONG_EACH + ["too many wrong ones"]


async def test_a_client_cannot_lie_about_its_address(night: Night) -> None:
    """Whatever it says in lines of its own, the one that the proxy added is the last, and that one counts."""
    answers = []
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{night.phone.port}", trust_env=False) as client:
        for n in range(WRONG_EACH + 1):
            lines = [("x-forwarded-for", f"198.51.100.{n}"), ("x-forwarded-for", "192.0.2.250")]
            form = {"code": "AAAAAA", "person": "nurse-1"}
            answers.append((await client.post("/code", data=form, headers=lines)).status_code)
    assert answers == [403] * WRONG_EACH + [429]


async def test_no_token_is_logged(night: Night, phone: Phone) -> None:
    """Neither links nor codes stand in the log, however they were used before."""
    about = await concern(night)
    url = link(night, about)
    await phone.press(await phone.open(url), "accept")
    await phone.open(url + "A")
    log = night.ward.monitor.log_file.read_text()
    assert "/a/" not in log
    assert url.rpartition("/")[2][:20] not in log
    assert SITE.code(about, "nurse-1") not in log
