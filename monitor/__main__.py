"""`python -m monitor` is `secondbell`; `watch` is started without the rest, which it does not need in memory."""

import sys


def main() -> int:
    """Run one command."""
    if sys.argv[1:2] == ["watch"]:
        from monitor.watch import command

        return command.main(sys.argv[2:])
    from monitor import cli
    from monitor.commandline import INTERRUPTED

    status = cli.main()
    if status == INTERRUPTED:
        # Ctrl-C may leave an event loop half made; the process ends now, and nobody is to be shown what it was at.
        sys.unraisablehook = lambda _: None
    return status


if __name__ == "__main__":
    sys.exit(main())
