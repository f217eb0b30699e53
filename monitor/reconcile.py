"""Whether the books agree with what is stored: every message, concern, notice and entry of the trail accounted for.

`compare` is pure: it takes what one reader saw at one instant and gives lines of two sides each. What retention has
removed is known by its age alone: rows older than the oldest one kept, and older than they are kept for.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from monitor.core.books import KEY, NOTICE_DAY, OUTCOMES, OVER, REJECTED, day_of
from monitor.core.changes import TrailEntry
from monitor.core.heads import PRUNED
from monitor.core.instants import DAY
from monitor.core.quarantine import DAY as QUARANTINE_DAY
from monitor.core.quarantine import PLACE
from monitor.retention import KEEP_NOTICES, KEEP_QUARANTINE

AT_REST = (
    60 * DAY
)  # a store not written for so long is one that nobody runs: no chore has removed anything since

Rows = Mapping[str, Mapping[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One comparison: what it is of, and its two sides, each in words and as a number."""

    of: str
    left: tuple[str, int]
    right: tuple[str, int]
    note: str = ""

    @property
    def differs(self) -> int:
        """By how much."""
        return abs(self.left[1] - self.right[1])

    @property
    def verdict(self) -> str:
        """In words."""
        return f"DIFFERS by {self.differs}" if self.differs else "agrees"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trail:
    """What the trail says, gathered in one pass."""

    entries: int
    later: Counter[str]  # events of the entries since the books were opened
    live: frozenset[str]  # concerns that are open, going by the trail
    undone: int  # concerns raised since then and undone by a fault of ours
    sent: Mapping[str, int]  # notice -> when it was sent


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What a store holds at one instant; `quarantine` is how many messages are kept by day."""

    rows: Rows
    quarantine: Mapping[str, int]
    trail: Trail
    tree: int
    finding: str | None  # what is wrong with the trail, if anything


def read_trail(entries: Iterable[TrailEntry], since: int) -> Trail:
    """Gather what is compared from the entries, of which those from number `since` on are in the books."""
    later: Counter[str] = Counter()
    live: set[str] = set()
    sent: dict[str, int] = {}
    count = undone = blank = 0
    pruned: Counter[str] = Counter()
    raised: set[str] = set()
    for entry in entries:
        count += 1
        if not entry.text:
            blank += 1
        elif entry.n >= since:
            later[entry.event] += 1
        if entry.event == PRUNED:
            pruned.update(_pruned(entry))
        concern = entry.concern
        if concern is None or entry.event not in _READ:
            continue
        detail = _detail(entry)
        if entry.event == "notice-sent":
            sent[str(detail.get("notice"))] = int(detail.get("noted", entry.at))
        elif entry.event == "undone":
            if detail.get("live"):
                live.add(concern)
            else:
                live.discard(concern)
                if concern in raised and entry.n >= since:
                    undone += 1
        elif entry.event in ("raised", "relapsed"):
            live.add(concern)
            if entry.event == "raised" and entry.n >= since:
                raised.add(concern)
        elif entry.event == "settled" or detail.get("state") in (None, "open", "accepted"):
            live.discard(concern)
    if blank and blank == pruned.total():  # what is gone by policy is counted in the entries that say so
        later.update(pruned)
    return Trail(entries=count, later=later, live=frozenset(live), undone=undone, sent=sent)


def _pruned(entry: TrailEntry) -> dict[str, int]:
    events = _detail(entry).get("events")
    return events if isinstance(events, dict) else {}


_READ = frozenset({"raised", "relapsed", "settled", "withdrawn", "undone", "notice-sent"})


def _detail(entry: TrailEntry) -> dict[str, Any]:
    try:
        told = json.loads(entry.text)
    except ValueError:  # `verify` says so
        return {}
    detail = told.get("detail", {}) if isinstance(told, dict) else {}
    return detail if isinstance(detail, dict) else {}


def since(rows: Rows) -> int:
    """The number of the trail's first entry that is in the books; ValueError if there are none."""
    if KEY not in rows.get("engine", {}) or "engine" not in rows["engine"]:
        raise ValueError("it has no books yet: nothing has been stored by a version that keeps them")
    return int(json.loads(rows["engine"][KEY])["since"])


