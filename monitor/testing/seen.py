"""What is so on a bench: concerns, who was told, and whether the trail is whole, in the words of the trade."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.core.concern import Concern
from monitor.core.concerns import State
from monitor.core.engine import Engine
from monitor.core.trail import check
from monitor.testing.recorders import Kept, Told


class Seen:
    """Looks at what a bench has done, and asserts."""

    engine: Engine
    kept: Kept
    told: list[Told]
    _moved: int  # how many had been told when time was last moved on

    def concerns(self, device: str, rule: str | None = None) -> list[Concern]:
        """All concerns of a device or "unit:NAME", oldest first."""
        found = (c for c in self.engine.responsibility.concerns.values() if c.subject == device)
        return sorted((c for c in found if rule in (None, c.rule)), key=lambda c: (c.opened, c.rule))

    def concern(self, device: str, rule: str | None = None) -> Concern:
        """The newest concern."""
        found = self.concerns(device, rule)
        assert found, f"no concern {rule or ''} of {device} was raised"
        return found[-1]

    def notices(self, person: str | None = None, *, why: str | None = None) -> list[Told]:
        """What reached somebody since time was last moved on (or during that), and why."""
        return [
            told
            for told in self.told[self._moved :]
            if person in (None, told.person) and (why is None or any(w == why for _, w in told.items))
        ]

    def assert_told(self, person: str, why: str | None = None, *, by: str | None = None) -> Told:
        """This person was told since time was last moved on; gives the newest such notice."""
        found = [told for told in self.notices(person, why=why) if by in (None, told.carrier)]
        assert found, f"{person} was not told {why or ''}; told were {self._who_was_told()}"
        return found[-1]

    def assert_not_told(self, person: str, why: str | None = None) -> None:
        """This person was not told since time was last moved on."""
        assert not self.notices(person, why=why), f"{person} was told; told were {self._who_was_told()}"

    def assert_nobody_told(self) -> None:
        """Nobody was told anything since time was last moved on."""
        assert not self.notices(), f"told were {self._who_was_told()}"

    def assert_open(self, device: str, rule: str | None = None) -> Concern:
        """The newest concern needs somebody, and nobody has it."""
        return self._assert_state(device, rule, State.OPEN)

    def assert_accepted(self, device: str, person: str, rule: str | None = None) -> Concern:
        """The newest concern is accepted by this person."""
        concern = self._assert_state(device, rule, State.ACCEPTED)
        assert concern.holder == person, f"{concern.holder} has it, not {person}"
        return concern

    def assert_settled(self, device: str, rule: str | None = None) -> Concern:
        """The newest concern is over."""
        return self._assert_state(device, rule, State.SETTLED)

    def assert_trail_whole(self) -> None:
        """The trail is what its tree was built from."""
        found = check(self.kept.entries, self.kept.head())
        assert found is None, found

    def _assert_state(self, device: str, rule: str | None, state: State) -> Concern:
        concern = self.concern(device, rule)
        assert concern.state is state, f"{concern.rule} of {device} is {concern.state}, not {state}"
        return concern

    def _who_was_told(self) -> Sequence[tuple[str, str]]:
        return [(told.person, why) for told in self.notices() for _, why in told.items]
