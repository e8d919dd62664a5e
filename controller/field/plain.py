"""The way to a plain device: one exchange reads its inputs, decides by the rules played for it, and writes its outputs.

Rules of this file: all inputs before any output; a trigger goes out in a request of its own, high once and low as often
as it takes to be answered; whatever fails ends the exchange, and the outputs are then taken to be unknown.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable

from controller.field.connection import ModbusConnection
from controller.field.wired import WiredLink
from controller.plain import PlainInputs, PlainOutputs, PlainSide
from controller.plain_points import PlainMap
from controller.points import Request
from controller.registers import Command, Status
from controller.spec import LineSpec


class PlainDevice:
    """A plain device's inputs and outputs on a wire, with no rules of their own."""

    def __init__(self, points: PlainMap, wire: ModbusConnection) -> None:
        self._points, self._wire = points, wire
        self.forget()

    def forget(self) -> None:
        """Nothing is known any more of what the device has."""
        self._triggers: list[bool | None] = [None] * self._points.stations
        self.values: dict[str, int] = {}
        """What was last read of each input and written to each output."""

    async def read(self) -> PlainInputs:
        """Read all inputs. Raises LinkError."""
        self.values |= self._points.values([await self._wire.read(request) for request in self._points.read_plan])
        return self._points.decode(self.values)

    async def write(self, outputs: PlainOutputs) -> None:
        """Write what has to be written. Raises LinkError."""
        if outputs.rising:
            await self._write_triggers(outputs)
        blocks = self._points.steady_blocks({"enable": outputs.enable, "running": outputs.running})
        for request, block in zip(self._points.steady_plan, blocks, strict=True):
            await self._wire.write(request, block)
        await self._write_triggers(outputs)
        self.values |= {"enable": int(outputs.enable), "running": int(outputs.running)}

    async def _write_triggers(self, outputs: PlainOutputs) -> None:
        for station, high in enumerate(outputs.triggers):
            if high is self._triggers[station]:
                continue
            point = self._points.trigger(station)
            self._triggers[station] = None
            await self._wire.write(Request(point.table, point.address, 1), [int(high)])
            self._triggers[station] = high
            self.values[f"station.{station}.trigger"] = int(high)


class PlainLink(WiredLink[ModbusConnection]):
    """A `FieldLink` to a plain device: `PlainSide` keeps the rules, this carries what it reads and writes."""

    def __init__(
        self, points: PlainMap, spec: LineSpec, wire: ModbusConnection, *, now_ns: Callable[[], int] = time.monotonic_ns
    ) -> None:
        super().__init__(wire)
        self._device = PlainDevice(points, wire)
        self._side = PlainSide(spec, secrets.randbelow(0xFFFF) + 1)
        self._now_ns = now_ns

    async def exchange(self, command: Command) -> Status:
        """Read the inputs, write the outputs, and give the status that they amount to. Raises LinkError."""
        try:
            return await self._wire.carry(lambda: self._exchange(command))
        except BaseException:
            self._device.forget()
            raise

    async def _exchange(self, command: Command) -> Status:
        inputs = await self._device.read()
        await self._device.write(self._side.step(command, inputs, self._now_ns()))
        status = self._side.answered(self._now_ns())
        status.plain_points = dict(self._device.values)
        return status


class PlainReader(WiredLink[ModbusConnection]):
    """A `FieldLink` that only reads a plain device's inputs and writes nothing, for measuring.

    The last read is made once more for each request that an exchange would write, so that it takes as long.
    """

    def __init__(self, points: PlainMap, wire: ModbusConnection) -> None:
        super().__init__(wire)
        self._points = points

    async def exchange(self, _command: Command) -> Status:
        """Read the inputs, whatever the command says; the status has count, clock and points. Raises LinkError."""
        return await self._wire.carry(self._exchange)

    async def _exchange(self) -> Status:
        reads = self._points.read_plan
        values = self._points.values([await self._wire.read(request) for request in reads])
        for _ in range(self._points.requests - len(reads)):
            await self._wire.read(reads[-1])
        count = values["count"] % self._points.modulus
        return Status(belt_count=count, sample_us=values.get("sample_us"), plain_points=values)
