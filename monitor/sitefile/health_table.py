"""The table [health] of a site file: where other programs of this machine can ask how the service is."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from monitor.sitefile.pages_table import listen_at
from monitor.sitefile.tables import Table


def loopback(value: str) -> str:
    """A loopback address and a port, checked and left as it is: who asks is not asked who that is."""
    if not listen_at(value).loopback:
        raise ValueError('an address of this machine alone, such as "127.0.0.1:8781" or "[::1]:8781"')
    return value


Loopback = Annotated[str, AfterValidator(loopback)]


class HealthTable(Table):
    """[health]"""

    listen: Loopback = Field(
        description="loopback address and port for /health (JSON; 503 if something is wrong) and /metrics "
        "(OpenMetrics)",
        examples=["127.0.0.1:8781"],
    )
