"""A recording, run again exactly as it was: the same inputs, at the same instants, in the same order, the same engine.

What is wanted of it is that it be exact, to the millisecond and to the last id; what another site file would have said
is a question for `replay`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from monitor.core.decode import decode
from monitor.core.engine import Engine
from monitor.core.instants import parse, show
from monitor.core.journal import Happening
from monitor.core.parts import Loaded
from monitor.core.site import Site
from monitor.recorded import EVENTS, Input, Line, Recorded

DRAIN = 256  # inputs after which what would have been stored and sent is forgotten


def rerun(
    entries: Iterable[Recorded], site: Site, *, until: int | None = None, say: Callable[[str], None]
) -> Iterator[Happening]:
    """Give a recording to the engine as the service did, input by input; yields what happened in order of noting.

    Time passes only as it was recorded to pass, attempts end as they ended. `say` hears of inputs that are missing.
    """
    engine: Engine | None = None
    rows: dict[str, dict[str, str]] = {}
    start: Input | None = None
    told = lacked = taken = 0
    for entry in entries:
        if until is not None and entry.received > until:
            break
        if isinstance(entry, Input):
            if entry.kind == "start":
                if engine is not None and (lost := entry.said["entries"] - told) > 0:
                    say(
                        f"entries of the trail before {show(entry.received)} that the recording lacks: {lost}"
                    )
                start, rows, told, lacked = entry, {}, entry.said["entries"], 0
                continue
            if entry.kind == "state":
                rows.setdefault(entry.said["kind"], {})[entry.said["key"]] = entry.said["row"]
                continue
            if entry.kind == "not-recorded":
                say(
                    f"inputs before {show(entry.received)} that were not recorded: {entry.said['so_far'] - lacked}"
                )
                lacked = entry.said["so_far"]
                continue
        if start is not None:
            engine = Engine(
                site, now=start.received, trail=False, loaded=Loaded(rows, None, start.said["entries"])
            )
            start = None
        assert engine is not None, "a recording begins with a start"
        _give(engine, entry, site)
        happened = engine.take_happenings()
        told += len(happened)
        yield from happened
        taken += 1
        if taken % DRAIN == 0:
            engine.take_changes()
            engine.take_effects()


def _give(engine: Engine, entry: Recorded, site: Site) -> None:
    """Give one input to the engine, at its instant."""
    now = entry.received
    if isinstance(entry, Line):
        decoded = decode(entry.topic, entry.payload, retain=entry.retain, prefix=site.prefix, site=site.name)
        engine.receive_message(decoded, entry.payload, now)
        return
    said = entry.said
    if entry.kind == "advance":
        engine.now = max(engine.now, now)
        engine.advance(parse(said["to"]) if "to" in said else now, said.get("most"))
    elif entry.kind == "note":
        engine.now = max(engine.now, now)
        engine.note(said["event"], **said["detail"])
    elif entry.kind == "resume":
        engine.resume()
    else:
        engine.receive(_event(entry, site), now)


def _event(entry: Input, site: Site) -> object:
    said = dict(entry.said)
    if (whose := said.pop("code_of", None)) is not None:
        said["reference"] = site.code(*whose)
    event: object = EVENTS[entry.kind](**said)
    return event
