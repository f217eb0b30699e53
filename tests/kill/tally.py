"""Where the tests of kills count what they did, so that it can be said at the end of the run."""

from __future__ import annotations

from collections import Counter

import pytest

TALLY = pytest.StashKey[Counter[str]]()
