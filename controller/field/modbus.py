"""The way to a field block over Modbus: one exchange writes the whole command and reads the whole status."""

from __future__ import annotations

from controller.field.connection import ModbusConnection
from controller.field.wired import WiredLink
from controller.packing import CommandEncoder, StatusDecoder
from controller.points import PointMap
from controller.registers import Command, Status


class ModbusLink(WiredLink[ModbusConnection]):
    """A `FieldLink` over Modbus.

    `timeout_s` bounds opening a connection and, apart from that, a whole exchange. With `function_23` the last write
    and the first read go in one request; ValueError when the points do not allow that.
    """

    def __init__(
        self,
        points: PointMap,
        host: str,
        port: int = 502,
        *,
        unit: int = 1,
        function_23: bool = True,
        timeout_s: float = 0.5,
        wire: ModbusConnection | None = None,
    ) -> None:
        """With `wire` it goes through that connection instead of one of its own."""
        if function_23 and not points.function_23_fits:
            raise ValueError(
                f"function 23 reads and writes holding registers only, and {points.read_plan[0]} are to be read:"
                " set function_23 = false"
            )
        self._points = points
        self._function_23 = function_23
        self._encoder = CommandEncoder(points)
        self._decoder = StatusDecoder(points)
        super().__init__(wire or ModbusConnection(host, port, unit=unit, timeout_s=timeout_s))

    async def exchange(self, command: Command) -> Status:
        """Write the whole command, then read the whole status. Raises LinkError and is then closed."""
        return self._decoder.decode(await self._wire.carry(lambda: self._blocks(command)))

    async def _blocks(self, command: Command) -> list[list[int]]:
        connection = self._wire
        writes = list(zip(self._points.write_plan, self._encoder.encode(command), strict=True))
        reads = list(self._points.read_plan)
        first = writes.pop() if self._function_23 else None
        for request, block in writes:
            await connection.write(request, block)
        got = []
        if first is not None:
            got.append(await connection.write_and_read(*first, reads.pop(0)))
        got.extend([await connection.read(request) for request in reads])
        return got
