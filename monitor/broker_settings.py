"""The settings of the broker: from its table in a site file, or in that of `watch`, to what the link takes."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from paho.mqtt.enums import MQTTProtocolVersion

from monitor.adapters.mqtt import BrokerAddress
from monitor.sitefile.carrier_checks import password_source
from monitor.sitefile.password import PasswordSource, read_secret
from monitor.sitefile.reading import SiteFile
from monitor.sitefile.values import broker_url


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSettings:
    """How to reach the broker; `ca_file` None trusts the system's certificates."""

    addresses: tuple[BrokerAddress, ...]
    tls: bool
    client_id: str
    username: str | None
    password: PasswordSource | None
    ca_file: Path | None
    protocol: Literal["3.1.1", "5"]

    def tls_context(self) -> ssl.SSLContext | None:
        """The context for MqttLink, None for plain TCP; OSError if `ca_file` holds no certificates."""
        return ssl.create_default_context(cafile=self.ca_file) if self.tls else None

    def read_password(self) -> str | None:
        """The password, read now; PasswordMissing if it is not where the site file says."""
        return None if self.password is None else read_secret(self.password)

    def link_options(self) -> dict[str, Any]:
        """What MqttLink takes of it, read now; raises as `read_password` and `tls_context` do."""
        v5 = self.protocol == "5"
        return {
            "addresses": self.addresses,
            "client_id": self.client_id,
            "username": self.username,
            "password": self.read_password(),
            "tls": self.tls_context(),
            "protocol": MQTTProtocolVersion.MQTTv5 if v5 else MQTTProtocolVersion.MQTTv311,
        }


def broker_settings(found: SiteFile, client_id: str) -> BrokerSettings:
    """The broker of a file that is right; `client_id` where it names none."""
    broker = found.broker
    assert broker is not None
    urls = [broker_url(address) for address in broker.addresses]
    return BrokerSettings(
        addresses=tuple(BrokerAddress(url.host, url.port) for url in urls),
        tls=urls[0].tls,
        client_id=broker.client_id or client_id,
        username=broker.username,
        password=password_source(found, broker),
        ca_file=None if broker.ca_file is None else found.beside(broker.ca_file),
        protocol=broker.protocol,
    )
