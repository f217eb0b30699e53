"""`secondbell simulate`: run a scenario against a real broker, or write it down as a trace.

This is the only part of the simulators that reads a clock. At speed 1 the scenario is moved to begin now, so
that message times are true; at any other speed its own times are kept, unless asked otherwise.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TextIO

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from simulators import wire
from simulators.broker import AddressError, BridgeConnection, BrokerAddress, BrokerError
from simulators.instants import MINUTE, rfc3339
from simulators.scenario import Scenario, ScenarioError, load, names
from simulators.truth import to_json_lines
from simulators.wire import Published
from simulators.world import World

# No wait is longer, so that Ctrl-C and the progress line stay lively.
_NAP_S = 0.5


class UsageError(ValueError):
    """A command line that cannot be carried out."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `simulate`."""
    parser.add_argument("scenario", metavar="SCENARIO", help=f"a file, or one of: {', '.join(names())}")
    parser.add_argument(
        "--to",
        metavar="URL",
        help="mqtt://[USER:PASSWORD@]HOST[:PORT], mqtts://…, or - for JSON lines on stdout",
    )
    parser.add_argument(
        "--speed",
        metavar="N|max",
        help="virtual seconds a second (default 1 with a broker, max without)",
    )
    parser.add_argument(
        "--from-now",
        action=argparse.BooleanOptionalAction,
        default=None,
        help="let the scenario begin now instead of at its own time (default with a broker at speed 1)",
    )
    parser.add_argument("--pumps", type=int, metavar="N", help="this many pumps; missing ones are generated")
    parser.add_argument("--hours", type=float, metavar="H", help="run for this long")
    parser.add_argument("--seed", type=int, metavar="N", help="another run of chance")
    parser.add_argument("--truth", metavar="FILE", help="write what really went wrong, as JSON lines")
    parser.add_argument("--trace", metavar="FILE", help="write every device-state message, as JSON lines")
    parser.add_argument(
        "--client-id", default="secondbell-simulate", metavar="ID", help="MQTT client id; -BRIDGE is added"
    )
    parser.add_argument("--ca", metavar="FILE", help="certificates to trust for mqtts")
    parser.add_argument(
        "--stay-online", action="store_true", help="at the end, leave the bridges' presence as it is"
    )


def run(args: argparse.Namespace) -> int:
    """Carry `simulate` out; 0 done or stopped by Ctrl-C, 1 broker or file failed, 2 usage or scenario."""
    try:
        return _simulate(args)
    except ScenarioError as error:
        for problem in error.problems:
            _say(str(problem))
        return 2
    except (UsageError, AddressError) as error:
        _say(str(error))
        return 2
    except BrokerError as error:
        _say(str(error))
        return 1
    except KeyboardInterrupt:
        _say("stopped before everything was sent")
        return 1
    except BrokenPipeError:
        # The reader of `--to -` has seen enough; keep the interpreter from flushing into the closed pipe.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        _say(f"{error.filename or 'output'}: {error.strerror or error}")
        return 1


def _simulate(args: argparse.Namespace) -> int:
    if args.to is None and args.trace is None:
        raise UsageError("nothing to write to: give --to mqtt://HOST:PORT, --to - or --trace FILE")
    address = None if args.to in (None, "-") else BrokerAddress.parse(args.to)
    # Without a broker there is nobody to wait for.
    speed = _speed(args.speed or ("max" if address is None else "1"))
    scenario = load(args.scenario, pumps=args.pumps, hours=args.hours, seed=args.seed)
    from_now = (speed == 1 and address is not None) if args.from_now is None else args.from_now
    with ExitStack() as stack:
        writers: list[TextIO] = [sys.stdout] if args.to == "-" else []
        if args.trace is not None:
            writers.append(stack.enter_context(Path(args.trace).open("w", encoding="utf-8")))
        truth = None
        if args.truth is not None:
            truth = stack.enter_context(Path(args.truth).open("w", encoding="utf-8"))
        links = _connect(stack, scenario, address, args)
        world = World(scenario, time.time_ns() // 1_000_000 if from_now else None)
        send = _Sender(writers, links)
        finished = _play(world, send, speed)
        for link in links.values():
            link.close(stay_online=args.stay_online)
        if truth is not None:
            truth.write(to_json_lines(world.truth()))
        for writer in writers:
            writer.flush()
    _say(
        f"{scenario.name}: {send.count} messages of {len(scenario.pumps)} pumps"
        f"{'' if finished else f', stopped at {rfc3339(world.now)}'}"
    )
    return 0


class _Sender:
    """Sends what a world publishes to every place asked for, and counts."""

    def __init__(self, writers: list[TextIO], links: dict[str, BridgeConnection]) -> None:
        self._writers = writers
        self._links = links
        self.count = 0

    def __call__(self, messages: list[Published]) -> None:
        for message in messages:
            self.count += 1
            if message.topic.endswith("/state"):
                for writer in self._writers:
                    writer.write(message.payload.decode() + "\n")
            if self._links:
                self._links[message.bridge].send(message)
        for writer in self._writers:
            if messages and writer is sys.stdout:
                writer.flush()


def _connect(
    stack: ExitStack, scenario: Scenario, address: BrokerAddress | None, args: argparse.Namespace
) -> dict[str, BridgeConnection]:
    links: dict[str, BridgeConnection] = {}
    if address is None:
        return links
    for bridge in scenario.bridges:
        link = BridgeConnection(
            address,
            client_id=f"{args.client_id}-{bridge}",
            will_topic=wire.presence_topic(scenario.prefix, scenario.site, bridge),
            ca_file=args.ca,
        )
        link.open()
        stack.callback(link.abandon)
        links[bridge] = link
    return links


def _play(world: World, send: Callable[[list[Published]], None], speed: float | None) -> bool:
    """Let the world run at *speed* (None: as fast as it goes); False if it was stopped with Ctrl-C."""
    began = time.monotonic()
    with _progress(world) as moved:
        try:
            while (due := world.next_at()) is not None:
                if speed is not None:
                    _wait_until(began + (due - world.start_ms) / 1000 / speed)
                send(world.advance(due))
                moved(due)
        except KeyboardInterrupt:
            return False
    return True


def _wait_until(moment: float) -> None:
    while (left := moment - time.monotonic()) > 0:
        time.sleep(min(left, _NAP_S))


@contextmanager
def _progress(world: World) -> Iterator[Callable[[int], None]]:
    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda _at: None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task(world.scenario.name, total=world.end_ms - world.start_ms)
        shown = world.start_ms

        def moved(at: int) -> None:
            nonlocal shown
            if at - shown >= MINUTE:
                shown = at
                clock = rfc3339(at)[11:16]
                progress.update(
                    task, completed=at - world.start_ms, description=f"{world.scenario.name} {clock}"
                )

        yield moved


def _speed(text: str) -> float | None:
    if text == "max":
        return None
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0 < speed < 1e6:
        raise UsageError(f"--speed {text}: expected a number above 0, or max")
    return speed


def _say(text: str) -> None:
    print(f"secondbell simulate: {text}", file=sys.stderr)