def compare(held: Held, *, now: int) -> list[Line]:
    """Every comparison; `now` (ms UTC) is the wall clock's, by which old rows may have been removed."""
    engine, books = (json.loads(held.rows["engine"][key]) for key in ("engine", KEY))
    if now - engine["now"] > AT_REST:
        now = engine["now"] + DAY
    counters: Counter[str] = Counter(engine["counters"])
    carried: Counter[str] = Counter(books["carried"])
    return [
        *_messages(counters, carried, engine["quarantine"]),
        *_quarantine(held, engine["quarantine"], now),
        *_subjects(held, counters, carried, engine),
        *_concerns(held, counters, carried),
        *_notices(held, counters, carried, books["opened"], now),
        *_trail(held, books),
    ]


def _messages(counters: Counter[str], carried: Counter[str], quarantine: Mapping[str, Any]) -> Iterator[Line]:
    read = {name: counters[name] for name in OUTCOMES if counters[name]}
    rejected = sum(count for name, count in counters.items() if name.startswith(REJECTED))
    what = _sum({_SAID.get(name, name): count for name, count in read.items()} | {"quarantined": rejected})
    yield Line(of="messages", left=("in", counters["messages"]), right=(what, sum(read.values()) + rejected))
    stored, replaced, dropped = quarantine["totals"]
    parts = {"kept": stored, "kept in place of an older": replaced, "not kept": dropped}
    if carried["rejected"]:
        parts["before the books"] = carried["rejected"]
    yield Line(of="unreadable messages", left=("in", rejected), right=(_sum(parts), sum(parts.values())))


_SAID = {
    "snapshots": "acted", "answers repeated": "repeated answers", "contested": "claimed by two bridges",
}  # fmt: skip


def _quarantine(held: Held, state: Mapping[str, Any], now: int) -> Iterator[Line]:
    days = {day: json.loads(text)[1] for day, text in held.rows.get(QUARANTINE_DAY, {}).items()}
    uncounted = {day for day, count in days.items() if count is None}
    known = {day: count for day, count in days.items() if count is not None}
    there = {day: count for day, count in held.quarantine.items() if day not in uncounted}
    horizon = min([*there, day_of(now - KEEP_QUARANTINE * DAY)])
    counted = {day: count for day, count in known.items() if day >= horizon}
    there = {day: count for day, count in there.items() if day >= horizon}
    yield _by_key("quarantine, kept by day", ("counted", counted), ("rows", there))
    if state["day"] >= horizon:
        places = [json.loads(text) for text in held.rows.get(PLACE, {}).values()]
        slots = sum(1 for _, sizes in places for size in sizes if size)
        today = held.quarantine.get(state["day"], 0)
        yield Line(of="quarantine, newest day", left=("places taken", slots), right=("rows", today))


def _subjects(
    held: Held, counters: Counter[str], carried: Counter[str], engine: Mapping[str, Any]
) -> Iterator[Line]:
    there, gone = len(held.rows.get("device", {})), counters["devices forgotten"]
    yield Line(
        of="devices",
        left=_both("heard of", counters["devices"], carried["devices"]),
        right=(_sum({"rows": there, "forgotten": gone}), there + gone),
    )
    there, gone = len(held.rows.get("answer", {})), engine["answers_forgotten"]
    yield Line(
        of="answers by message",
        left=_both("taken", counters["answers"], carried["answers"]),
        right=(_sum({"rows": there, "forgotten": gone}), there + gone),
    )


def _concerns(held: Held, counters: Counter[str], carried: Counter[str]) -> Iterator[Line]:
    states: Counter[str] = Counter()
    live = set()
    for key, text in held.rows.get("concern", {}).items():
        state = json.loads(text)[1]["state"]
        states["open" if state in ("open", "accepted") else state] += 1
        if state in ("open", "accepted"):
            live.add(key)
    parts = {**states, "no longer kept": counters["concerns no longer kept"]}
    raised, undone = held.trail.later["raised"], held.trail.undone
    yield Line(
        of="concerns",
        left=_both("raised", raised, carried["concerns"]),
        right=(_sum(parts), sum(parts.values())),
        note=f"{undone} of them undone after a fault" if undone else "",
    )
    yield _of_sets("concerns open", ("by the trail", set(held.trail.live)), ("rows", live))


