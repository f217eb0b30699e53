"""What a bridge publishes besides snapshots, as the engine takes it: presence, and answers by a button."""

from __future__ import annotations

from monitor.core.decode import decode
from monitor.core.messages import Rejection
from monitor.core.parts import Rejected
from monitor.core.site import Site
from simulators.wire import Published


def hear(message: Published, site: Site) -> object:
    """The engine's input in a message; rare, and decoded as it comes."""
    decoded = decode(message.topic, message.payload, retain=False, prefix=site.prefix, site=site.name)
    return Rejected(decoded, message.payload) if isinstance(decoded, Rejection) else decoded
