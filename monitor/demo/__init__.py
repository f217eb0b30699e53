"""The simulated night of `secondbell demo`."""
