"""The way to an I/O side over Modbus, TCP or serial: one exchange writes the whole command and reads the whole status.

Rules of this file: pymodbus and its quirks end here. Any exchange that does not succeed closes the connection, and
the next one opens it anew, so an answer that comes late can meet no later question. Nothing is retried: the next
scan is the retry. An exchange that is cancelled closes the connection and ends as cancelled, never as something else.
"""

from __future__ import annotations

import asyncio
import logging
import termios
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU
from serial import Serial

from controller.field.answers import decode_whole
from controller.packing import CommandEncoder, StatusDecoder
from controller.points import PointMap, Request, Table
from controller.ports import LinkError
from controller.registers import Command, Status
from controller.serial_line import SerialLine, place_text

Brought = TypeVar("Brought")
Client = AsyncModbusTcpClient | AsyncModbusSerialClient


class Framing(StrEnum):
    """How requests and answers are parted over Ethernet: by their header, or by length and CRC as on a serial line."""

    TCP = "tcp"
    RTU = "rtu"


# What goes wrong is told once, by LinkError; the library would print it a second time in words of its own.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)

EXCEPTIONS = {
    1: ("illegal function", "the device does not know it; try another table, or function_23 = false"),
    2: ("illegal data address", "compare [points] with the device's own map"),
    3: ("illegal data value", "the device takes fewer registers at once, or other values"),
    4: ("device failure", "look at the device's own diagnosis"),
    5: ("acknowledge", "the device is still at work on it"),
    6: ("device busy", "slow the scan down or relieve the device"),
    8: ("memory parity error", "look at the device's own diagnosis"),
    10: ("gateway path unavailable", "check the unit number and the gateway"),
    11: ("gateway target does not answer", "check the unit number and the device behind the gateway"),
}
"""Modbus exception code → what it says and what to do."""


@dataclass(slots=True)
class _Held:
    """The library's client of a connection, while there is one."""

    client: Client | None = None
    closed_ns: int | None = None
    """When one was closed last."""
    limit: asyncio.Timeout | None = None
    """The time limit of the exchange in progress."""
    lost: bool = False
    """Whether the other end has closed the connection during it."""


