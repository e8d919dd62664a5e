"""Which link a line has: to a field block or to a plain device, over a connection of its own or a shared one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from controller.field.clients import Framing
from controller.field.connection import ModbusConnection
from controller.field.modbus import ModbusLink
from controller.field.plain import PlainLink, PlainReader
from controller.field.shared import Bus, SharedLink
from controller.node_points import NodeMap
from controller.ports import FieldLink
from controller.serial_line import SerialLine, is_serial, same_port
from controller.settings.line import LineConfig
from controller.spec import LineSpec

if TYPE_CHECKING:
    from controller.field.opcua_connection import OpcuaConnection

Place = tuple[str, int]


def place_of(host: str, port: int) -> Place:
    """Which way leads to an address: serial ports have several names each."""
    return (same_port(host), port) if is_serial(host) else (host, port)


def make_links(lines: Sequence[tuple[LineConfig, LineSpec, Place]]) -> list[FieldLink]:
    """Make the links of a process's lines, each to the I/O side at its address; lines at one address share one way.

    Raises ValueError when the points of a line do not allow it.
    """
    # Each line has a session of its own with its OPC UA server; only ways by Modbus are shared.
    lines_at = Counter(place_of(*at) for config, _, at in lines if not is_opcua(config))
    shared: dict[Place, tuple[Bus, ModbusConnection]] = {}
    links: list[FieldLink] = []
    for config, spec, at in lines:
        if is_opcua(config):
            links.append(make_opcua_link(config, *at))
            continue
        place = place_of(*at)
        bus, first = shared.get(place) or (Bus(), None)
        wire = make_connection(config, *at, shares=first)
        shared[place] = bus, first or wire
        link = make_link(config, spec, *at, wire)
        links.append(with_inputs(config, link if lines_at[place] == 1 else SharedLink(link, bus)))
    return links


def is_opcua(config: LineConfig) -> bool:
    """Whether all values of a line are OPC UA nodes."""
    return config.settings.link.protocol == "opcua"


def make_opcua_link(config: LineConfig, host: str, port: int, *, writes: bool = True) -> FieldLink:
    """Make the link of a line whose values are OPC UA nodes; one that does not write is for measuring."""
    from controller.field.opcua import OpcuaLink, OpcuaReader

    nodes, wire = _opcua_wire(config, host, port)
    return OpcuaLink(nodes, wire) if writes else OpcuaReader(nodes, wire)


def with_inputs(config: LineConfig, link: FieldLink) -> FieldLink:
    """Join a Modbus link with the inputs that come over OPC UA, where the line has such."""
    at = config.inputs_address
    if at is None:
        return link
    from controller.field.opcua import MixedLink

    return MixedLink(link, *_opcua_wire(config, *at))


def _opcua_wire(config: LineConfig, host: str, port: int) -> tuple[NodeMap, OpcuaConnection]:
    from controller.field.opcua_connection import OpcuaConnection

    nodes, access = config.nodes, config.access
    if nodes is None or access is None:
        raise ValueError("a line with [opcua] has nodes and an access")
    return nodes, OpcuaConnection(access, nodes, host, port, config.settings.link.timeout)


def make_link(config: LineConfig, spec: LineSpec, host: str, port: int, wire: ModbusConnection) -> FieldLink:
    """Make the link of a line that goes through a connection. Raises ValueError when its points do not allow it."""
    if config.plain is not None:
        return PlainLink(config.plain, spec, wire)
    return ModbusLink(config.points, host, port, function_23=config.settings.link.function_23, wire=wire)


def make_reader(config: LineConfig, spec: LineSpec, host: str, port: int) -> FieldLink:
    """Make a link that changes nothing at the I/O side, if it is sent nobody's command. Raises ValueError likewise."""
    if is_opcua(config):
        return make_opcua_link(config, host, port, writes=False)
    wire = make_connection(config, host, port)
    if config.plain is not None:
        return PlainReader(config.plain, wire)
    return with_inputs(config, make_link(config, spec, host, port, wire))


def make_connection(
    config: LineConfig, host: str, port: int, shares: ModbusConnection | None = None
) -> ModbusConnection:
    """Make the connection of a line to a device at an address; with `shares` it is one with that connection."""
    section = config.settings.link
    return ModbusConnection(
        host,
        port,
        unit=section.unit_id,
        timeout_s=section.timeout,
        framing=Framing.RTU if section.protocol == "modbus-rtu-tcp" else Framing.TCP,
        serial=_serial_line(config, host),
        shares=shares,
    )


def _serial_line(config: LineConfig, host: str) -> SerialLine | None:
    if not is_serial(host):
        return None
    return config.settings.link.serial_line().at(host)
