"""The broker of a soak."""

from __future__ import annotations

from tests.brokers import Mosquitto


class QuietMosquitto(Mosquitto):
    """A mosquitto that logs errors alone: of a million messages, four lines each are too many."""

    def configuration(self) -> str:
        """The text of its configuration file."""
        return super().configuration().replace("log_type all", "log_type error")
