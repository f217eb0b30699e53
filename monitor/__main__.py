"""`python -m monitor` is `secondbell`; `watch` is started without the rest, which it does not need in memory."""

import sys


def main() -> int:
    """Run one command."""
    if sys.argv[1:2] == ["watch"]:
        from monitor.watch import command

        return command.main(sys.argv[2:])
    from monitor import cli

    return cli.main()


if __name__ == "__main__":
    sys.exit(main())
