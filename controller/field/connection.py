"""One connection to a Modbus device, TCP or serial, and the exchanges that go through it, one at a time.

Rules of this file: the library's quirks end here. Any exchange that does not succeed closes the connection, and
the next one opens it anew, so an answer that comes late can meet no later question; where nothing numbers the
answers, the next question also waits until a late one must have come. Nothing is retried: the next scan is the
retry. An exchange that is cancelled closes the connection and ends as cancelled, never as something else.
"""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TypeVar

from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from controller.field.clients import Client, Framing, connected, serial_client, tcp_client
from controller.points import Request, Table
from controller.ports import LinkError
from controller.serial_line import SerialLine, place_text

Brought = TypeVar("Brought")
READ_FUNCTIONS = {Table.COIL: 1, Table.DISCRETE: 2, Table.HOLDING: 3, Table.INPUT: 4}
WRITE_COILS, WRITE_REGISTERS, WRITE_AND_READ = 15, 16, 23

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
    failed_ns: int | None = None
    """When an exchange ended without its answer, which may still come; None: there is none to come."""
    heard_ns: int = 0
    """When the last answer came over a serial line."""
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
            unplugged = self._held.lost and self._serial is not None
            if self._held.client is not None and not unplugged:
                self._held.failed_ns = time.monotonic_ns()
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
                if self._serial is not None:
                    await self._part(self._serial)
                self.sent_ns = time.monotonic_ns()
                return await work()
        except (TimeoutError, ModbusException, OSError):
            if held.lost:
                raise LinkError(
                    f"the serial port to {self._device} went away: check its adapter and cable"
                    if self._serial is not None
                    else f"{self._device} closed the connection instead of answering:"
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

    async def _open(self) -> None:
        await self.close()
        self._held.client = client = self._make()
        try:
            reached = await connected(client)
            if reached and (self._serial is not None or self._framing is Framing.RTU):
                await self._quieten()
        except BaseException:
            await self.close()
            raise
        if not reached:
            await self.close()
            raise LinkError(
                f"cannot reach {self._device} within {self._timeout_s:g} s:"
                " check that it is on and listening, its address and the cable"
            )

    def _make(self) -> Client:
        if self._serial is None:
            return tcp_client(self._host, self._port, self._framing, self._timeout_s, self._told)
        try:
            return serial_client(self._host, self._serial, self._timeout_s, self._told)
        except OSError as error:
            why = os.strerror(error.errno) if error.errno else error
            raise LinkError(
                f"cannot open {self._device}: {why}: check the port's name, its cable and who else uses it"
            ) from None

    async def _quieten(self) -> None:
        """Let an answer that is still to come arrive before anything is asked: nothing would tell it from the next one.

        What comes while nothing is asked is thrown away by the library. A device that takes longer than twice the
        timeout would get past this; its timeout is too short.
        """
        held = self._held
        if held.failed_ns is not None:
            silence_s = 0.0 if self._serial is None else self._serial.silence_s
            quiet_ns = held.failed_ns + round((self._timeout_s + silence_s) * 1e9)
            await asyncio.sleep(max(0.0, (quiet_ns - time.monotonic_ns()) / 1e9))
            await asyncio.sleep(0)  # where this process was held up, what came meanwhile is read only now
        held.failed_ns = None

    async def _part(self, line: SerialLine) -> None:
        """Leave the silence on the line that parts the last answer from the next question."""
        wait_s = line.silence_s - (time.monotonic_ns() - self._held.heard_ns) / 1e9
        if wait_s > 0.0:
            await asyncio.sleep(wait_s)

    async def _ready(self) -> Client:
        """Give the open client when it may be asked. Raises LinkError."""
        if self._held.client is None:
            raise LinkError(f"{self._device} is not connected")
        if self._serial is not None:
            await self._part(self._serial)
        return self._held.client

    async def write(self, request: Request, block: list[int]) -> None:
        """Write registers or bits; within `carry`. Raises LinkError."""

        def what() -> str:
            return f"to write {request}"

        client = await self._ready()
        if request.table is Table.COIL:
            bits = [bool(bit) for bit in block]
            asking = client.write_coils(request.address, bits, device_id=self._unit)
            answer = await self._answer(asking, WRITE_COILS, what)
        else:
            asking = client.write_registers(request.address, block, device_id=self._unit)
            answer = await self._answer(asking, WRITE_REGISTERS, what)
        if (answer.address, answer.count) != (request.address, request.count):
            raise self._wrong(what, "the answer to another question")

    async def read(self, request: Request) -> list[int]:
        """Read registers or bits; within `carry`. Raises LinkError."""
        client = await self._ready()
        read = {
            Table.HOLDING: client.read_holding_registers,
            Table.INPUT: client.read_input_registers,
            Table.COIL: client.read_coils,
            Table.DISCRETE: client.read_discrete_inputs,
        }[request.table]
        asking = read(request.address, count=request.count, device_id=self._unit)
        return await self._values(asking, READ_FUNCTIONS[request.table], request, lambda: f"to read {request}")

    async def write_and_read(self, write: Request, block: list[int], read: Request) -> list[int]:
        """Write and read holding registers in one request (function 23); within `carry`. Raises LinkError."""
        client = await self._ready()
        asking = client.readwrite_registers(
            read_address=read.address,
            read_count=read.count,
            write_address=write.address,
            values=block,
            device_id=self._unit,
        )
        return await self._values(
            asking, WRITE_AND_READ, read, lambda: f"to write {write} and read {read} (function 23)"
        )

    async def _values(
        self, asking: Awaitable[ModbusPDU], function: int, request: Request, what: Callable[[], str]
    ) -> list[int]:
        """Ask, and take the values of the answer."""
        answer = await self._answer(asking, function, what)
        if request.table.of_bits:
            # The answer is padded to whole bytes.
            values = [int(bit) for bit in answer.bits]
            whole = len(values) == (request.count + 7) // 8 * 8
            values = values[: request.count]
        else:
            values = list(answer.registers)
            whole = len(values) == request.count
        if not whole:
            raise self._wrong(what, "another number of values")
        return values

    async def _answer(self, asking: Awaitable[ModbusPDU], function: int, what: Callable[[], str]) -> ModbusPDU:
        """Ask, and check the answer; `what` says what was asked for, if it comes to saying it."""
        answer = await asking
        if self._serial is not None:
            self._held.heard_ns = time.monotonic_ns()
        if answer.isError():
            code = answer.exception_code
            words, mend = EXCEPTIONS.get(code, ("an exception of its own", "look it up in the device's manual"))
            raise LinkError(f"{self._device} refused {what()}: {words} (exception {code}): {mend}")
        if answer.function_code != function:
            raise self._wrong(what, "the answer to another question")
        return answer

    def _wrong(self, what: Callable[[], str], sent: str) -> LinkError:
        return LinkError(
            f"{self._device} was asked {what()} and sent {sent}: check its Modbus settings and what stands between"
        )
