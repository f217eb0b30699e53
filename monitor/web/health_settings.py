"""Where other programs of this machine ask how the service is, as a site file says."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthSettings:
    """A loopback address."""

    host: str
    port: int
