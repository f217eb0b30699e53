"""`secondbell trail verify`, `prove`, `key` and `checker`, and `secondbell forget`: what makes the record provable."""

from __future__ import annotations

import argparse
import json
import sys
import time
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console

from monitor.commandline import BAD_INPUT, WRONG, add_place, say, site_file, state_dir, usage

if TYPE_CHECKING:
    from monitor.core.heads import Head
    from monitor.trail.check import Opaque, Verdict

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]


def add(kinds: Commands) -> None:
    """Add what may follow `trail`."""
    verify = kinds.add_parser(
        "verify", help="check that no entry was changed, removed or added, and that all signed heads fit"
    )
    verify.add_argument(
        "--head", type=Path, action="append", default=[], metavar="FILE",
        help="a signed head that was kept elsewhere: its line, or the saved mail; may be given several times",
    )  # fmt: skip
    verify.add_argument(
        "--key", type=Path, action="append", default=[], metavar="FILE",
        help="the public key (trail.pub) as it was copied elsewhere: heads by any other are not believed",
    )  # fmt: skip
    prove = kinds.add_parser(
        "prove",
        help="a proof that an entry stands in the trail, or that the trail goes on from an earlier head",
    )
    what = prove.add_mutually_exclusive_group(required=True)
    what.add_argument("entry", type=int, nargs="?", metavar="N", help="the entry's number")
    what.add_argument("--from", dest="first", type=Path, metavar="FILE", help="the earlier head")
    prove.add_argument(
        "--head", type=Path, metavar="FILE", help="the signed head; default: the newest in the store"
    )
    prove.add_argument("--out", type=Path, metavar="FILE", help="default: standard output")
    key = kinds.add_parser(
        "key", help="the public key that signs the trail's heads; or another one from now on"
    )
    key.add_argument(
        "--rotate", action="store_true", help="sign with a new key from now on; the old one signs the change"
    )
    checker = kinds.add_parser(
        "checker", help="the script that checks proofs, for somebody who has nothing but Python"
    )
    checker.add_argument("--out", type=Path, metavar="FILE", help="default: standard output")
    for parser, run in ((verify, _verify), (prove, _prove), (key, _key)):
        add_place(parser)
        parser.set_defaults(run=run)
    checker.set_defaults(run=_checker)


def add_forget(commands: Commands) -> None:
    """Add `forget`."""
    forget = commands.add_parser(
        "forget",
        help="erase the name of a person or pump that is no longer in the site file; the trail stays whole and says so",
    )
    forget.add_argument("name", metavar="NAME", help="the person's or device's id")
    add_place(forget)
    forget.set_defaults(run=_forget)


# ---- verify ----------------------------------------------------------------------------------------------------------


def _verify(args: argparse.Namespace) -> int:
    from rich.progress import Progress

    from monitor.trail.check import verify
    from monitor.trail.commands import reading

    outside = [(str(path), _head(path)) for path in args.head]
    trusted = [_public(path) for path in args.key]
    console = Console(stderr=True)
    shown = Progress(console=console, transient=True, disable=not console.is_terminal)
    with reading(args) as reader, shown as progress:
        for name, head in outside:
            if head.site != reader.site:
                raise usage(f"{name}: this head is of the site {head.site!r}, the trail of {reader.site!r}")
        task = progress.add_task("verifying", total=None)
        verdict = verify(
            reader,
            outside=outside,
            trusted=trusted,
            opaque=_opaque(state_dir(args)),
            now=_now(),
            progress=lambda done, total: progress.update(task, completed=done, total=total),
        )
    print("\n".join(report(verdict, outside=len(outside))))
    return WRONG if verdict.findings else 0


def report(verdict: Verdict, *, outside: int = 0) -> list[str]:
    """What was found, for a person."""
    from monitor.core.instants import show

    if verdict.findings:
        first, *others = verdict.findings
        return [
            f"NOT whole, first at entry {first.n}: {first.sentence}",
            *(f"  also, at entry {finding.n}: {finding.sentence}" for finding in others),
        ]
    lines = [f"whole: {verdict.size} entries, root {verdict.root.hex()}"]
    if verdict.heads:
        last = verdict.heads[-1]
        since = verdict.size - last.size
        later = f"; {since} entries since then are under no signed head yet" if since else ""
        lines.append(
            f"signed: {len(verdict.heads)} heads, the last of {last.size} entries at {show(last.at)}, "
            f"key {last.key}{later}"
        )
    else:
        lines.append("signed: no head yet")
    lines.append(
        f"compared with {outside} heads that were kept elsewhere"
        if outside
        else "compared with no head that was kept elsewhere (--head): whoever can write here could have signed anew"
    )
    if not verdict.names_checked:
        lines.append(
            "not checked: that each name is the one of its key; site.key is not here, or cannot be read"
        )
    if verdict.pruned:
        lines.append(f"by policy: the texts of {verdict.pruned} old entries are gone, their hashes fit")
    if verdict.forgotten:
        lines.append(f"by request: {verdict.forgotten} names were erased")
    return lines


