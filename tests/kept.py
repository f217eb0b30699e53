"""What a bench has kept, as `reconcile` reads it from a store."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from monitor.core.changes import Quarantined
from monitor.core.trail import check
from monitor.reconcile import Held, read_trail, since
from monitor.testing import Kept


def held_by(kept: Kept, *, quarantined: Iterable[Quarantined] | None = None) -> Held:
    """What the store of a bench holds, all messages in quarantine or only those given."""
    places = {
        (q.day, q.reason, q.topic, q.slot) for q in (kept.quarantined if quarantined is None else quarantined)
    }
    finding = check(kept.entries, kept.head())
    return Held(
        rows=kept.rows,
        quarantine=Counter(day for day, *_ in places),
        trail=read_trail(kept.entries, since(kept.rows)),
        tree=kept.head().size,
        finding=None if finding is None else finding.sentence,
    )
