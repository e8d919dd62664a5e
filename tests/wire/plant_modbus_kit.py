"""The plant's Modbus server before a line that takes every command, and a client that sends what it is told to."""

from __future__ import annotations

import asyncio
import dataclasses
import time
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Self

from controller.model import Call, Reply
from controller.plant.image import Desk, LineImage, LinePlan
from controller.plant.modbus.server import ModbusServer
from controller.settings.plant import ModbusServerSection, PlantSection
from tests.free_ports import free_port
from tests.unit.plant_images import ABOUT, T_NS, image

LOOPBACK = "127.0.0.1"
STRANGER = "127.0.0.2"
"""Also this computer, and on no list."""
LIMIT_S = 30.0


def fresh(**changed: Any) -> LineImage:
    """An image of this moment."""
    return image(time.monotonic_ns() - T_NS, **changed)


class Line:
    """What the server is given of its lines: every call is taken and remembered."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, Call]] = []
        self.told: list[tuple[str, dict[str, Any]]] = []
        self.desk = Desk(self.give, self.tell)

    async def give(self, line: str, call: Call) -> Reply:
        self.calls.append((line, call))
        return Reply(call, True)

    def tell(self, level: str, what: str, words: Mapping[str, str | int | float]) -> None:
        self.told.append((what, dict(words)))


# The images of these tests do not grow old while a slow machine runs them.
def plan(name: str, port: int, unit: int = 1, **section: Any) -> LinePlan:
    served = ModbusServerSection(address=f"{LOOPBACK}:{port}", unit=unit, **section)
    return LinePlan(dataclasses.replace(ABOUT, name=name), PlantSection(period="10 s", modbus=served), Path())


@asynccontextmanager
async def serving(line: Line, *names: str, **section: Any) -> AsyncIterator[tuple[ModbusServer, int]]:
    """Serve lines of those names under the units 1, 2 …; gives the server and its port."""
    port = free_port()
    server = ModbusServer([plan(name, port, n, **section) for n, name in enumerate(names, 1)], line.desk)
    await server.open()
    try:
        yield server, port
    finally:
        await server.close()


class Client:
    """One connection that sends bytes as it is told. Every wait has a bound."""

    def __init__(self, port: int, own: str = LOOPBACK) -> None:
        self._port, self._own = port, own
        self._transaction = 0

    async def __aenter__(self) -> Self:
        async with asyncio.timeout(LIMIT_S):
            self.reader, self.writer = await asyncio.open_connection(
                LOOPBACK, self._port, local_addr=(self._own, 0), limit=1 << 20
            )
        return self

    async def __aexit__(self, *_: object) -> None:
        self.writer.transport.abort()

    async def ask(self, pdu_hex: str, unit: int = 1) -> str:
        """The answer to one request, without its header; its header is checked."""
        self._transaction = (self._transaction + 1) & 0xFFFF
        pdu = bytes.fromhex(pdu_hex)
        head = self._transaction.to_bytes(2, "big") + b"\0\0"
        self.writer.write(head + (len(pdu) + 1).to_bytes(2, "big") + bytes((unit,)) + pdu)
        async with asyncio.timeout(LIMIT_S):
            got = await self.reader.readexactly(7)
            assert got[:4] == head
            assert got[6] == unit
            return (await self.reader.readexactly(int.from_bytes(got[4:6], "big") - 1)).hex()

    async def registers(self, address: int, count: int, unit: int = 1) -> list[int]:
        """Holding registers as they are now."""
        said = bytes.fromhex(await self.ask(f"03 {address:04x} {count:04x}", unit))
        assert said[:2] == bytes((3, 2 * count)), said.hex()
        return [int.from_bytes(said[i : i + 2], "big") for i in range(2, len(said), 2)]

    async def number(self, address: int) -> int:
        """A value of 32 bits."""
        high, low = await self.registers(address, 2)
        return high << 16 | low

    async def ended(self) -> bool:
        """Wait until the server ends it."""
        async with asyncio.timeout(LIMIT_S):
            try:
                return await self.reader.read(1) == b""
            except ConnectionError:
                return True
