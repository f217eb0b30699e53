"""What may be done to the record while no service runs: another key, a forgotten name. The lock keeps a service out."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

from monitor.adapters.lockfile import Lock
from monitor.adapters.store import Loaded, SqliteStore
from monitor.adapters.store_heads import keys_of, last_key
from monitor.adapters.trail_keys import next_key, take_next, trail_key
from monitor.core.books import KEY as BOOKS
from monitor.core.changes import Changes
from monitor.core.heads import FORGOTTEN, KEY_CHANGED
from monitor.core.phrases import one_line
from monitor.core.trail import Frontier, entry
from monitor.record import LONGEST_NAME, NOT_KNOWN, changed, forgotten, rotated, sign_head, still_used

Note = tuple[str, Mapping[str, object]]


@contextmanager
def _opened(folder: Path, site: str | None = None) -> Iterator[SqliteStore]:
    """The store of a stopped service; StateError if one runs, StoreError."""
    from monitor.adapters.store_reader import StoreReader

    with StoreReader(folder) as reader:  # before anything is made in a folder that has no store
        site = site or reader.site
    with Lock(folder):
        store = SqliteStore.open(folder, site=site, create=False)
        try:
            yield store
        finally:
            store.close()


def rotate(folder: Path, now: int) -> dict[str, Any]:
    """Let another key sign from now on; the old one signs that, and a last head."""
    with _opened(folder) as store:
        take_next(folder, last_key(store))
        old = trail_key(folder)
        if (last := last_key(store)) not in (None, old.id):
            return {
                "ok": False,
                "text": f"The key that signed last, {last}, is not here: start the service, which tells the trail so.",
            }
        loaded = store.load()
        now = max(now, _newest_instant(loaded))
        if last is None:
            sign_head(store, old, now)  # else nothing would tell which key was the first
        new = next_key(folder)
        _append(store, loaded, [(KEY_CHANGED, changed(store.site, old, new))], now)
        take_next(folder, new.id)
        sign_head(store, new, now)
    return {"ok": True, "text": rotated(old.id, new.id)}


def forget(folder: Path, site_file: Path, name: str, now: int) -> dict[str, Any]:
    """Erase a name; ProblemsFound if the site file is wrong."""
    from monitor.settings import load

    site = load(site_file, key=b"").site
    if (why := still_used(name, site)) is not None:
        return {"ok": False, "text": why}
    with _opened(folder, site.name) as store:
        loaded = store.load()
        concerns = [json.loads(text)[1] for text in loaded.rows.get("concern", {}).values()]
        live = [told for told in concerns if told["state"] in ("open", "accepted")]
        if any(name in (told["subject"], told["holder"], *told["told"]) for told in live):
            return {
                "ok": False,
                "text": f"{name} is part of a concern that is not over yet; ask again when it is.",
            }
        keys = keys_of(store, name)
        if not keys:
            return {"ok": False, "text": NOT_KNOWN.format(name=one_line(name, LONGEST_NAME))}
        kinds: dict[str, Literal["person", "device"]] = {
            key: "person" if kind == "person" else "device" for key, kind in keys.items()
        }
        rows: dict[tuple[str, str], str | None] = {}
        if name in loaded.rows.get("device", {}):
            engine = json.loads(loaded.rows["engine"]["engine"])
            engine["counters"]["devices forgotten"] = engine["counters"].get("devices forgotten", 0) + 1
            rows = {("device", name): None, ("engine", "engine"): json.dumps(engine, separators=(",", ":"))}
        notes: list[Note] = [(FORGOTTEN, {"key": key, "what": kind}) for key, kind in kinds.items()]
        now = max(now, _newest_instant(loaded))
        _append(store, loaded, notes, now, rows=rows, names={key: (kind, "") for key, kind in kinds.items()})
    return {"ok": True, "text": forgotten(name, keys)}


def _newest_instant(loaded: Loaded) -> int:
    """The engine's last instant: the trail's time does not run back."""
    text = loaded.rows.get("engine", {}).get("engine")
    return 0 if text is None else int(json.loads(text)["now"])


def _append(
    store: SqliteStore,
    loaded: Loaded,
    notes: list[Note],
    now: int,
    *,
    rows: Mapping[tuple[str, str], str | None] | None = None,
    names: dict[str, tuple[Literal["person", "device"], str]] | None = None,
) -> None:
    """Add entries to the trail as the engine would, and count them in the books."""
    frontier = Frontier.from_text(loaded.frontier)
    entries = []
    books = loaded.rows.get("engine", {}).get(BOOKS)
    told: dict[str, Any] = {} if books is None else json.loads(books)
    for event, detail in notes:
        made = entry(n=frontier.size, at=now, event=event, detail=detail)
        frontier.append(made.leaf)
        entries.append(made)
        if told:
            told["events"][event] = told["events"].get(event, 0) + 1
    more = {("engine", BOOKS): json.dumps(told, separators=(",", ":"))} if told else {}
    changes = Changes(
        rows={**(rows or {}), **more}, entries=entries, frontier=frontier.to_text(), names=names or {}
    )
    store.commit(changes)
