"""The watch: its judgement, its words, and the process beside a real monitor."""
