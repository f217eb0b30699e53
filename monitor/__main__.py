"""`python -m monitor` is `secondbell`."""

import sys

from monitor.cli import main

if __name__ == "__main__":
    sys.exit(main())
