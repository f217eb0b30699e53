"""`python -m tests.bench`: measures, prints a table, writes JSON."""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from tests.bench import core, latency, machine, mail, profiled, replay, scale, throughput
from tests.bench.broker import BrokerManners
from tests.bench.figures import Figure, table
from tests.bench.processes import MeasurementFailed
from tests.bench.scene import Options

Measure = Callable[[Options, Callable[[str], None]], list[Figure]]

MEASURES: dict[str, Measure] = {
    "throughput": throughput.measure,
    "latency": latency.measure,
    "scale": scale.measure,
    "start": scale.measure_start,
    "mail": mail.measure,
    "core": core.measure,
    "replay": replay.measure,
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure what is asked for; 1 if something could not be measured, whatever the verdicts."""
    args = _arguments(arguments)
    failed = False
    with tempfile.TemporaryDirectory(prefix="secondbell-bench-", dir=args.folder) as made:
        folder = Path(made)
        options = _options(args, folder)
        facts = machine.facts(folder)
        began = time.monotonic()
        figures: list[Figure] = []
        for name in args.only or MEASURES:
            try:
                figures += MEASURES[name](options, _say)
            except MeasurementFailed as error:
                failed = True
                _say(f"{name}: {error}")
                figures.append(Figure(name=name, unit="", note=str(error)))
        profile = None
        if args.profile:
            profile = profiled.measure(options, _say)
        facts["after"] = machine.moment(folder)
    print(_heading(facts))
    print(table(figures))
    if profile is not None:
        print(f"\n{profile}")
    if args.json is not None:
        _write(args.json, args, facts, figures, profile, time.monotonic() - began)
    return 1 if failed else 0


def _arguments(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench", description="Measures the service as it is, on this machine's loopback."
    )
    parser.add_argument("--repeat", type=int, default=5, help="rounds of each measurement (default 5)")
    parser.add_argument("--messages", type=int, default=60_000, help="messages of a round (default 60000)")
    parser.add_argument(
        "--only", nargs="+", choices=tuple(MEASURES), metavar="NAME", help=", ".join(MEASURES)
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there as JSON too")
    parser.add_argument(
        "--quick", action="store_true", help="tiny numbers: shows that it works, measures nothing"
    )
    parser.add_argument(
        "--profile", action="store_true", help="also the shares of the service's loop, by cProfile"
    )
    parser.add_argument(
        "--devices", type=int, default=1_000, help="devices of most measurements (default 1000)"
    )
    parser.add_argument("--many", type=int, default=100_000, help="devices of `scale` and `start`")
    parser.add_argument(
        "--inflight", type=int, default=1_000, help="the broker's max_inflight_messages; 0: no limit"
    )
    parser.add_argument("--broker-persistence", action="store_true", help="let the broker keep a file")
    parser.add_argument(
        "--folder", type=Path, help="where stores and logs lie meanwhile (default: the system's)"
    )
    return parser.parse_args(arguments)


def _options(args: argparse.Namespace, folder: Path) -> Options:
    manners = BrokerManners(inflight=args.inflight, persistence=args.broker_persistence)
    quick = args.quick
    return Options(
        repeat=1 if quick else args.repeat,
        messages=400 if quick else args.messages,
        devices=20 if quick else args.devices,
        many=200 if quick else args.many,
        concerns=20 if quick else 1_000,
        rate=1_000 if quick else 1_000_000,
        patience=1_000 if quick else 6_000,
        gather=500 if quick else 5_000,
        manners=manners,
        folder=folder,
    )


def _heading(facts: dict[str, Any]) -> str:
    return (
        f"{facts['cores']} cores ({facts['processor']}), Python {facts['python']}, {facts['mosquitto']},"
        f" SQLite {facts['sqlite']}, paho {facts['packages']['paho-mqtt']}; {_moment(facts, 'before')},"
        f" {_moment(facts, 'after')}\n"
    )


def _moment(facts: dict[str, Any], when: str) -> str:
    found = facts[when]
    return f"{when}: load {found['load']}, fsync {found['fsync_ms_p50']} ms (p98 {found['fsync_ms_p98']})"


def _write(
    path: Path,
    args: argparse.Namespace,
    facts: dict[str, Any],
    figures: Sequence[Figure],
    profile: str | None,
    seconds: float,
) -> None:
    said = {
        "machine": facts,
        "options": {
            key: str(value) if isinstance(value, Path) else value for key, value in vars(args).items()
        },
        "seconds": round(seconds, 1),
        "figures": [figure.as_json() for figure in figures],
        "profile": profile,
    }
    path.write_text(json.dumps(said, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
