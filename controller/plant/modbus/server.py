"""The Modbus TCP server for the plant: the lines of one address, each under its own unit number."""

from __future__ import annotations

from collections.abc import Sequence

from controller.modbus_pdu import Refused, exception
from controller.plant.image import Desk, LineImage, LinePlan
from controller.plant.modbus.bank import LineBank, Visitor
from controller.plant.modbus.connection import Connection
from controller.plant.modbus.identification import FUNCTION as IDENTIFY
from controller.plant.modbus.identification import identify
from controller.plant.modbus.listener import Listener
from controller.settings.plant import MODBUS_PORT
from controller.settings.sections import split_address

_THIS_DEVICE = (0, 255)
"""Unit numbers that stand for whoever has the address (MODBUS Messaging on TCP/IP V1.0b, section 4.4.1.2)."""


class ModbusServer:
    """A `PlantServer` of the lines that share one address."""

    def __init__(self, plans: Sequence[LinePlan], desk: Desk) -> None:
        """All `plans` agree on the address and what else is said of it, but for their unit numbers."""
        self._desk = desk
        self._units: dict[int, LineBank] = {}
        self._banks: dict[str, LineBank] = {}
        for plan in plans:
            section = plan.section.modbus
            if section is None:
                raise ValueError(f"line {plan.about.name} has no [plant.modbus]")
            self._banks[plan.about.name] = self._units[section.unit] = LineBank(plan, desk)
            self._address, most, idle_s = section.address, section.max_connections, section.idle_timeout
        if len(self._units) == 1:
            (only,) = self._units.values()
            self._units.update(dict.fromkeys(_THIS_DEVICE, only))
        self._visitors: dict[Connection, dict[int, Visitor]] = {}
        self._listener = Listener(self._answer, self._left, desk, most, idle_s)

    async def open(self) -> None:
        """Begin to listen. Raises PlantError, one line, for what the user can mend."""
        host, port = split_address(self._address)
        await self._listener.open(host, MODBUS_PORT if port is None else port)

    async def publish(self, line: str, image: LineImage | None) -> None:
        """Show the line as it is now; None: it has fallen silent."""
        self._banks[line].publish(image)

    async def close(self) -> None:
        """End every connection and stop listening; harmless when it is not open."""
        await self._listener.close()
        for bank in self._banks.values():
            await bank.commands.close()

    def _answer(self, connection: Connection, unit: int, pdu: bytes) -> bytes:
        bank = self._units.get(unit)
        if bank is None:
            return exception(pdu[0], Refused.UNIT_SILENT)
        if pdu[0] == IDENTIFY:
            return identify(pdu)
        visits = self._visitors.setdefault(connection, {})
        visitor = visits.get(unit)
        if visitor is None:
            visitor = visits[unit] = Visitor(bank, connection.client)
        return visitor.answer(pdu, self._desk)

    def _left(self, connection: Connection) -> None:
        self._visitors.pop(connection, None)
