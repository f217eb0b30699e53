"""What the watch says, by mail and by pager: read by whoever is on call for Second Bell, tired, at 3 a.m.

Editing rules: what is wrong and since when, what it means for those who are fed, what to do first, what happens next.
The first sentence of a page must be enough. Nobody's name, no place, no pump: the watch knows none.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

from monitor.core.gsm7 import fit
from monitor.core.instants import show_duration
from monitor.core.phrases import clock, for_how_long
from monitor.core.plans import Zone
from monitor.watch.judgement import GROUP, Finding, Say, Wrong

LONGEST_SITE: Final = 16  # characters of the site's name on a page


class Words(NamedTuple):
    """A mail's subject and body, and a page."""

    subject: str
    body: str
    page: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """Which monitor it is about, who says so, and in which zone times are told. `repeat` in ms."""

    site: str
    monitor: str
    name: str
    zone: Zone
    repeat: int


class _Text(NamedTuple):
    title: str  # goes on with "since …"
    page: str  # of 160 septets, with {site} and {since}
    means: str
    steps: tuple[str, ...]


ALARMS: Final = "The pumps' own alarms still sound: go by them."
UNHEARD: Final = f"Nobody is told of troubles with pumps now. {ALARMS}"
TELL_WARDS: Final = "Tell the wards (or the families' contact) that nobody is called until this is over."

_GONE_STEPS: Final = (
    TELL_WARDS,
    "Is the monitor's machine on, and on the network? Start it, or mend that.",
    "On it: systemctl status secondbell, then journalctl -u secondbell -n 50 tells why it ended.",
    "If it does not run: systemctl start secondbell; if it hangs: systemctl restart secondbell. What came in meanwhile "
    "is looked at once it runs.",
)
_HANG_STEPS: Final = (
    TELL_WARDS,
    "On the monitor's machine: systemctl restart secondbell. Nothing that it had stored is lost.",
    "If it hangs again: is the machine out of memory, or its disk failing (journalctl -k)?",
)

_TEXTS: Final[dict[Wrong, _Text]] = {
    Wrong.BROKER: _Text(
        "the broker cannot be reached",
        "{site}: broker not reached since {since}. Second Bell may see no pump: go by the pumps' own alarms. "
        "First: is the broker up, the network well?",
        "Second Bell hears the pumps through that broker. If it cannot reach it either, it sees none of them, and says "
        f"so to the wards by itself. Whether it does cannot be told from here. {ALARMS}",
        (
            "Is the broker's machine on, and on the network? Can the monitor's machine reach it?",
            "On it: systemctl status mosquitto, then journalctl -u mosquitto -n 50.",
            "If everything else reaches it: has this watch lost its network, or has its login changed?",
        ),
    ),
    Wrong.NEVER: _Text(
        "no sign of the monitor",
        "{site}: no sign of Second Bell since {since}. Nobody is told of pump troubles: go by the pumps' own alarms. "
        "First: systemctl status secondbell",
        f"{UNHEARD} The broker is there and has no word of the monitor: it has never run there, or under another name.",
        (*_GONE_STEPS, "Are site, prefix and monitor in the watch's file those of the site file?"),
    ),
    Wrong.LOST: _Text(
        "the monitor is gone",
        "{site}: Second Bell is DOWN since {since}. Nobody is told of pump troubles: go by the pumps' own alarms. "
        "First: systemctl status secondbell",
        f"{UNHEARD} The broker lost it without a goodbye: it was killed, its machine failed, it hangs or is cut off.",
        _GONE_STEPS,
    ),
    Wrong.STOPPED: _Text(
        "the monitor was stopped and is not back",
        "{site}: Second Bell STOPPED at {since}, not back. Nobody is told of pump troubles: go by the pumps' own "
        "alarms. First: systemctl start secondbell",
        f"{UNHEARD} It said goodbye: somebody, or an update, has stopped it.",
        (TELL_WARDS, "Is somebody at work on it? Ask when it is back.", *_GONE_STEPS[2:]),
    ),
    Wrong.SILENT: _Text(
        "the monitor gives no sign of life",
        "{site}: Second Bell SILENT since {since}. Nobody is told of pump troubles: go by the pumps' own "
        "alarms. First: systemctl restart secondbell",
        f"{UNHEARD} It hangs, its disk does not answer, or it is cut off from the broker.",
        _HANG_STEPS,
    ),
    Wrong.STUCK: _Text(
        "the monitor hangs",
        "{site}: Second Bell HANGS since {since}. Nobody is told of pump troubles: go by the pumps' own alarms. "
        "First: systemctl restart secondbell",
        f"{UNHEARD} It still speaks, but what it does gets no further.",
        _HANG_STEPS,
    ),
    Wrong.LATE: _Text(
        "the monitor runs late",
        "{site}: Second Bell runs LATE since {since}: pump troubles are told late. Go by the pumps' own alarms. "
        "First: is its machine overloaded (top)?",
        f"Troubles with pumps are told late, if at all. {ALARMS}",
        (
            TELL_WARDS,
            "Is the monitor's machine overloaded (top), or its disk slow? End what takes it up.",
            "Does some bridge flood the broker? /metrics of the monitor counts its messages.",
            *_HANG_STEPS[1:],
        ),
    ),
    Wrong.UNSTORED: _Text(
        "the monitor cannot store",
        "{site}: Second Bell cannot store since {since}: nobody is told of new pump troubles. Go by the pumps' own "
        "alarms. First: df -h, is its disk full?",
        f"It tells nobody of anything new while it cannot store. {UNHEARD}",
        (
            TELL_WARDS,
            "On the monitor's machine: make room on the disk of its state folder (df -h tells how full it is).",
            "Do not delete secondbell.db, secondbell.db-wal or secondbell.db-shm.",
            "It goes on by itself once it can store. journalctl -u secondbell -n 50 tells what is wrong.",
        ),
    ),
}


