"""Who is on duty at an instant, and when that changes next."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.core.rota import FOR_EVER, Rota, Span

NIGHT = Rota(
    [
        Span("n1", "nurse", "elm", 100, 200),
        Span("n2", "nurse", "*", 150, 300),
        Span("c1", "charge", "*", 0, FOR_EVER),
        Span("n1", "nurse", "oak", 250, 260),
    ]
)


def test_a_duty_counts_from_its_start_until_before_its_end() -> None:
    """The start is on duty, the end is not: two duties that meet never overlap."""
    assert NIGHT.on_duty("elm", "nurse", 99) == ()
    assert NIGHT.on_duty("elm", "nurse", 100) == ("n1",)
    assert NIGHT.on_duty("elm", "nurse", 199) == ("n1", "n2")
    assert NIGHT.on_duty("elm", "nurse", 200) == ("n2",)


def test_a_star_is_every_unit_and_a_unit_is_only_itself() -> None:
    """A duty for "*" serves all units, one for a unit no other."""
    assert NIGHT.on_duty("oak", "nurse", 160) == ("n2",)
    assert NIGHT.on_duty("elm", "charge", 10**12) == ("c1",)
    assert NIGHT.on_duty("elm", "porter", 160) == ()


def test_whom_the_rota_never_names_is_always_on_call() -> None:
    """A last resort without duties is always on duty; somebody listed is so only in one of their spans."""
    assert NIGHT.is_on_duty("manager", 5)
    assert not NIGHT.is_on_duty("n1", 220)
    assert NIGHT.is_on_duty("n1", 255)


def test_somebody_with_two_duties_is_named_once() -> None:
    """Two spans of one person in one role are one person."""
    twice = Rota([Span("n1", "nurse", "elm", 0, 10), Span("n1", "nurse", "*", 0, 10)])
    assert twice.on_duty("elm", "nurse", 5) == ("n1",)


def test_changes_come_in_order_and_for_ever_is_none() -> None:
    """Each beginning and end once; a duty without an end has none."""
    found, at = [], 0
    while (change := NIGHT.next_change(at)) is not None:
        found.append(change)
        at = change
    assert found == [100, 150, 200, 250, 260, 300]


spans = st.lists(
    st.builds(
        lambda person, start, length: Span(person, "nurse", "*", start, start + length),
        st.sampled_from("abc"),
        st.integers(1, 50),
        st.integers(1, 50),
    ),
    max_size=6,
)


@given(spans, st.integers(0, 120))
def test_between_two_changes_nothing_changes(listed: list[Span], at: int) -> None:
    """Whoever is on duty stays so until `next_change`, so that looking only there misses nothing."""
    rota = Rota(listed)
    change = rota.next_change(at)
    for later in range(at, min(change or 121, 121)):
        assert rota.on_duty("elm", "nurse", later) == rota.on_duty("elm", "nurse", at)
