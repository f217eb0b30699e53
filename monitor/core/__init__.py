"""The pure core: messages and instants in, effects out. No I/O, no clock, no randomness in here."""