def words(say: Say, watched: Watched, now: int, wall: Callable[[int], int]) -> Words:
    """What to say at `now`, all in ms of the judgement's clock; `wall` makes UTC of it."""
    site = watched.site
    who = f"Second Bell at {site} (monitor {watched.monitor})"

    def at(instant: int) -> str:
        return clock(wall(instant), wall(now), watched.zone)

    signed = f"\n\nSent by the watch {watched.name}, which knows nothing of any pump, at {at(now)}.\n"
    short = site if len(site) <= LONGEST_SITE else f"{site[: LONGEST_SITE - 2]}.."
    if say.back_at is not None:
        gone = for_how_long(say.back_at - say.began)
        page = (
            f"{short}: Second Bell is well again since {at(say.back_at)}, after {gone}. "
            "It looks at all pumps anew and calls for what still needs somebody."
        )
        body = (
            f"{who} is well again since {at(say.back_at)}.\n\n"
            f"Over: {_TEXTS[say.finding.wrong].title}, from {at(say.began)} on, for {gone}.\n\n"
            "It looks at all pumps anew and calls for what still needs somebody. What began and ended meanwhile was "
            "told to nobody: ask the wards.\nTell those whom you told that nobody is called that this is over."
        )
        return Words(f"Second Bell at {site}: well again", body + signed, fit(page, ascii_only=True))
    finding = say.finding
    text = _TEXTS[finding.wrong]
    since = at(finding.since) if finding.exact else f"{at(finding.since)} or before"
    again = f" This is said for the {_th(say.times)} time." if say.times > 1 else ""
    steps = "\n".join(f"{number}. {step}" for number, step in enumerate(text.steps, 1))
    body = (
        f"{who}: {text.title}, since {since}.{again}\n\n{text.means}\n\nWhat to do, in this order:\n{steps}\n\n"
        f"This is said again each {show_duration(watched.repeat)} for as long as it is so, and once when all is well."
    )
    again = "" if say.times == 1 else "STILL "
    page = again + text.page.format(site=short, since=at(finding.since))
    return Words(f"Second Bell at {site}: {text.title}", body + signed, fit(page, ascii_only=True))


def drill(watched: Watched, now: int, wall: Callable[[int], int]) -> Words:
    """What is said to show that it would reach somebody."""
    at = clock(wall(now), wall(now), watched.zone)
    text = f"DRILL: the watch of Second Bell at {watched.site} would reach you here. Nothing is wrong"
    body = (
        f"{text}; it was tried at {at} by somebody who asked for it.\n\nSent by the watch {watched.name}.\n"
    )
    return Words(f"DRILL: Second Bell at {watched.site}", body, fit(f"{text}, {at}.", ascii_only=True))


def status(finding: Finding | None, watched: Watched, wall: Callable[[int], int], now: int) -> str:
    """How it is, in one line for whoever runs the watch."""
    if finding is None:
        return f"{watched.site}/{watched.monitor}: well"
    since = clock(wall(finding.since), wall(now), watched.zone)
    what = f"{GROUP[finding.wrong].upper()}, {_TEXTS[finding.wrong].title}"
    return f"{watched.site}/{watched.monitor}: {what}, since {since}"


def _th(number: int) -> str:
    suffix = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{suffix}"
