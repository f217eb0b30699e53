"""What is said of a trouble of Second Bell itself, to whoever mends it.

Editing rules: each sort of `troubles` has a function here that words its beginning and, if it lasts, one for its end.
The reader is tired, and it is 3 a.m.: what is wrong and since when, what it means for those who are fed, what to look
at in this order, what happens next. The first sentence of a page must be enough.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from monitor.core.phrases import clock, for_how_long, one_line
from monitor.core.plans import Zone
from monitor.core.record_words import unsigned_begins, unsigned_ends
from monitor.core.trouble_mail import ALARMS_SOUND, At, Words
from monitor.core.trouble_mail import lines as _mail
from monitor.core.troubles import (
    BACK,
    CANNOT_SEND,
    CANNOT_STORE,
    CLOCK_STEPPED,
    QUARANTINE_FULL,
    REFUSES,
    ROTA_ENDS,
    ROTA_UNREAD,
    SITE_UNREAD,
    TRAIL_DOUBTFUL,
    UNSIGNED,
    Trouble,
)


def words(trouble: Trouble, now: int, zone: Zone, *, over: bool) -> Words:
    """What to say of a trouble at `now` (ms UTC), or that it is over."""
    return (_ENDS if over else _BEGINS)[trouble.sort](trouble, lambda instant: clock(instant, now, zone))


# What keeps the store from being written: in words, for a page, and what to do in this order.
_CAUSES: Final[Mapping[str, tuple[str, str, tuple[str, ...]]]] = {
    "full": (
        "no space is left on its disk",
        "disk full",
        (
            "Make room on the disk of that folder (df -h tells how full it is).",
            "Do not delete secondbell.db, secondbell.db-wal or secondbell.db-shm.",
        ),
    ),
    "read-only": (
        "it may not be written",
        "may not be written",
        (
            "Is the disk mounted read-only? After a disk fault the system does that (dmesg tells).",
            "Who owns the folder and its files? The service must be allowed to write there.",
        ),
    ),
    "locked": (
        "another program holds it locked",
        "file locked",
        ("Which program has secondbell.db open (a backup, a database shell)? End that program.",),
    ),
    "damaged": (
        "its file is damaged",
        "file damaged",
        (
            "Copy the whole folder aside before anything else, and keep the copy.",
            "Is the disk failing (dmesg tells)? Then mend that first.",
            "Put the last good backup of the folder in its place. Without one move secondbell.db, secondbell.db-wal "
            "and secondbell.db-shm away for an empty start: open concerns are forgotten then, so somebody must go "
            "round all pumps.",
            "Start Second Bell again.",
        ),
    ),
    "other": (
        "reading or writing it fails",
        "disk fault",
        (
            "Is the disk failing, or gone (dmesg and df tell)?",
            "Is the folder still there, and may the service write in it?",
        ),
    ),
}


def _quoted(text: object) -> str:
    said = one_line(str(text), 240).rstrip(".")
    return f" ({said})" if said else ""


def _span(trouble: Trouble, at: At) -> str:
    over = trouble.since if trouble.over is None else trouble.over
    return f"from {at(trouble.since)} to {at(over)} ({for_how_long(over - trouble.since)})"


def _over(trouble: Trouble, at: At) -> str:
    return at(trouble.since if trouble.over is None else trouble.over)


def _store_begins(trouble: Trouble, at: At) -> Words:
    wrong, short, steps = _CAUSES.get(str(trouble.facts.get("cause")), _CAUSES["other"])
    since, detail = at(trouble.since), _quoted(trouble.facts.get("detail", ""))
    if trouble.facts.get("ended"):
        return Words(
            f"ended at {since}, its store: {wrong}",
            _mail(
                f"since {since} Second Bell does not run: of its store, {wrong}{detail}.",
                f"{ALARMS_SOUND} But nobody is told anything by Second Bell until it runs again. The nurses must know "
                "that now.",
                ("Tell the nurses to listen for the pumps and to go round.", *steps),
            ),
            f"ended {since}: store {short}. Pumps' own alarms sound, but NOBODY IS TOLD till it runs again. Tell the "
            "nurses.",
        )
    return Words(
        f"cannot store since {since}: {wrong}",
        _mail(
            f"since {since} Second Bell cannot store anything: of its store, {wrong}{detail}.",
            f"{ALARMS_SOUND} But nobody is told anything by Second Bell meanwhile, and nobody's answer is taken. What "
            "the pumps send waits at the broker, as far as that has room.",
            steps,
            "it tries again by itself, every 10 s at least, and tells you when it can store again. It need not be "
            "started anew.",
        ),
        f"cannot store since {since}: {short}. Pumps' own alarms sound, but NOBODY IS TOLD meanwhile. Goes on by "
        "itself.",
    )


def _store_ends(trouble: Trouble, at: At) -> Words:
    wrong, short, _ = _CAUSES.get(str(trouble.facts.get("cause")), _CAUSES["other"])
    over = _over(trouble, at)
    return Words(
        f"storing again since {over}",
        (
            f"It was: of its store, {wrong}, {_span(trouble, at)}. In that time nobody was told anything.",
            "",
            "Lost: nothing that had come. What waited at the broker has been read on its own times, and what was still "
            "wrong at a pump has been told. A broker whose queue ran over has dropped messages: the pumps' next ones "
            "mend that.",
        ),
        f"storing again since {over}; not since {at(trouble.since)}: {short}. Nothing that had come is lost; what was "
        "due is told.",
    )


def _send_begins(trouble: Trouble, at: At) -> Words:
    carrier, since = one_line(trouble.about, 40), at(trouble.since)
    alone = [one_line(str(person), 40) for person in trouble.facts.get("alone", ())]
    reached = f" Whom nothing else reaches: {', '.join(alone[:10])}." if alone else ""
    return Words(
        f"{carrier} does not send since {since}",
        _mail(
            f"since {since} no notice has left by the carrier {carrier}; it said last:"
            f"{_quoted(trouble.facts.get('answer', 'nothing'))}.",
            f"{ALARMS_SOUND} Notices by {carrier} come late or not at all: each person is told by the next carrier "
            f"after a while, then the next rung is.{reached}",
            (
                f"Does the server of carriers.{carrier} in the site file answer, from this machine?",
                "Do this machine's network and name service work?",
                "Has that server changed its certificate or its login?",
            ),
            "each notice goes on being tried. You are told when one has left by it again.",
        ),
        f"{carrier} does not send since {since}. Notices go by other carriers, late. Look at its server and the "
        "network.",
    )


def _send_ends(trouble: Trouble, at: At) -> Words:
    carrier, over = one_line(trouble.about, 40), _over(trouble, at)
    return Words(
        f"{carrier} sends again since {over}",
        (
            f"It was: no notice left by the carrier {carrier} {_span(trouble, at)}.",
            "",
            "Lost: no notice that was still news: it went by another carrier, or late. The trail has each attempt.",
        ),
        f"{carrier} sends again since {over}; it did not since {at(trouble.since)}.",
    )


def _refuses_begins(trouble: Trouble, at: At) -> Words:
    carrier, _, person = (one_line(part, 40) for part in trouble.about.partition(" "))
    who = one_line(str(trouble.facts.get("called", "somebody")), 40)
    return Words(
        f"{carrier} refuses what is sent to {who}",
        _mail(
            f"since {at(trouble.since)} the server of the carrier {carrier} refuses for good what is sent to {who}"
            f"{_quoted(trouble.facts.get('answer', ''))}.",
            f"{ALARMS_SOUND} {who} hears nothing by {carrier}: only by the next carrier of people.{person}, if there "
            "is one; else the next rung is told.",
            (
                f"Is the address right under people.{person} in the site file?",
                "Does that mailbox or pager still exist, and has it room?",
            ),
            "each new notice is tried there again. You are told when one has been taken.",
        ),
        f"{carrier} refuses what is sent to {who} since {at(trouble.since)}. Look at that address in the site file.",
    )


def _refuses_ends(trouble: Trouble, at: At) -> Words:
    carrier = one_line(trouble.about.partition(" ")[0], 40)
    who = one_line(str(trouble.facts.get("called", "somebody")), 40)
    over = _over(trouble, at)
    return Words(
        f"{carrier} takes what is sent to {who} again since {over}",
        (f"It was: refused {_span(trouble, at)}.",),
        f"{carrier} takes what is sent to {who} again since {over}.",
    )


def _back(trouble: Trouble, at: At) -> Words:
    gap, since = int(trouble.facts.get("gap", 0)), trouble.since
    began, asked = at(since - gap), trouble.facts.get("asked")
    how = (
        "it had been asked to stop" if asked else "it was not asked to stop: killed, a power cut, or a fault"
    )
    first = (
        "Who stopped it, and did the nurses know?"
        if asked
        else f"What do its log and the machine's say at {began}?"
    )
    return Words(
        f"back after {for_how_long(gap)} without watching",
        _mail(
            f"Second Bell did not watch from {began} to {at(since)}; {how}.",
            f"in that time nobody was told anything by it. {ALARMS_SOUND} It watches again: what the broker has kept "
            "is being read, and what is still wrong at a pump is told now, saying how late.",
            (first, "Does the machine start it by itself, and at once?"),
        ),
        f"back after {for_how_long(gap)} without watching ({began}-{at(since)}), "
        f"{'asked to stop' if asked else 'not asked to'}. What is still wrong is told now.",
    )


def _trail(trouble: Trouble, at: At) -> Words:
    since = at(trouble.since)
    return Words(
        "its audit trail is doubtful",
        _mail(
            f"found at the start at {since}{_quoted(trouble.facts.get('why', ''))}.",
            "watching and telling go on. What the trail says of the time before may not be whole.",
            (
                "Copy its state folder aside before anything else, and keep the copy.",
                "What does `secondbell trail verify` say?",
                "Has the disk failed, was a backup put back, or has somebody been at the files?",
            ),
        ),
        f"its audit trail is doubtful, found {since}. Watching and telling go on. Keep a copy of its state folder.",
    )


def _quarantine(trouble: Trouble, at: At) -> Words:
    count = trouble.facts.get("not_kept", 0)
    return Words(
        "no room for more messages that cannot be read",
        _mail(
            f"until {at(trouble.since)} {count} such messages were not kept but only counted.",
            "pumps whose messages can be read are watched as ever. Those that send what cannot be read are not.",
            ("Which bridge sends them? The quarantine and the log tell topics and reasons.",),
        ),
        f"no room for more unreadable messages at {at(trouble.since)}: some bridge sends what cannot be read.",
    )


def _clock(trouble: Trouble, at: At) -> Words:
    by = int(trouble.facts.get("by", 0))
    how = f"{'ahead' if by > 0 else 'back'} by {for_how_long(abs(by))}"
    return Words(
        f"this machine's clock was set {how}",
        _mail(
            f"at {at(trouble.since)} the clock of the machine that Second Bell runs on was set {how}.",
            f"waits that ran then were shorter or longer by that, and times told before may be wrong. {ALARMS_SOUND}",
            ("Does the machine's time service (NTP) work?", "Has somebody set the clock by hand?"),
        ),
        f"this machine's clock was set {how} at {at(trouble.since)}. Look at its time service.",
    )


_CHECK: Final = (
    "`secondbell check --site FILE` on that machine names each mistake: file, event, what is expected."
)
_TAKEN: Final = "It is looked at each minute and taken by itself once it is right."


def _known_until(trouble: Trouble, at: At) -> str:
    until = trouble.facts.get("until")
    return at(int(until)) if isinstance(until, int) else "not known"


def _rota_begins(trouble: Trouble, at: At) -> Words:
    since, until = at(trouble.since), _known_until(trouble, at)
    return Words(
        "a changed rota cannot be read",
        _mail(
            f"since {since} the rota's files cannot be read ({int(trouble.facts.get('problems', 1))} mistakes).",
            "the last good rota goes on, so swaps and changes made since then are NOT known, and the wrong person may "
            f"be told. It is known until {until}; after that nobody is on duty by it, and the last resort is told.",
            (
                _CHECK,
                "Mend the files, or put the last good ones back.",
                "Until then whoever stands in the old rota is called: those who have swapped must tell each other.",
            ),
            f"{_TAKEN} You are told again each day until then.",
        ),
        f"changed rota cannot be read since {since}: the last good one goes on, until {until}. Swaps are NOT known. "
        "See mail or check.",
    )


def _rota_runs_out(trouble: Trouble, at: At) -> Words:
    until = _known_until(trouble, at)
    return Words(
        f"the rota runs out: known until {until} only",
        _mail(
            f"the rota's calendar files still cannot be read, and the last good rota ends at {until}.",
            "after that nobody is on duty by the calendars: whoever should be called is passed over, and only duties "
            "of the site file and the last resort are told.",
            (
                _CHECK,
                "Mend the files now; or take rota_dir out of the site file, and write the duties under [[duty]].",
            ),
            f"{_TAKEN} You are told again each day until then.",
        ),
        f"rota runs out at {until}: its files cannot be read. After that NOBODY is on duty by it. Mend them now.",
    )


def _rota_ends(trouble: Trouble, at: At) -> Words:
    return Words(
        "the rota is read again",
        (f"The rota's calendar files are right again since {_over(trouble, at)}, and count from then on.",),
        f"rota is read again, {_over(trouble, at)}.",
    )


def _site_begins(trouble: Trouble, at: At) -> Words:
    since = at(trouble.since)
    return Words(
        "a changed site file is wrong",
        _mail(
            f"at {since} a change of the site file, its devices or its rules was looked at: "
            f"{int(trouble.facts.get('problems', 1))} mistakes. None of it is taken.",
            "what ran before goes on, whole. But were the service to stop now, it would not start with this file.",
            (_CHECK, "Mend the file, or put the last good one back."),
            _TAKEN,
        ),
        f"changed site file is wrong ({since}): not taken, what ran goes on. A restart would FAIL. Mend it; check "
        "names each mistake.",
    )


def _site_ends(trouble: Trouble, at: At) -> Words:
    return Words(
        "the site file is right again",
        (f"The site file is right again since {_over(trouble, at)}, and the service runs with it.",),
        f"site file is right again, {_over(trouble, at)}.",
    )


_BEGINS: Final[Mapping[str, Callable[[Trouble, At], Words]]] = {
    CANNOT_STORE: _store_begins,
    CANNOT_SEND: _send_begins,
    REFUSES: _refuses_begins,
    BACK: _back,
    TRAIL_DOUBTFUL: _trail,
    QUARANTINE_FULL: _quarantine,
    CLOCK_STEPPED: _clock,
    ROTA_UNREAD: _rota_begins,
    ROTA_ENDS: _rota_runs_out,
    SITE_UNREAD: _site_begins,
    UNSIGNED: unsigned_begins,
}
_ENDS: Final[Mapping[str, Callable[[Trouble, At], Words]]] = {
    CANNOT_STORE: _store_ends,
    CANNOT_SEND: _send_ends,
    REFUSES: _refuses_ends,
    ROTA_UNREAD: _rota_ends,
    ROTA_ENDS: _rota_ends,
    SITE_UNREAD: _site_ends,
    UNSIGNED: unsigned_ends,
}