class ModbusConnection:
    """One connection to a device over Modbus, opened anew after anything that failed.

    `host` is the path of the port where it goes over a serial line. `timeout_s` bounds opening it and, apart from that,
    a whole exchange. With `shares` the two are one connection, to units of their own; who has both sees to it that one
    exchange goes at a time.
    """

    def __init__(
        self,
        host: str,
        port: int = 502,
        *,
        unit: int = 1,
        timeout_s: float = 0.5,
        framing: Framing = Framing.TCP,
        serial: SerialLine | None = None,
        shares: ModbusConnection | None = None,
    ) -> None:
        self._host, self._port, self._unit = host, port, unit
        self._timeout_s = timeout_s
        self._framing, self._serial = framing, serial
        self.sent_ns = 0
        """When the last exchange's first request left, in monotonic ns."""
        self._held: _Held = _Held() if shares is None else shares._held
        self._device = f"the I/O side at {place_text(host, port)} (unit {unit})"

    async def connect(self) -> None:
        """Open the connection, afresh if it is open. Raises LinkError when the I/O side cannot be reached."""
        await self.close()
        await self._open()

    async def close(self) -> None:
        """Close the connection; harmless when it is not open."""
        if self._held.client is not None:
            self._held.client.close()
            self._held.client = None
            self._held.closed_ns = time.monotonic_ns()

    async def carry(self, work: Callable[[], Awaitable[Brought]]) -> Brought:
        """Do the requests of one exchange, which go through this connection. Raises LinkError and is then closed."""
        task = asyncio.current_task()
        cancels = 0 if task is None else task.cancelling()

        def cancelled() -> bool:
            # A cancel that meets the answer in the same turn of the loop is eaten inside the library: find it again.
            return task is not None and task.cancelling() > cancels

        try:
            brought = await self._within_time(work)
        except BaseException:
            await self.close()
            if cancelled():
                raise asyncio.CancelledError from None
            raise
        if cancelled():
            await self.close()
            raise asyncio.CancelledError
        return brought

    async def _within_time(self, work: Callable[[], Awaitable[Brought]]) -> Brought:
        if self._held.client is None or not self._held.client.connected:
            await self._open()
        held = self._held
        held.lost = False
        try:
            async with asyncio.timeout(self._timeout_s) as held.limit:
                self.sent_ns = time.monotonic_ns()
                return await work()
        except (TimeoutError, ModbusException, OSError):
            if held.lost:
                raise LinkError(
                    f"{self._device} closed the connection instead of answering:"
                    " check that it runs, how many connections it takes, and the cable"
                ) from None
            raise LinkError(
                f"{self._device} did not answer within {self._timeout_s:g} s:"
                " check that it runs, the cable and the timeout"
            ) from None
        finally:
            held.limit = None

    def _told(self, connected: bool) -> None:
        """The library says that it is connected, or not any more: then nothing is to be waited for."""
        limit = self._held.limit
        if not connected and limit is not None and not limit.expired():
            self._held.lost = True
            limit.reschedule(asyncio.get_running_loop().time())

    async def _open(self) -> Client:
        await self.close()
        if self._serial is not None:
            await self._quieten(self._serial)
        client = self._make()
        decode_whole(client)
        self._held.client = client
        try:
            reached = await client.connect()
        except termios.error:
            reached = False
        except BaseException:
            await self.close()
            raise
        if not reached:
            await self.close()
            raise LinkError(
                f"cannot reach {self._device} within {self._timeout_s:g} s:"
                " check that it is on and listening, its address and the cable"
            )
        # An exchange has one time limit, ours; the library's own for each request costs as much again as the request.
        client.ctx.comm_params.timeout_connect = None  # type: ignore[assignment]
        return client

    def _make(self) -> Client:
        serial = self._serial
        if serial is not None:
            return AsyncModbusSerialClient(
                self._host,
                framer=FramerType.RTU,
                baudrate=serial.baud,
                parity=serial.parity[0].upper(),
                stopbits=serial.stop_bits,
                timeout=self._timeout_s,
                retries=0,
                reconnect_delay=0,
                trace_connect=self._told,
            )
        return AsyncModbusTcpClient(
            self._host,
            port=self._port,
            framer=FramerType.RTU if self._framing is Framing.RTU else FramerType.SOCKET,
            timeout=self._timeout_s,
            retries=0,
            reconnect_delay=0,
            trace_connect=self._told,
        )

    async def _quieten(self, line: SerialLine) -> None:
        """Let an answer that is still to come arrive, and throw it away: nothing would tell it from the next one.

        A device that takes longer than twice the timeout would get past this; its timeout is too short.
        """
        if self._held.closed_ns is not None:
            quiet_ns = self._held.closed_ns + round((self._timeout_s + line.silence_s) * 1e9)
            await asyncio.sleep(max(0.0, (quiet_ns - time.monotonic_ns()) / 1e9))
        try:
            with Serial(self._host, timeout=0) as port:
                port.reset_input_buffer()
        except (OSError, termios.error) as error:
            raise LinkError(
                f"cannot open {self._device}: {error}: check the port's name, its cable and who may use it"
            ) from None

    @property
    def _open_client(self) -> Client:
        if self._held.client is None:
            raise LinkError(f"{self._device} is not connected")
        return self._held.client

    async def write(self, request: Request, block: list[int]) -> None:
        """Write registers or bits; within `carry`. Raises LinkError."""
        client = self._open_client
        if request.table is Table.COIL:
            bits = [bool(bit) for bit in block]
            answer = await client.write_coils(request.address, bits, device_id=self._unit)
        else:
            answer = await client.write_registers(request.address, block, device_id=self._unit)
        self._checked(answer, lambda: f"to write {request}")

    async def read(self, request: Request) -> list[int]:
        """Read registers or bits; within `carry`. Raises LinkError."""
        client = self._open_client
        read = {
            Table.HOLDING: client.read_holding_registers,
            Table.INPUT: client.read_input_registers,
            Table.COIL: client.read_coils,
            Table.DISCRETE: client.read_discrete_inputs,
        }[request.table]
        answer = await read(request.address, count=request.count, device_id=self._unit)
        return self._values(answer, request, lambda: f"to read {request}")

    async def write_and_read(self, write: Request, block: list[int], read: Request) -> list[int]:
        """Write and read holding registers in one request (function 23); within `carry`. Raises LinkError."""
        answer = await self._open_client.readwrite_registers(
            read_address=read.address,
            read_count=read.count,
            write_address=write.address,
            values=block,
            device_id=self._unit,
        )
        return self._values(answer, read, lambda: f"to write {write} and read {read} (function 23)")

    def _values(self, answer: ModbusPDU, request: Request, what: Callable[[], str]) -> list[int]:
        """Take the values of an answer; `what` says what was asked for, if it comes to saying it."""
        self._checked(answer, what)
        if request.table.of_bits:
            # The answer is padded to whole bytes.
            values = [int(bit) for bit in answer.bits]
            whole = len(values) == (request.count + 7) // 8 * 8
            values = values[: request.count]
        else:
            values = list(answer.registers)
            whole = len(values) == request.count
        if not whole:
            raise LinkError(
                f"{self._device} was asked {what()} and sent another number of values:"
                " check its Modbus settings and what stands between"
            )
        return values

    def _checked(self, answer: ModbusPDU, what: Callable[[], str]) -> None:
        if answer.isError():
            code = answer.exception_code
            words, mend = EXCEPTIONS.get(code, ("an exception of its own", "look it up in the device's manual"))
            raise LinkError(f"{self._device} refused {what()}: {words} (exception {code}): {mend}")


class ModbusLink:
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
        self._connection = wire or ModbusConnection(host, port, unit=unit, timeout_s=timeout_s)

    @property
    def sent_ns(self) -> int:
        """When the last exchange's first request left, in monotonic ns."""
        return self._connection.sent_ns

    async def connect(self) -> None:
        """Open the connection, afresh if it is open. Raises LinkError when the I/O side cannot be reached."""
        await self._connection.connect()

    async def close(self) -> None:
        """Close the connection; harmless when it is not open."""
        await self._connection.close()

    async def exchange(self, command: Command) -> Status:
        """Write the whole command, then read the whole status. Raises LinkError and is then closed."""
        return self._decoder.decode(await self._connection.carry(lambda: self._blocks(command)))

    async def _blocks(self, command: Command) -> list[list[int]]:
        connection = self._connection
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
