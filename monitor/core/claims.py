"""Two bridges that claim one device: said, and kept from making the picture flap.

The bridge that has a device keeps it while it speaks. Another's first word takes the device over at once, as the pump
may have been moved; only when the one that was left speaks again do two claim it. From then on the picture stays with
the one that has it, and shows the alarm conditions that *either* shows: it may be two pumps by one name, and an alarm
of neither may go unheard. If the one that has it falls silent, or its bridge is gone, the other gets it.

Editing rules: nothing here changes a picture; `Fleet` does what is said here.
"""

from __future__ import annotations

from typing import NamedTuple

from monitor.core.messages import AlarmCondition, Snapshot
from monitor.core.picture import Picture
from monitor.core.rulebook import RANK

PATIENCE = 150_000  # ms of silence after which the other bridge gets the device: 2.5 reports; common practice
FORGET = 600_000  # ms after which a claim not repeated is none any more, nor are its alarms; common practice
MOST = 8  # bridges that are remembered to claim one device; nobody has so many

Alarms = tuple[AlarmCondition, ...]


class Claim(NamedTuple):
    """What a bridge that has not got the device last said: its message's id and time, when it came, its alarms."""

    id: str
    time: int
    heard: int
    alarms: Alarms


class Claims:
    """The claims of bridges on devices that another bridge has."""

    def __init__(self) -> None:
        self._rivals: dict[str, dict[str, Claim]] = {}  # device -> source -> its claim
        self._own: dict[str, Alarms] = {}  # what the bridge that has it shows, while two claim it

    def __contains__(self, device: str) -> bool:
        """Whether two claim this device."""
        return device in self._own

    def forget(self, device: str) -> None:
        """Nothing is known of this device any more."""
        self._rivals.pop(device, None)
        self._own.pop(device, None)

    def weigh(
        self, picture: Picture, snapshot: Snapshot, now: int, *, tolerance: int, backlogged: bool, seen: bool
    ) -> str | None:
        """What becomes of a snapshot of another bridge than the picture's: "contested", "late" or "duplicate".

        None if it may take the device over; `seen` says whether the bridge that has it can be seen.
        """
        device, source = snapshot.device, snapshot.source
        rivals = self._rivals.setdefault(device, {})
        claim = rivals.get(source)
        older = snapshot.time < picture.time
        if claim is None or now - claim.heard > FORGET:
            if (
                older
            ):  # left over from before the pump was moved, or a clock that is behind: the next one will tell
                self._keep(rivals, source, Claim(snapshot.id, snapshot.time, now, ()))
            else:
                self._hand_over(picture, snapshot, ())
            return None
        if snapshot.id == claim.id:
            return "duplicate"
        if (older and backlogged) or now - tolerance <= snapshot.time < claim.time <= now + tolerance:
            return "late"
        if not seen or now - picture.receipt > PATIENCE:
            self._hand_over(picture, snapshot, self._own.get(device, ()))
            return None
        self._keep(rivals, source, Claim(snapshot.id, snapshot.time, now, snapshot.alarms))
        self._own.setdefault(device, picture.alarms)
        return "contested"

    def shown(self, device: str, now: int, own: Alarms | None = None) -> Alarms:
        """The alarm conditions that any of the bridges shows; `own` are new ones of the bridge that has the device."""
        alarms = self._own[device] = self._own[device] if own is None else own
        rivals = self._rivals[device]
        for source in [source for source, claim in rivals.items() if now - claim.heard > FORGET]:
            del rivals[source]
        if not rivals:
            self.forget(device)
        for claim in rivals.values():
            alarms = _joined(alarms, claim.alarms)
        return alarms

    def _hand_over(self, picture: Picture, snapshot: Snapshot, alarms: Alarms) -> None:
        """The snapshot's bridge gets the device; the one that had it is remembered with its alarms."""
        rivals = self._rivals[snapshot.device]
        rivals.pop(snapshot.source, None)
        self._keep(rivals, picture.source, Claim(picture.id, picture.time, picture.receipt, alarms))
        if snapshot.device in self._own:
            self._own[snapshot.device] = snapshot.alarms

    def _keep(self, rivals: dict[str, Claim], source: str, claim: Claim) -> None:
        rivals.pop(source, None)
        rivals[source] = claim
        if len(rivals) > MOST:
            del rivals[next(iter(rivals))]


def _joined(alarms: Alarms, others: Alarms) -> Alarms:
    """Both; of one that both show, the higher priority, sounding if either sounds, since when the first says."""
    if not others:
        return alarms
    found = {(alarm.condition, alarm.line): alarm for alarm in alarms}
    for other in others:
        key = (other.condition, other.line)
        alarm = found.get(key)
        if alarm is None:
            found[key] = other
            continue
        if RANK[other.priority] > RANK[alarm.priority]:
            alarm = alarm._replace(priority=other.priority)
        if other.inactivation == "enabled":
            alarm = alarm._replace(inactivation="enabled")
        found[key] = alarm
    return tuple(found.values())
