"""The four tables of Modbus in front of a simulated I/O side, and the answer to each request.

Rules of this file: a request is checked for function, then quantity, then address, and one that is refused changes
nothing. A read brings the device's status of that instant; a write that holds the heartbeat hands the device its
command, since that is what a map's last write carries.
"""

from __future__ import annotations

import struct
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable
from typing import Protocol

from controller.packing import CommandDecoder, StatusEncoder
from controller.plain import PlainInputs
from controller.plain_points import PlainMap
from controller.points import PointMap, Request, Table
from controller.registers import Command, Status

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3

_READ_TABLES = {1: Table.COIL, 2: Table.DISCRETE, 3: Table.HOLDING, 4: Table.INPUT}


class IoSide(Protocol):
    """What is served: the field block's I/O side in simulated nanoseconds."""

    def advance(self, t_ns: int) -> None:
        """Bring the world up to `t_ns`."""

    def write(self, command: Command, t_ns: int) -> None:
        """Take a complete command block."""

    def read(self, t_ns: int) -> Status:
        """Give the status block of that instant."""
        ...

    def link_down(self, t_ns: int) -> bool:
        """Whether the cable is out just now."""
        ...


class PlainIoSide(Protocol):
    """What is served instead: a plain device in simulated nanoseconds."""

    def advance(self, t_ns: int) -> None:
        """Bring the world up to `t_ns`."""

    def write_output(self, name: str, on: bool, t_ns: int) -> None:
        """Take what one output is to be."""

    def read_inputs(self, t_ns: int) -> PlainInputs:
        """Give the inputs as last taken."""
        ...

    def link_down(self, t_ns: int) -> bool:
        """Whether the cable is out just now."""
        ...


class RefusedError(Exception):
    """A request that is answered with an exception code."""

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


