"""Many concerns of one rule in one unit at about the same time: what belongs together, and for how long."""

from __future__ import annotations

import pytest

from monitor.core.concern import Concern
from monitor.core.groups import Group, Groups
from monitor.core.instants import SECOND
from monitor.testing import START, ward


def concern(number: int, unit: str = "elm", rule: str = "unattended") -> Concern:
    """A concern of its own pump."""
    return Concern(
        id=f"c{number}", subject=f"pump-{number}", unit=unit, rule=rule, about="alarms", rank=2, at=START
    )


def call_all(groups: Groups, numbers: range, at: int = START, why: str = "raised", **of: str) -> Group | None:
    """These are called at one instant; the group of the last."""
    found = None
    for number in numbers:
        found, _ = groups.called(concern(number, **of), why, at)
    return found


def test_five_are_no_group_and_six_are() -> None:
    """More than five of one rule in one unit: the sixth makes them a group of all six (design §6)."""
    groups = Groups(ward())
    assert call_all(groups, range(5)) is None
    group, formed = groups.called(concern(5), "raised", START)
    assert formed
    assert group is not None
    assert group.members == [f"c{n}" for n in range(6)]
    assert groups.called(concern(5), "raised", START) == (group, False)  # each person's notice asks once more


def test_other_rules_and_units_count_by_themselves() -> None:
    """Five of each are no group together."""
    groups = Groups(ward())
    assert call_all(groups, range(5)) is None
    assert call_all(groups, range(10, 15), unit="oak") is None
    assert call_all(groups, range(20, 25), rule="idle-past-limit") is None


@pytest.mark.parametrize(("after", "grouped"), [(60 * SECOND, True), (60 * SECOND + 1, False)])
def test_within_a_minute_is_a_minute(after: int, grouped: bool) -> None:
    """The sixth exactly 60 s after the first still counts with it, a millisecond later it does not (design §6)."""
    groups = Groups(ward())
    call_all(groups, range(5))
    group, _ = groups.called(concern(5), "raised", START + after)
    assert (group is not None) == grouped


def test_a_group_grows_until_a_minute_passes_without_another() -> None:
    """What comes within 60 s of the last one joins; later ones begin to count anew."""
    groups = Groups(ward())
    group = call_all(groups, range(6))
    assert groups.called(concern(6), "raised", START + 60 * SECOND) == (group, False)
    assert groups.called(concern(7), "raised", START + 120 * SECOND) == (group, False)
    assert groups.called(concern(8), "raised", START + 181 * SECOND) == (None, False)


def test_what_begins_anew_alone_is_told_alone() -> None:
    """A member that relapses long after goes by itself at once, and its later calls too; those of the others do not."""
    groups = Groups(ward())
    group = call_all(groups, range(6))
    later = START + 600 * SECOND
    assert groups.called(concern(0), "next-rung", later) == (group, False)
    assert groups.called(concern(0), "relapsed", later) == (None, False)
    assert groups.called(concern(0), "next-rung", later + 600 * SECOND) == (None, False)
    assert groups.called(concern(1), "next-rung", later + 600 * SECOND) == (group, False)


def test_the_id_follows_from_what_it_is_about() -> None:
    """Two engines give one group the same id, and so the same codes; another instant gives another."""
    ids = []
    for at in (START, START, START + 1):
        group = call_all(Groups(ward()), range(6), at)
        assert group is not None
        ids.append(group.id)
    assert ids[0] == ids[1] != ids[2]


def test_units_that_nobody_listed_share_one_count() -> None:
    """However many units topics make up, no more is remembered of them than of one."""
    groups = Groups(ward())
    for number in range(100):
        groups.called(concern(number, unit=f"made-up-{number}"), "raised", START + number * 61 * SECOND)
    assert len(groups.take_rows()) == 1


def test_rows_bring_back_what_was_called_lately_and_every_group() -> None:
    """Stored after each step and loaded again: the same groups, members and lists as without a stop."""
    site = ward()
    straight, stopped = Groups(site), Groups(site)
    rows: dict[tuple[str, str], str | None] = {}
    for number in range(12):
        at = START + number * 9 * SECOND
        why = "relapsed" if number == 11 else "raised"
        for one in (straight, stopped):
            group, _ = one.called(concern(number if number < 11 else 0), why, at)
            if group is not None:
                one.lists(group.id, "nurse-1", [f"c{number}"], at)
                one.told(group, "nurse-1", "call", at)
        rows |= stopped.take_rows()
        stopped = Groups(site)
        stopped.load([text for text in rows.values() if text is not None])
    assert straight.known.keys() == stopped.known.keys()
    for key, group in straight.known.items():
        assert group.dump() == stopped.known[key].dump()
    assert all(straight.of(f"c{n}") is not None and stopped.of(f"c{n}") is not None for n in range(11))


def test_who_left_a_group_has_left_it_after_a_restart_too() -> None:
    """A member that began anew alone is no member of the old group again because of a stop."""
    site = ward()
    groups = Groups(site)
    group = call_all(groups, range(6))
    groups.called(concern(0), "relapsed", START + 600 * SECOND)
    again = Groups(site)
    again.load([text for text in groups.take_rows().values() if text is not None])
    assert again.of("c0") is groups.of("c0") is None
    assert group is not None
    assert again.of("c1") is again.known[group.id]


def test_a_group_is_forgotten_with_its_last_concern() -> None:
    """While any member is kept its code works; after that its row is deleted."""
    groups = Groups(ward())
    group = call_all(groups, range(6))
    assert group is not None
    groups.take_rows()
    kept = {f"c{n}": None for n in range(6)}
    for number in range(6):
        del kept[f"c{number}"]
        groups.forget((f"c{number}",), kept)
        assert (group.id in groups.known) == (number < 5)
    assert groups.take_rows()["group", group.id] is None


def test_a_code_finds_what_was_listed_for_this_person_and_no_more() -> None:
    """Each person has a code of her own, for what her notices listed."""
    site = ward()
    groups = Groups(site)
    group = call_all(groups, range(8))
    assert group is not None
    groups.lists(group.id, "nurse-1", ["c0", "c1"], START)
    groups.lists(group.id, "nurse-1", ["c1", "c5"], START)
    groups.lists(group.id, "nurse-2", ["c7"], START)
    mine = site.code(group.id, "nurse-1")
    assert groups.find(f" {mine.lower()} ", "nurse-1") == ("c0", "c1", "c5")
    assert groups.find(group.id, "nurse-2") == ("c7",)  # its id serves as well
    assert groups.find(group.id, "charge") is None
    assert groups.find(mine, "nurse-2") is None
    assert groups.find(site.code(group.id, "charge"), "charge") is None
    assert groups.listed(group.id, "nurse-2") == ("c7",)