def _notices(
    held: Held, counters: Counter[str], carried: Counter[str], opened: str, now: int
) -> Iterator[Line]:
    found = {key: json.loads(text)[1] for key, text in held.rows.get("notice", {}).items()}
    waiting = sum(1 for notice in found.values() if notice["state"] not in OVER)
    over = {state: counters[f"notices {state}"] for state in sorted(OVER)}
    parts = {**over, "waiting": waiting}
    yield Line(
        of="notices",
        left=_both("due", counters["notices"], carried["notices"]),
        right=(_sum(parts), sum(parts.values())),
    )
    ended = {key: notice for key, notice in found.items() if notice["state"] in OVER}
    horizon = min([*(notice["ended"] for notice in ended.values()), now - KEEP_NOTICES * DAY])
    after = max(opened, day_of(horizon))  # whole days only
    days = {
        f"{day} {state}": count
        for day, text in held.rows.get(NOTICE_DAY, {}).items()
        for state, count in json.loads(text).items()
        if day > after
    }
    there = Counter(
        f"{day} {notice['state']}" for notice in ended.values() if (day := day_of(notice["ended"])) > after
    )
    yield _by_key("notices over, by day and state", ("counted", days), ("rows", there))
    told = {notice for notice, at in held.trail.sent.items() if at >= horizon}
    sent = {key for key, notice in ended.items() if notice["state"] == "sent"}
    yield _of_sets("notices sent", ("by the trail", told), ("rows", sent))


def _trail(held: Held, books: Mapping[str, Any]) -> Iterator[Line]:
    trail = held.trail
    yield Line(of="trail", left=("entries", trail.entries), right=("size of the tree", held.tree))
    wrong = 0 if held.finding is None else 1
    yield Line(of="trail is whole", left=("findings", wrong), right=("expected", 0), note=held.finding or "")
    yield _by_key("trail, by event", ("noted", books["events"]), ("entries", trail.later))


def _both(word: str, count: int, carried: int) -> tuple[str, int]:
    return (_sum({word: count, "before the books": carried}) if carried else word), count + carried


def _sum(parts: Mapping[str, int]) -> str:
    return " + ".join(f"{name} {count}" for name, count in parts.items())


def _by_key(of: str, left: tuple[str, Mapping[str, int]], right: tuple[str, Mapping[str, int]]) -> Line:
    """Compare key by key: what is too many under one does not make up for what is missing under another."""
    wrong = [key for key in sorted({*left[1], *right[1]}) if left[1].get(key, 0) != right[1].get(key, 0)]
    note = ", ".join(f"{key}: {left[1].get(key, 0)} and {right[1].get(key, 0)}" for key in wrong)
    return _adding_up(
        of, (left[0], sum(left[1].values())), (right[0], sum(right[1].values())), len(wrong), note
    )


def _of_sets(of: str, left: tuple[str, set[str]], right: tuple[str, set[str]]) -> Line:
    """Compare one by one."""
    wrong = sorted(left[1] ^ right[1])
    note = ", ".join(f"{key} only {left[0] if key in left[1] else 'in ' + right[0]}" for key in wrong)
    return _adding_up(of, (left[0], len(left[1])), (right[0], len(right[1])), len(wrong), note)


def _adding_up(of: str, left: tuple[str, int], right: tuple[str, int], wrong: int, note: str) -> Line:
    if wrong and left[1] == right[1]:  # as many on both sides, but not the same ones
        right = (f"{right[0]} but {wrong} not the same", right[1] - wrong)
    return Line(of=of, left=left, right=right, note=note[:400])


# ---- shown -----------------------------------------------------------------------------------------------------------


def as_table(lines: Iterable[Line]) -> str:
    """One line of text each: what, the two sides, the verdict; what differs is named under it."""
    rows = [(line.of, _side(line.left), _side(line.right), line.verdict, line.note) for line in lines]
    widths = [max(len(row[place]) for row in rows) for place in range(2)]
    told = []
    for of, left, right, verdict, note in rows:
        told.append(f"{of:{widths[0]}}  {left:{widths[1]}}  {verdict:>12}  {right}")
        if note:
            told.append(f"{'':{widths[0]}}  {note}")
    return "\n".join(told)


def as_json(lines: Iterable[Line]) -> str:
    """The same as one JSON object."""
    told = [
        {
            "of": line.of,
            "left": {"of": line.left[0], "count": line.left[1]},
            "right": {"of": line.right[0], "count": line.right[1]},
            "agrees": not line.differs,
            "differs_by": line.differs,
            "note": line.note,
        }
        for line in lines
    ]
    return json.dumps({"agrees": all(line["agrees"] for line in told), "lines": told}, indent=2)


def _side(side: tuple[str, int]) -> str:
    words, count = side
    return f"{count} = {words}" if "+" in words else f"{count} {words}"