class Tables(ABC):
    """The four tables of Modbus in front of a device, and the requests on them."""

    def __init__(self, read_plan: Iterable[Request], write_plan: Iterable[Request]) -> None:
        self._tables = {table: [0] * 65536 for table in Table}
        self._readable = {table: bytearray(65536) for table in Table}
        self._writable = {table: bytearray(65536) for table in Table}
        writes = tuple(write_plan)
        for request in (*read_plan, *writes):
            span = slice(request.address, request.address + request.count)
            self._readable[request.table][span] = b"\x01" * request.count
        for request in writes:
            span = slice(request.address, request.address + request.count)
            self._writable[request.table][span] = b"\x01" * request.count

    @abstractmethod
    def _bring(self) -> None:
        """Bring into the tables what the device has to say now."""

    @abstractmethod
    def _take(self, table: Table, address: int, count: int) -> None:
        """Hand the device what has been written to these addresses."""

    def read(self, table: Table, address: int, count: int) -> list[int]:
        """Read so many registers or bits as they are now. Raises RefusedError."""
        _check_span(self._readable[table], address, count)
        self._bring()
        return self._tables[table][address : address + count]

    def write(self, table: Table, address: int, values: list[int]) -> None:
        """Write registers or bits. Raises RefusedError."""
        _check_span(self._writable[table], address, len(values))
        self._tables[table][address : address + len(values)] = values
        self._take(table, address, len(values))

    def answer(self, pdu: bytes) -> bytes:
        """Answer one request, function code first, as Modbus has it."""
        function = pdu[0]
        try:
            return bytes((function,)) + self._served(function, pdu[1:])
        except RefusedError as refused:
            return bytes((function | 0x80, refused.code))

    def _served(self, function: int, body: bytes) -> bytes:
        if function in _READ_TABLES:
            return self._serve_read(_READ_TABLES[function], body)
        if function in (5, 6):
            return self._serve_write_single(function, body)
        if function in (15, 16):
            return self._serve_write(function, body)
        if function == 23:
            return self._serve_read_write(body)
        raise RefusedError(ILLEGAL_FUNCTION)

    def _serve_read(self, table: Table, body: bytes) -> bytes:
        address, count = _numbers(">HH", body)
        _check(1 <= count <= (2000 if table.of_bits else 125) and len(body) == 4)
        values = self.read(table, address, count)
        if not table.of_bits:
            return _packed(values)
        size = (count + 7) // 8
        return bytes((size,)) + sum(bit << i for i, bit in enumerate(values)).to_bytes(size, "little")

    def _serve_write_single(self, function: int, body: bytes) -> bytes:
        address, value = _numbers(">HH", body)
        if function == 5:
            _check(value in (0, 0xFF00) and len(body) == 4)
            self.write(Table.COIL, address, [value >> 15])
        else:
            _check(len(body) == 4)
            self.write(Table.HOLDING, address, [value])
        return body

    def _serve_write(self, function: int, body: bytes) -> bytes:
        address, count, size = _numbers(">HHB", body)
        data = body[5:]
        if function == 15:
            _check(1 <= count <= 1968 and size == len(data) == (count + 7) // 8)
            bits = int.from_bytes(data, "little")
            self.write(Table.COIL, address, [bits >> i & 1 for i in range(count)])
        else:
            _check(1 <= count <= 123 and size == len(data) == 2 * count)
            self.write(Table.HOLDING, address, list(struct.unpack(f">{count}H", data)))
        return body[:4]

    def _serve_read_write(self, body: bytes) -> bytes:
        read_address, read_count, address, count, size = _numbers(">HHHHB", body)
        data = body[9:]
        _check(1 <= read_count <= 125 and 1 <= count <= 121 and size == len(data) == 2 * count)
        # Both addresses before anything is written: a refused request changes nothing.
        _check_span(self._readable[Table.HOLDING], read_address, read_count)
        self.write(Table.HOLDING, address, list(struct.unpack(f">{count}H", data)))
        return _packed(self.read(Table.HOLDING, read_address, read_count))


class Registers(Tables):
    """The tables before a field block: reads bring its status, a write that holds the heartbeat is its command."""

    def __init__(self, device: IoSide, points: PointMap, now_ns: Callable[[], int]) -> None:
        super().__init__(points.read_plan, points.write_plan)
        self._device, self._points, self._now_ns = device, points, now_ns
        self._encoder = StatusEncoder(points)
        self._decoder = CommandDecoder(points)
        self._heartbeat = points.command["heartbeat"]

    def _bring(self) -> None:
        blocks = self._encoder.encode(self._device.read(self._now_ns()))
        for request, block in zip(self._points.read_plan, blocks, strict=True):
            self._tables[request.table][request.address : request.address + request.count] = block

    def _take(self, table: Table, address: int, count: int) -> None:
        if table is self._heartbeat.table and address <= self._heartbeat.words[-1] < address + count:
            blocks = [
                self._tables[request.table][request.address : request.address + request.count]
                for request in self._points.write_plan
            ]
            self._device.write(self._decoder.decode(blocks), self._now_ns())


class PlainTables(Tables):
    """The tables before a plain device: each point is an input or an output of its own."""

    def __init__(self, device: PlainIoSide, points: PlainMap, now_ns: Callable[[], int]) -> None:
        writes = [Request(p.table, p.address, 1) for p in points.outputs.values()]
        super().__init__(points.read_plan, writes)
        self._device, self._points, self._now_ns = device, points, now_ns

    def _bring(self) -> None:
        inputs = self._device.read_inputs(self._now_ns())
        for request, block in zip(self._points.read_plan, self._points.encode(inputs), strict=True):
            self._tables[request.table][request.address : request.address + request.count] = block

    def _take(self, table: Table, address: int, count: int) -> None:
        t_ns = self._now_ns()
        for name, point in self._points.outputs.items():
            if point.table is table and address <= point.address < address + count:
                self._device.write_output(name, bool(self._tables[table][point.address]), t_ns)


def _numbers(form: str, body: bytes) -> tuple[int, ...]:
    _check(len(body) >= struct.calcsize(form))
    return struct.unpack_from(form, body)


def _check(right: bool) -> None:
    if not right:
        raise RefusedError(ILLEGAL_VALUE)


def _check_span(allowed: bytearray, address: int, count: int) -> None:
    if address + count > 65536 or allowed.find(0, address, address + count) >= 0:
        raise RefusedError(ILLEGAL_ADDRESS)


def _packed(values: list[int]) -> bytes:
    return struct.pack(f">B{len(values)}H", 2 * len(values), *values)
