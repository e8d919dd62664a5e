"""The four tables of Modbus in front of a simulated I/O side, and the answer to each request.

Rules of this file: a read brings the device's status of that instant; a write that holds the heartbeat hands the
device its command, since that is what a map's last write carries.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable
from typing import Protocol

from controller.modbus_pdu import Refused, RefusedError, answer
from controller.packing import CommandDecoder, StatusEncoder
from controller.plain import PlainInputs
from controller.plain_points import PlainMap
from controller.points import PointMap, Request, Table
from controller.registers import Command, Status


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

    def check_readable(self, table: Table, address: int, count: int) -> None:
        """Refuse an address at which the device has nothing. Raises RefusedError."""
        _check_span(self._readable[table], address, count)

    def read(self, table: Table, address: int, count: int) -> list[int]:
        """Read so many registers or bits as they are now, where all are readable."""
        self._bring()
        return self._tables[table][address : address + count]

    def write(self, table: Table, address: int, values: list[int]) -> None:
        """Write registers or bits. Raises RefusedError."""
        _check_span(self._writable[table], address, len(values))
        self._tables[table][address : address + len(values)] = values
        self._take(table, address, len(values))

    def answer(self, pdu: bytes) -> bytes:
        """Answer one request, function code first, as Modbus has it."""
        return answer(pdu, self)


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


def _check_span(allowed: bytearray, address: int, count: int) -> None:
    if address + count > 65536 or allowed.find(0, address, address + count) >= 0:
        raise RefusedError(Refused.ADDRESS)
