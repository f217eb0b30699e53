"""How long it takes to verify a long trail, to prove an entry of it, and how large it is.

    python -m tests.bench.trail [ENTRIES]

Entries are as a night makes them, a signed head after every 5,000; everything `secondbell trail verify` does is done.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from monitor.adapters.store_reader import StoreReader
from monitor.adapters.store_schema import FILE_NAME
from monitor.trail.proof import inclusion
from tests.trails import Book, checked

HEAD_EVERY = 5_000  # entries


def timed(what: str, work: Callable[[], object], entries: int) -> None:
    """Do it, and say how long it took."""
    began, worked = time.perf_counter(), time.process_time()
    work()
    took, core = time.perf_counter() - began, time.process_time() - worked
    print(
        f"{what}: {took:.1f} s; {core:.1f} s of one core, {entries / core:,.0f} entries/s of it", flush=True
    )


def made(folder: Path, entries: int) -> None:
    """A store with so many."""
    book = Book(folder)
    for _ in range(entries // HEAD_EVERY):
        book.write(HEAD_EVERY)
        book.sign()
    book.close()


def main() -> None:
    """Make one, and measure."""
    entries = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory(prefix="secondbell-trail-") as name:
        folder = Path(name) / "state"
        timed("written", lambda: made(folder, entries), entries)
        print(f"store: {(folder / FILE_NAME).stat().st_size / entries:.0f} bytes an entry")
        verdict = checked(folder)
        assert (verdict.findings, verdict.size) == ([], entries)
        timed("verified", lambda: checked(folder), entries)
        with StoreReader(folder) as reader:
            timed("an entry proved", lambda: inclusion(reader, entries // 2, None), entries)
    print(f"most memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
