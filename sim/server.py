"""A simulated I/O side served as Modbus, over TCP or a serial line, with its values wherever a line's points have them.

Rules of this file: requests are answered in the order in which they came, also when several arrive in one segment
or one in pieces; a wrong protocol id or length ends the connection. Simulated time is the monotonic clock since the
start. What goes wrong in the device ends the server.
"""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass

from controller.modbus_pdu import HEADER, FrameError, Refused, exception, frame_end, framed
from controller.plain_points import PlainMap
from controller.points import PointMap
from controller.serial_line import SerialLine
from sim.rtu import Cutter, SerialSide, sealed
from sim.tables import IoSide, PlainIoSide, PlainTables, Registers, Tables

NEW_PAIR = "pty"
"""Instead of a serial port's path: a new pair of pseudo terminals, for a controller on this computer."""
TICK_S = 0.1
"""The device is brought up to date at least so often, so that a silent client leaves it no backlog."""


class _Connection(asyncio.Protocol):
    """One client: cuts its bytes into requests and answers them in order."""

    def __init__(self, server: SimServer) -> None:
        self._server = server
        self._buffer = b""
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._server.transports.add(transport)

    def connection_lost(self, _exc: Exception | None) -> None:
        if self._transport is not None:
            self._server.transports.discard(self._transport)

    def data_received(self, data: bytes) -> None:
        transport = self._transport
        if transport is None or transport.is_closing():
            return
        try:
            if self._server.link_down():
                # As with the cable out: what was sent meanwhile never arrived.
                self._buffer = b""
                return
            self._buffer += data
            answers = self._answers(transport)
        except Exception as error:
            self._server.fail(error)
            return
        if answers:
            transport.write(answers)

    def _answers(self, transport: asyncio.Transport) -> bytes:
        answers = b""
        try:
            while (end := frame_end(self._buffer, 0, len(self._buffer))) is not None:
                transaction, _, _, unit = HEADER.unpack_from(self._buffer)
                pdu, self._buffer = self._buffer[HEADER.size : end], self._buffer[end:]
                answers += framed(transaction, unit, self._server.answer_any(unit, pdu))
        except FrameError:
            transport.close()
        return answers


class _RtuConnection(_Connection):
    """One client that frames its requests as on a serial line."""

    def __init__(self, server: SimServer) -> None:
        super().__init__(server)
        self._cutter = Cutter()

    def _answers(self, transport: asyncio.Transport) -> bytes:  # noqa: ARG002 - it is never closed for a bad frame
        data, self._buffer = self._buffer, b""
        answers = b""
        for unit, pdu in self._cutter.feed(data, asyncio.get_running_loop().time()):
            answer = self._server.answer(unit, pdu)
            if answer is not None:
                answers += sealed(bytes([unit]) + answer)
        return answers


@dataclass(frozen=True, slots=True)
class Wire:
    """How the clients speak: with the header of Modbus TCP, or with serial framing, perhaps over a serial line."""

    rtu: bool = False
    serial: SerialLine | None = None
    unit: int = 1
    """The number of the device on a serial bus; with Modbus TCP one device answers to any."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A device behind its tables."""

    device: IoSide | PlainIoSide
    tables: Tables


