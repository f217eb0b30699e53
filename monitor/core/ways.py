"""The ways to a person: which may be used now for what a notice says, what it carries, how much has room in it."""

from __future__ import annotations

import re

from monitor.core.effects import SendNotice
from monitor.core.notice import Notice
from monitor.core.pages import ON_A_PAGE
from monitor.core.phrases import one_line
from monitor.core.rulebook import PRIORITY
from monitor.core.site import Site
from monitor.core.wording import WHY

IN_A_MAIL = (
    50  # concerns; a longer mail is read by nobody, and takes too long to write; common practice, no source
)

OVER = frozenset({"stand-down", "withdrawn"})
"""The reasons for a notice that says that a concern is over."""

LOAD, QUIET, OFF = "load limit", "quiet hours", "off duty"
"""Why a notice is held back, or has failed: a call that quiet hours or the end of a duty keep from going has."""

ASKS = ("call", "yours")
"""The kinds of reasons that somebody has to act on."""


def next_way(site: Site, notice: Notice, start: int, now: int) -> int | None:
    """The first of the person's ways from `start` on that may be used now for what this notice says.

    None is used in its quiet hours below high; off duty nobody is paged with a stand-down that mail did not bring.
    """
    reach = site.people[notice.person].reach
    only_mail = all(why in OVER for why in notice.said.values()) and not site.rota.is_on_duty(
        notice.person, now
    )
    for way in range(start, len(reach)):
        if not notice.loud and site.quiet(notice.person, way, now) is not None:
            continue
        if not only_mail or site.carriers[reach[way].carrier] == "mail":
            return way
    return None


def off_duty(site: Site, notice: Notice, now: int) -> list[str]:
    """The concerns of a notice that ask somebody to go whose duty has ended since, as while it was held back."""
    person = notice.person
    if notice.drill or person == site.last_resort or site.rota.is_on_duty(person, now):
        return []
    return [key for key, why in notice.said.items() if WHY[why].kind == "call" and why != "not-taken"]


def full(site: Site, notice: Notice) -> bool:
    """Whether another concern has no room: a page shows so many with their codes, and no more."""
    reach = site.people[notice.person].reach[notice.way]
    return len(notice.said) >= (IN_A_MAIL if site.carriers[reach.carrier] == "mail" else ON_A_PAGE)


def effect_of(site: Site, notice: Notice, now: int | None = None) -> SendNotice:
    """The attempt of a notice."""
    reach = site.people[notice.person].reach[notice.way]
    return SendNotice(
        notice=notice.id,
        carrier=reach.carrier,
        form=site.carriers[reach.carrier],
        address=reach.address,
        message_id=notice.message_id,
        thread=notice.thread,
        subject=notice.subject,
        body=notice.body,
        urgency=PRIORITY[notice.rank],
        date=notice.first_try or now or notice.created,
    )


def without_address(site: Site, person: str, key: str, text: str) -> str:
    """A carrier's words with `key` in place of this person's address."""
    for reach in site.people[person].reach:
        for known in (reach.address, reach.address.partition("@")[0]):
            text = re.sub(rf"(?<![\w]){re.escape(known)}(?![\w])", key, text, flags=re.IGNORECASE)
    return one_line(re.sub(r"[^\s<>]+@[^\s<>]+", "(address)", text))
