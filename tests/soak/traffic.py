"""What the bridges of a soak publish: the world's messages, and all that can go wrong with messages."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from random import Random

from simulators import World
from simulators.instants import rfc3339
from simulators.wire import Published
from tests.soak.bridges import Post
from tests.soak.site import LOUD

FRESH, DUPLICATE, LATE, PRESENCE, PLAN = "snapshots", "duplicate", "late", "presence", "plan"
ANSWER, ANSWER_AGAIN = "answers", "answers repeated"
REJECTED = "rejected "  # and the reason

_TIME = re.compile(rb'"(time|since)": ?"([^"]+)"')
_SEQUENCE = re.compile(rb'"sequence": ?(\d+)')


@dataclass(slots=True)
class Traffic:
    """The messages of a night, instant by instant; remembers what was sent last about each pump."""

    world: World
    random: Random
    last: dict[str, Post] = field(default_factory=dict)
    before: dict[str, Post] = field(default_factory=dict)
    shifts: dict[str, timedelta] = field(default_factory=dict)  # how wrong a bridge's clock is
    doubtful: set[str] = field(default_factory=set)  # bridges whose clock ever was wrong
    published: Counter[str] = field(default_factory=Counter)
    malformed: set[str] = field(default_factory=set)  # SHA-256 of what cannot be read
    gaps: int = 0  # sequence numbers that were never published, or came too late
    more: list[Post] = field(default_factory=list)  # what the next instant has besides
    swaps: int = 0  # how many messages are still to be held back until after their pump's next
    repeats: int = 0  # of the next instant: how many newest messages are to be sent twice
    delays: int = 0  # of the next instant: how many messages are to come again after they were overtaken
    storms: int = 0  # of the next instant: how many messages one pump sends
    plans: int = 0  # of the next instant
    taken: int = 0
    _held: dict[str, Post] = field(default_factory=dict)
    _sequences: dict[str, int] = field(default_factory=dict)
    _made: int = 0

    def take(self, at: int) -> list[Post]:
        """All messages up to an instant, in order."""
        found = [post for published in self.world.advance(at) for post in self._posts(published)]
        found += [*self.more, *self._storm(self.taken, at), *self._plans(at)]
        for post in found:
            if post.kind == FRESH:
                self._remember(post)
        found += self._again()  # last: it is about the newest message of each pump
        self.more, self.storms, self.plans, self.repeats, self.delays = [], 0, 0, 0, 0
        self.taken = at
        self.published.update(post.kind for post in found)
        return found

    def _again(self) -> Iterator[Post]:
        for device in self._some([device for device in self.last if device not in LOUD], self.repeats):
            yield dataclasses.replace(self.last[device], kind=DUPLICATE)
        sure = [device for device, post in self.before.items() if self._is_sure(post)]
        for device in self._some(sure, self.delays):
            yield dataclasses.replace(self.before[device], kind=LATE)

    def _posts(self, published: Published) -> Iterator[Post]:
        if not published.topic.endswith("/state"):
            yield Post(
                bridge=published.bridge, topic=published.topic, payload=published.payload, kind=PRESENCE
            )
            return
        payload = published.payload
        if (shift := self.shifts.get(published.bridge)) is not None:
            payload = _TIME.sub(lambda found: _shifted(found, shift), payload)
        post = Post(bridge=published.bridge, topic=published.topic, payload=payload, kind=FRESH)
        device = device_of(post)
        if (held := self._held.pop(device, None)) is not None:
            yield post
            yield dataclasses.replace(held, kind=LATE)
        elif self.swaps and device in self.before and self._is_sure(post):
            self.swaps -= 1
            self._held[device] = post
        else:
            yield post

    def _is_sure(self, post: Post) -> bool:
        """Whether it can be foretold what becomes of a message of this bridge that comes late."""
        return post.bridge not in self.doubtful

    def _remember(self, post: Post) -> None:
        device = device_of(post)
        if device in self.last:
            self.before[device] = self.last[device]
        self.last[device] = post
        found = _SEQUENCE.search(post.payload)
        assert found is not None
        number, newest = int(found[1]), self._sequences.get(device, 0)
        if newest:
            self.gaps += number - newest - 1
        self._sequences[device] = number

    # ---- what goes wrong -----------------------------------------------------------------------------------------

    def _some(self, devices: list[str], count: int) -> list[str]:
        """So many pumps, none of which has a message held back: its newest is not its newest."""
        free = [device for device in devices if device not in self._held]
        return self.random.sample(free, min(count, len(free)))

    def set_clock(self, bridge: str, shift: timedelta | None) -> None:
        """Set a bridge's clock wrong, or right again."""
        self.doubtful.add(bridge)
        if shift is None:
            del self.shifts[bridge]
        else:
            self.shifts[bridge] = shift

    def _storm(self, since: int, at: int) -> Iterator[Post]:
        """One pump sends all its messages in one instant's time, its alarm on and off; then it is switched off."""
        device, count = self.random.choice(LOUD), self.storms
        bridge, unit = self.world.scenario.bridges[0], self.world.scenario.units[0]
        first = self._sequences.get(device, 0) + 1
        for place in range(count):
            number, last = first + place, place == count - 1
            when = rfc3339(since + (at - since) * (place + 1) // count)
            alarm = {"condition": "occlusion", "priority": "high", "since": when, "inactivation": "enabled"}
            said = {
                "sequence": number,
                "activity": "off" if last else "feeding",
                "alarms": [] if last or place % 2 else [alarm],
            }
            payload = _event(bridge, f"{device}-{number}", device, when, "device-state", said)
            yield Post(bridge=bridge, topic=self._topic(unit, device, "state"), payload=payload, kind=FRESH)

    def _plans(self, at: int) -> Iterator[Post]:
        """Plans for some pumps: feed is due all day, and who is fed may be at risk if it stops."""
        for device in self._some([device for device in self.last if device not in LOUD], self.plans):
            post, number = self.last[device], self._number()
            said = {"windows": [{"from": "00:00", "to": "24:00"}], "glucose_risk": number % 2 == 0}
            yield Post(
                bridge=post.bridge,
                topic=post.topic.removesuffix("/state") + "/plan",
                payload=_event(post.bridge, f"plan-{number}", device, rfc3339(at), "plan", said),
                kind=PLAN,
            )

    def press(self, at: int, device: str, person: str, concern: str) -> None:
        """A bedside button: somebody accepts; now and then it is pressed long enough to send twice."""
        post, number = self.last[device], self._number()
        said = {"concern": concern, "answer": "accept", "person": person}
        pressed = Post(
            bridge=post.bridge,
            topic=post.topic.removesuffix("/state") + "/responsibility",
            payload=_event(post.bridge, f"button-{number}", device, rfc3339(at), "answer", said),
            kind=ANSWER,
            retain=False,
        )
        self.more.append(pressed)
        if number % 3 == 0:
            self.more.append(dataclasses.replace(pressed, kind=ANSWER_AGAIN))

    def spoil(self, at: int, count: int) -> None:
        """Send messages that cannot be read, of every kind, about pumps that can otherwise be heard."""
        for device in self._some([device for device in self.last if device not in LOUD], count):
            post, number = self.last[device], self._number()
            reason, payload = self._spoilt(post, number, rfc3339(at))
            # Not retained: the pump's last state stays what a new subscriber gets.
            spoilt = Post(
                bridge=post.bridge, topic=post.topic, payload=payload, kind=REJECTED + reason, retain=False
            )
            self.malformed.add(hashlib.sha256(payload).hexdigest())
            self.more.append(spoilt)

    def _spoilt(self, post: Post, number: int, when: str) -> tuple[str, bytes]:
        mark = f"spoilt-{number}"
        event = json.loads(post.payload) | {"id": mark, "time": when}
        alarm = {"condition": "occlusion", "priority": "high", "since": when, "inactivation": "enabled"}
        match number % 7:
            case 0:
                return "not-json", json.dumps(event).encode()[:-1]
            case 1:
                return "subject-differs", json.dumps(event | {"subject": "pump-none"}).encode()
            case 2:
                return "no-usable-time", json.dumps(event | {"time": "yesterday"}).encode()
            case 3:
                twice = event["data"] | {"alarms": [alarm, alarm]}
                return "duplicate-alarm", json.dumps(event | {"data": twice}).encode()
            case 4:
                return "not-utf8", json.dumps(event).encode() + b"\xff"
            case 5:
                return "not-an-object", json.dumps([event]).encode()
        return "too-large", json.dumps(event | {"padding": "x" * 70_000}).encode()

    def _number(self) -> int:
        self._made += 1
        return self._made

    def _topic(self, unit: str, device: str, kind: str) -> str:
        scenario = self.world.scenario
        return f"{scenario.prefix}/{scenario.site}/{unit}/{device}/{kind}"


def device_of(post: Post) -> str:
    """The pump that a message is about."""
    return post.topic.rsplit("/", 2)[1]


def _shifted(found: re.Match[bytes], shift: timedelta) -> bytes:
    moment = datetime.fromisoformat(found[2].decode()) + shift
    return b'"%b":"%b"' % (found[1], moment.astimezone(UTC).isoformat().replace("+00:00", "Z").encode())


def _event(bridge: str, ident: str, device: str, when: str, kind: str, data: Mapping[str, object]) -> bytes:
    event: dict[str, object] = {
        "specversion": "1.0",
        "id": ident,
        "source": f"urn:bridge:{bridge}",
        "type": f"secondbell.{kind}.v1",
        "subject": device,
        "time": when,
        "datacontenttype": "application/json",
        "data": data,
    }
    return json.dumps(event).encode()
