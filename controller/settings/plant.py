"""The [plant] section of a line: what the plant may see of it, and how. Nothing is served unless it is written here."""

from __future__ import annotations

import ipaddress
from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from controller.settings.base import Strict, problem
from controller.settings.quantities import PositiveDurationS
from controller.settings.sections import Address

OPCUA_PORT, MODBUS_PORT, METRICS_PORT = 4840, 502, 9464


def _client(text: str) -> str:
    try:
        return str(ipaddress.ip_address(text))
    except ValueError:
        raise ValueError(f'{text!r} is no IP address; write e.g. "192.0.2.20"') from None


Client = Annotated[str, AfterValidator(_client)]


class OpcUaServerSection(Strict):
    """The OPC UA server for the plant: signed and encrypted, with users, unless said otherwise."""

    address: Address = Field(
        default=f"0.0.0.0:{OPCUA_PORT}", description="where it listens; 0.0.0.0 is every network of this computer"
    )
    host_name: str | None = Field(default=None, min_length=1, description="this computer's name in the certificate")
    pki: str | None = Field(
        default=None, min_length=1, description="folder of its certificate and the clients trusted; default: user state"
    )
    users: str | None = Field(
        default=None, min_length=1, description="file of the users (beltcue users); default: in the pki folder"
    )
    anonymous: bool = Field(
        default=False, description="whether a trusted client may look without a user; never more than look"
    )
    max_sessions: int = Field(default=20, ge=1, le=500, description="clients at once")
    max_subscriptions: int = Field(default=40, ge=1, le=1000, description="subscriptions of all clients together")
    session_timeout: PositiveDurationS = Field(default=30.0, description="a client silent for so long is forgotten")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if not 1.0 <= self.session_timeout <= 600.0:
            raise problem("session_timeout", 'is outside 1 s to 10 min; write e.g. session_timeout = "30 s"')
        return self


class ModbusServerSection(Strict):
    """The Modbus TCP server for the plant: read only, but for the clients named."""

    address: Address = Field(default=f"0.0.0.0:{MODBUS_PORT}", description="where it listens")
    unit: int = Field(default=1, ge=1, le=247, description="this line's unit number; lines may share an address")
    command_clients: list[Client] = Field(
        default_factory=list, description="addresses whose commands are taken, if the line is set to remote"
    )
    max_connections: int = Field(default=16, ge=1, le=500, description="clients at once")
    idle_timeout: PositiveDurationS = Field(default=60.0, description="a connection silent for so long is closed")


class MetricsSection(Strict):
    """Figures for the plant's monitoring, as Prometheus reads them."""

    address: Address = Field(default=f"127.0.0.1:{METRICS_PORT}", description="where it listens")


class PlantSection(Strict):
    """What the plant may see. The servers run in a process of their own, beside the lines."""

    period: PositiveDurationS = Field(default=0.1, description="how often the values are looked at anew")
    opcua: OpcUaServerSection | None = None
    modbus: ModbusServerSection | None = None
    metrics: MetricsSection | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.opcua is None and self.modbus is None and self.metrics is None:
            raise problem("opcua", "is missing, and so are modbus and metrics: write one of them, or leave [plant] out")
        if not 0.02 <= self.period <= 10.0:
            raise problem("period", 'is outside 20 ms to 10 s; write e.g. period = "100 ms"')
        return self