class SimServer:
    """A running server. Made by `serving`; `units` are the devices on its bus by their numbers."""

    def __init__(self, units: Mapping[int, Unit], now_ns: Callable[[], int], wire: Wire | None = None) -> None:
        self._wire = wire or Wire()
        self.host = ""
        self._side: SerialSide | None = None
        self._units = dict(units)
        self.transports: set[asyncio.Transport] = set()
        self.port = 0
        self._now_ns = now_ns
        self._failed: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._server: asyncio.Server | None = None
        self._timer: asyncio.TimerHandle | None = None

    async def listen(self, host: str, port: int) -> None:
        """Listen on host and port (0: any free one, then in `port`). Raises OSError with a line of its own."""
        loop = asyncio.get_running_loop()
        if self._wire.serial is not None:
            self._side = SerialSide(self._wire.serial, self.answer, self.fail)
            try:
                self.host = self._side.open(None if host == NEW_PAIR else host)
            except OSError as error:
                why = os.strerror(error.errno) if error.errno else error
                raise OSError(error.errno, f"cannot open {host}: {why}; choose another port") from None
            self._tick()
            return
        kind = _RtuConnection if self._wire.rtu else _Connection
        try:
            self._server = await loop.create_server(lambda: kind(self), host, port)
        except OSError as error:
            text = f"cannot listen on {host}:{port}: {error.strerror}; stop what uses it or choose another port"
            raise OSError(error.errno, text) from None
        self.host, self.port = host, self._server.sockets[0].getsockname()[1]
        self._tick()

    def answer(self, number: int, pdu: bytes) -> bytes | None:
        """Answer a request to a unit of a bus; None where there is none, or its cable is out."""
        unit = self._units.get(number)
        return None if unit is None or self._down(unit) else unit.tables.answer(pdu)

    def answer_any(self, number: int, pdu: bytes) -> bytes:
        """Answer a request over Modbus TCP, as a gateway does where there are several units."""
        if len(self._units) == 1:
            (unit,) = self._units.values()
            return unit.tables.answer(pdu)
        answer = self.answer(number, pdu)
        return exception(pdu[0], Refused.UNIT_SILENT) if answer is None else answer

    def link_down(self) -> bool:
        """Whether the simulated cable is out just now, of all that are here."""
        return all(self._down(unit) for unit in self._units.values())

    def _down(self, unit: Unit) -> bool:
        t_ns = self._now_ns()
        unit.device.advance(t_ns)
        return unit.device.link_down(t_ns)

    def fail(self, error: Exception) -> None:
        """Remember the first error of the device; whoever waits in `failed` gets it."""
        if not self._failed.done():
            self._failed.set_exception(error)

    async def failed(self) -> None:
        """Wait until the device fails, and raise its error."""
        await asyncio.shield(self._failed)

    async def close(self) -> None:
        """Stop listening and end every connection."""
        if self._timer is not None:
            self._timer.cancel()
        if self._side is not None:
            self._side.close()
        if self._server is not None:
            self._server.close()
            for transport in list(self.transports):
                transport.abort()
            await self._server.wait_closed()
        if self._failed.done():
            # Seen here, so that nobody having waited for it is not a warning of its own.
            self._failed.exception()

    def _tick(self) -> None:
        try:
            for unit in self._units.values():
                unit.device.advance(self._now_ns())
        except Exception as error:
            self.fail(error)
            return
        self._timer = asyncio.get_running_loop().call_later(TICK_S, self._tick)


def since_now_ns() -> Callable[[], int]:
    """Make a clock of simulated time: monotonic nanoseconds since this call."""
    start_ns = time.monotonic_ns()
    return lambda: time.monotonic_ns() - start_ns


@asynccontextmanager
async def serving(
    device: IoSide, points: PointMap, host: str = "127.0.0.1", port: int = 0, now_ns: Callable[[], int] | None = None,
    wire: Wire | None = None,
) -> AsyncIterator[SimServer]:  # fmt: skip
    """Serve while the block runs; the server says its `port`. Raises OSError when it cannot listen."""
    number = Wire().unit if wire is None else wire.unit
    async with serving_units({number: (device, points)}, host, port, now_ns, wire) as server:
        yield server


@asynccontextmanager
async def serving_units(
    devices: Mapping[int, tuple[IoSide, PointMap]], host: str = "127.0.0.1", port: int = 0,
    now_ns: Callable[[], int] | None = None, wire: Wire | None = None,
) -> AsyncIterator[SimServer]:  # fmt: skip
    """As `serving`, for several devices on one bus, each with its number there."""
    clock = since_now_ns() if now_ns is None else now_ns
    units = {n: Unit(device, Registers(device, points, clock)) for n, (device, points) in devices.items()}
    async with _listening(SimServer(units, clock, wire), host, port) as server:
        yield server


@asynccontextmanager
async def serving_plain(
    device: PlainIoSide, points: PlainMap, host: str = "127.0.0.1", port: int = 0,
    now_ns: Callable[[], int] | None = None, wire: Wire | None = None,
) -> AsyncIterator[SimServer]:  # fmt: skip
    """As `serving`, for a plain device."""
    clock = since_now_ns() if now_ns is None else now_ns
    number = Wire().unit if wire is None else wire.unit
    units = {number: Unit(device, PlainTables(device, points, clock))}
    async with _listening(SimServer(units, clock, wire), host, port) as server:
        yield server


@asynccontextmanager
async def _listening(server: SimServer, host: str, port: int) -> AsyncIterator[SimServer]:
    try:
        await server.listen(host, port)
        yield server
    finally:
        await server.close()


async def serve(
    device: IoSide,
    points: PointMap,
    host: str,
    port: int,
    started: Callable[[int], None] | None = None,
    now_ns: Callable[[], int] | None = None,
) -> None:
    """Serve until cancelled; `started` is told the port.

    Raises OSError when it cannot listen, and whatever the device raises.
    """
    async with serving(device, points, host, port, now_ns) as server:
        if started is not None:
            started(server.port)
        await server.failed()
