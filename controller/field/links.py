"""Which link a line has: to a field block, or to a plain device with the rules played for it."""

from __future__ import annotations

from controller.field.modbus import ModbusConnection, ModbusLink
from controller.field.plain import PlainLink
from controller.ports import FieldLink
from controller.settings.line import LineConfig
from controller.spec import LineSpec


def make_link(config: LineConfig, spec: LineSpec, host: str, port: int) -> FieldLink:
    """Make the link of a line to the I/O side at an address. Raises ValueError when its points do not allow it."""
    section = config.settings.link
    if config.plain is not None:
        return PlainLink(config.plain, spec, make_connection(config, host, port))
    return ModbusLink(
        config.points,
        host,
        port,
        unit=section.unit_id,
        function_23=section.function_23,
        timeout_s=section.timeout,
    )


def make_connection(config: LineConfig, host: str, port: int) -> ModbusConnection:
    """Make the connection of a line to a device at an address."""
    section = config.settings.link
    return ModbusConnection(host, port, unit=section.unit_id, timeout_s=section.timeout)
