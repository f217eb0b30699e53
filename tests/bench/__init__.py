"""The benchmark: how fast the real service is, against what it must reach. Run `python -m tests.bench`."""
