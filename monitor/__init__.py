"""Second Bell: when a feeding pump's own alarm was not enough, tell somebody who can act."""

__version__ = "0.1.0"