def _opaque(folder: Path) -> Opaque | None:
    """How keys of names are made, if the site's secret can be read; reading makes none."""
    from monitor.adapters.lockfile import KEY_NAME, StateError, site_key
    from monitor.core.site import Site

    try:
        if not (folder / KEY_NAME).exists():
            return None
        return Site(name="", key=site_key(folder), last_resort="").opaque
    except (StateError, OSError):
        return None


def _head(path: Path) -> Head:
    from monitor.trail.check import read_head

    try:
        return read_head(path)
    except OSError as error:
        raise usage(f"{path}: {error.strerror}") from None
    except ValueError as error:
        raise usage(str(error)) from None


def _public(path: Path) -> bytes:
    from monitor.adapters.trail_keys import read_public

    try:
        return read_public(path)
    except OSError as error:
        raise usage(f"{path}: {error.strerror}") from None
    except ValueError as error:
        raise usage(str(error)) from None


# ---- prove -----------------------------------------------------------------------------------------------------------


def _prove(args: argparse.Namespace) -> int:
    from monitor.trail.commands import reading
    from monitor.trail.proof import CannotProve, consistency, inclusion

    head = None if args.head is None else _head(args.head)
    first = None if args.first is None else _head(args.first)
    with reading(args) as reader:
        try:
            proof = inclusion(reader, args.entry, head) if first is None else consistency(reader, first, head)
        except CannotProve as error:
            say(str(error))
            return WRONG
    text = json.dumps(proof, indent=1, ensure_ascii=False) + "\n"
    if (status := _out(text, args.out)) == 0 and args.out is not None:
        print(
            f"{args.out}; to be checked with the script of `secondbell trail checker` and a copy of trail.pub:"
        )
        print(f"  python check_proof.py {args.out} --key trail.pub")
    return status


def _checker(args: argparse.Namespace) -> int:
    return _out(
        resources.files("monitor.trail").joinpath("proof_check.py").read_text(encoding="utf-8"), args.out
    )


def _out(text: str, out: Path | None) -> int:
    if out is None:
        sys.stdout.write(text)
        return 0
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        say(f"{out}: {error.strerror}")
        return BAD_INPUT
    return 0


# ---- what changes the record: by the running service, else in the store itself ---------------------------------------


def _key(args: argparse.Namespace) -> int:
    from monitor.adapters.trail_keys import PUBLIC, read_public
    from monitor.core.heads import key_id

    folder = state_dir(args)
    if args.rotate:
        from monitor.stopped import rotate

        return _change(folder, {"command": "trail-key-rotate"}, lambda: rotate(folder, _now()))
    try:
        public = read_public(folder / PUBLIC)
    except OSError:
        say(f"{folder / PUBLIC}: there is no key yet; the service makes one when it starts")
        return WRONG
    except ValueError as error:
        say(str(error))
        return WRONG
    print(
        f"{folder / PUBLIC}: the key {key_id(public)}. Copy this file to wherever heads and proofs are checked."
    )
    return 0


def _forget(args: argparse.Namespace) -> int:
    from monitor.stopped import forget

    folder, site = state_dir(args), site_file(args)

    def stopped() -> dict[str, Any]:
        if site is None:
            raise usage(
                "the service does not run: name the site file (--site), to see whether the name still stands there"
            )
        return forget(folder, site, args.name, _now())

    return _change(folder, {"command": "forget", "name": args.name}, stopped)


def _change(folder: Path, command: dict[str, Any], stopped: Any) -> int:
    from monitor.adapters import logs
    from monitor.adapters.control import ServiceNotRunning, ask
    from monitor.adapters.lockfile import StateError
    from monitor.adapters.store_errors import StoreError

    try:
        said = ask(folder, command)
    except ServiceNotRunning:
        logs.configure("warning")
        try:
            said = stopped()
        except (StateError, StoreError) as error:
            say(str(error))
            return WRONG
    print(said["text"])
    return 0 if said["ok"] else WRONG


def _now() -> int:
    return time.time_ns() // 1_000_000
