"""What a replay brought about, counted: concerns, how soon they were told, and what that asks of each nurse.

Nobody answers in a replay, so ladders climb to their end and go round. A notice is a *first* one if it tells of a
concern that was just raised, relapsed or rose; those that only went on because nobody accepted, and those that say
that something is over, are counted in `all` alone. "By itself" means that nobody had answered, as nobody does.

Editing rules: counts what happened and nothing else; limits of alarm systems stand in `core.load`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from statistics import median
from typing import Any, Final, NamedTuple, cast

from monitor.core.instants import DAY, HOUR, MINUTE, show
from monitor.core.journal import Happening
from monitor.core.load import Band, band, rate, worst
from monitor.core.rota import Rota

SOON: Final = (
    2 * MINUTE
)  # a concern that is over within this would have been over without a notice (the issue)
FIRST_REASONS: Final = frozenset({"raised", "relapsed", "priority-raised"})

CAUTION: Final = (
    "Design evidence from recorded messages, not a clinical claim: it says what these rules would have told of these "
    "messages, not what that would have done for anybody."
)
ANSWERS: Final = (
    "People's answers are not simulated: nobody accepts, so every ladder climbs to its end. First notices (a concern "
    "raised, come back, or risen in priority) are what does not depend on that; all notices are the most there can be."
)


@dataclass(slots=True)
class Story:
    """One concern from beginning to end; instants in ms UTC, None where it did not come to that."""

    id: str
    rule: str
    subject: str
    priority: str
    since: int  # when the run, onsets or silence behind it began
    raised: int  # when the rule began to hold
    told: int | None = None  # when its first notice was sent
    settled: int | None = None  # for the first time
    over: int | None = None  # None while it is open at the end
    relapses: int = 0

    @property
    def soon(self) -> bool:
        """Whether it was over by itself within 2 minutes."""
        return self.settled is not None and self.settled - self.raised <= SOON


class Sent(NamedTuple):
    """One notice: when and to whom, of which rules it tells, and of which of them for the first time."""

    at: int
    person: str
    rules: frozenset[str]
    first: frozenset[str]


class Nurse(NamedTuple):
    """What one person was told; `hours` is the time on duty in the recording."""

    person: str
    hours: float
    first: int
    all: int
    first_per_hour: float
    all_per_hour: float
    band: Band  # of the first notices
    worst: int  # first notices in the worst 10 min


class Asked(NamedTuple):
    """What all nurses were told, for each hour of each; None without any nurse-hour."""

    nurse_hours: float
    first: int
    all: int
    first_per_nurse_hour: float | None
    all_per_nurse_hour: float | None
    band: Band | None  # of the first notices
    band_all: Band | None
    worst: int  # first notices to one nurse in the worst 10 min


class Rules(NamedTuple):
    """What one rule did, or all rules together; shares from 0 to 1, None where there is nothing to tell.

    `delay` is the median from the rule's holding to the first notice, `begun` that from the beginning of what is behind
    it (run, onsets, silence), both in ms.
    """

    raised: int
    told: int
    settled: int
    relapsed: int
    delay: int | None
    begun: int | None
    soon: float | None
    asked: Asked


@dataclass(slots=True)
class Tally:
    """Takes what happens, in order."""

    stories: dict[str, Story] = field(default_factory=dict)
    sent: list[Sent] = field(default_factory=list)
    _composed: dict[str, list[tuple[str, str]]] = field(default_factory=dict)  # notice -> (rule, why)

    def take(self, happenings: Iterable[Happening]) -> None:
        """Count what happened."""
        for happening in happenings:
            event, key = happening.event, happening.concern
            if key is None or (happening.rule is None and event != "notice-sent"):
                continue
            if event == "raised":
                since = happening.detail.get("since")
                self.stories[key] = Story(
                    key,
                    cast(str, happening.rule),
                    cast(str, happening.device),
                    cast(str, happening.priority),
                    since if isinstance(since, int) else happening.at,
                    happening.at,
                )
            elif event == "relapsed":
                self.stories[key].relapses += 1
                self.stories[key].over = None
            elif event == "priority-raised":
                self.stories[key].priority = cast(str, happening.priority)
            elif event in ("settled", "withdrawn"):
                story = self.stories[key]
                story.over = happening.at
                if story.settled is None and event == "settled":
                    story.settled = happening.at
            elif event == "told":
                told = (cast(str, happening.rule), cast(str, happening.detail["why"]))
                self._composed.setdefault(cast(str, happening.detail["notice"]), []).append(told)
            elif event == "notice-sent":
                self._sent(happening)

    def _sent(self, happening: Happening) -> None:
        for concern in cast("list[str]", happening.detail["concerns"]):
            if (story := self.stories.get(concern)) is not None and story.told is None:
                story.told = happening.now
        composed = self._composed.pop(cast(str, happening.detail["notice"]), [])
        self.sent.append(
            Sent(
                happening.now,
                cast(str, happening.person),
                frozenset(rule for rule, _ in composed),
                frozenset(rule for rule, why in composed if why in FIRST_REASONS),
            )
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Measures:
    """What one replay brought about; `device_ms` is for how long each device was known, together."""

    site: str
    since: int
    until: int
    messages: int
    not_taken: int  # of another site, or unreadable
    devices: int
    device_ms: int
    stories: tuple[Story, ...]
    sent: tuple[Sent, ...]
    duty: Mapping[str, int]  # ms on duty by person

    @property
    def device_days(self) -> float:
        """Days of devices, each from when it was first heard of to the end of the recording."""
        return self.device_ms / DAY

    def rules(self) -> list[str]:
        """The rules that did anything."""
        return sorted({story.rule for story in self.stories})

    def of(self, rule: str | None = None) -> Rules:
        """What one rule did, None: all of them."""
        stories = [story for story in self.stories if rule in (None, story.rule)]
        delays = [story.told - story.raised for story in stories if story.told is not None]
        begun = [story.told - story.since for story in stories if story.told is not None]
        return Rules(
            raised=len(stories),
            told=len(delays),
            settled=sum(story.settled is not None for story in stories),
            relapsed=sum(story.relapses for story in stories),
            delay=round(median(delays)) if delays else None,
            begun=round(median(begun)) if begun else None,
            soon=sum(story.soon for story in stories) / len(stories) if stories else None,
            asked=self.asked(rule),
        )

    def per_device_day(self, rule: str | None = None) -> float | None:
        """Concerns for each day of each device; None if there was none."""
        raised = sum(rule in (None, story.rule) for story in self.stories)
        return raised / self.device_days if self.device_ms else None

    def nurses(self, rule: str | None = None) -> list[Nurse]:
        """Each person who has a duty or was told, by name."""
        found = []
        for person in sorted({*self.duty, *(sent.person for sent in self.sent)}):
            ms = self.duty.get(person, self.until - self.since)
            if ms <= 0:
                continue
            mine = [sent for sent in self.sent if sent.person == person]
            first, every = _first(mine, rule), _every(mine, rule)
            peak = worst(first)
            per_hour = rate(len(first), ms, HOUR)
            found.append(
                Nurse(
                    person, ms / HOUR, len(first), len(every), per_hour, rate(len(every), ms, HOUR), band(per_hour),
                    peak.number if peak else 0,
                )
            )  # fmt: skip
        return found

    def asked(self, rule: str | None = None) -> Asked:
        """What all who have a duty were told; if nobody has one, all who were told."""
        nurses = [
            nurse for nurse in self.nurses(rule) if not any(self.duty.values()) or self.duty.get(nurse.person)
        ]
        hours = sum(nurse.hours for nurse in nurses)
        first, every = sum(nurse.first for nurse in nurses), sum(nurse.all for nurse in nurses)
        return Asked(
            nurse_hours=hours,
            first=first,
            all=every,
            first_per_nurse_hour=first / hours if hours else None,
            all_per_nurse_hour=every / hours if hours else None,
            band=band(first / hours) if hours else None,
            band_all=band(every / hours) if hours else None,
            worst=max((nurse.worst for nurse in nurses), default=0),
        )

    def as_json(self) -> dict[str, Any]:
        """The figures as JSON values."""
        return {
            "site": self.site,
            "since": show(self.since),
            "until": show(self.until),
            "messages": self.messages,
            "messages_not_taken": self.not_taken,
            "devices": self.devices,
            "device_days": self.device_days,
            "concerns_per_device_day": self.per_device_day(),
            "all_rules": rules_json(self.of()),
            "rules": {rule: rules_json(self.of(rule)) for rule in self.rules()},
            "nurses": [nurse._asdict() for nurse in self.nurses()],
        }


def rules_json(found: Rules) -> dict[str, Any]:
    """What a rule did as JSON values."""
    return {
        "raised": found.raised,
        "told": found.told,
        "settled": found.settled,
        "relapsed": found.relapsed,
        "median_delay_ms": found.delay,
        "median_delay_from_beginning_ms": found.begun,
        "share_settled_within_2_min": found.soon,
        "notices": found.asked._asdict(),
    }


def story_json(story: Story) -> dict[str, Any]:
    """A concern as JSON values."""
    return {
        "concern": story.id,
        "rule": story.rule,
        "subject": story.subject,
        "priority": story.priority,
        "since": show(story.since),
        "raised": show(story.raised),
        "told": None if story.told is None else show(story.told),
        "settled": None if story.settled is None else show(story.settled),
    }


def duty(rota: Rota, since: int, until: int) -> dict[str, int]:
    """How many ms of a period each person has any duty, those who have it twice at once counted once."""
    spans: dict[str, list[tuple[int, int]]] = {}
    for span in rota.spans:
        if (begin := max(span.start, since)) < (end := min(span.end, until)):
            spans.setdefault(span.person, []).append((begin, end))
    return {person: _covered(sorted(of_person)) for person, of_person in spans.items()}


def _covered(spans: Collection[tuple[int, int]]) -> int:
    covered, at = 0, 0
    for begin, end in spans:
        covered += max(0, end - max(begin, at))
        at = max(at, end)
    return covered


def _first(sent: Iterable[Sent], rule: str | None) -> list[int]:
    return [one.at for one in sent if (one.first if rule is None else rule in one.first)]


def _every(sent: Iterable[Sent], rule: str | None) -> list[int]:
    return [one.at for one in sent if rule is None or rule in one.rules]
