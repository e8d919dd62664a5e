"""The serving side of Modbus, without any I/O: where a frame ends, and how a request is answered.

Rules of this file: a request is checked for function (exception 01), then quantity and byte count (03), then address
(02), and only then carried out; one that is refused changes nothing. Sources: MODBUS Application Protocol V1.1b3,
sections 4.1, 6 and 7; MODBUS Messaging on TCP/IP V1.0b for the header.
"""

from __future__ import annotations

import struct
from collections.abc import Collection, Sequence
from enum import IntEnum
from typing import Protocol

from controller.layout import Table

HEADER = struct.Struct(">HHHB")
"""Of a Modbus TCP frame: transaction, protocol (0), bytes from the unit on, unit."""
_BEFORE_UNIT = 6
LONGEST_FRAME = 260
READS = {1: Table.COIL, 2: Table.DISCRETE, 3: Table.HOLDING, 4: Table.INPUT}
WRITES = frozenset({5, 6, 15, 16, 22, 23})
"""Every function that would change something, served or not."""
SERVED = frozenset({*READS, 5, 6, 15, 16, 23})


class Refused(IntEnum):
    """The exception codes of Modbus."""

    FUNCTION = 1
    ADDRESS = 2
    VALUE = 3
    BUSY = 6
    UNIT_SILENT = 0x0B


class RefusedError(Exception):
    """A request that is answered with an exception code."""

    def __init__(self, code: Refused) -> None:
        super().__init__(code)
        self.code = code


class FrameError(ValueError):
    """Bytes that begin no Modbus TCP frame: where the next one would begin is unknown."""


class Tables(Protocol):
    """What is served. `check_readable` and the others raise RefusedError."""

    def check_readable(self, table: Table, address: int, count: int) -> None:
        """Refuse an address that cannot be read."""
        ...

    def read(self, table: Table, address: int, count: int) -> Sequence[int]:
        """Read so many registers or bits as they are now."""
        ...

    def write(self, table: Table, address: int, values: list[int]) -> None:
        """Write registers or bits; all of them or none."""
        ...


def frame_end(data: bytes | bytearray, start: int, filled: int) -> int | None:
    """Where the frame that begins at `start` ends, of `filled` bytes in all; None until it is whole. FrameError."""
    if filled - start < _BEFORE_UNIT:
        return None
    protocol, length = struct.unpack_from(">HH", data, start + 2)
    if protocol != 0 or not 2 <= length <= LONGEST_FRAME - _BEFORE_UNIT:
        raise FrameError(f"protocol {protocol}, length {length}")
    end: int = start + _BEFORE_UNIT + length
    return end if end <= filled else None


def framed(transaction: int, unit: int, pdu: bytes) -> bytes:
    """An answer with its header."""
    return HEADER.pack(transaction, 0, len(pdu) + 1, unit) + pdu


def exception(function: int, code: Refused) -> bytes:
    """The answer that refuses a request to that function."""
    return bytes((function | 0x80, code))


def answer(pdu: bytes, tables: Tables, served: Collection[int] = SERVED) -> bytes:
    """Answer one request, function code first; what is not among the `served` functions is unknown here."""
    function = pdu[0]
    try:
        if function not in served:
            raise RefusedError(Refused.FUNCTION)
        return bytes((function,)) + _carry_out(function, pdu[1:], tables)
    except RefusedError as refused:
        return exception(function, refused.code)


def _carry_out(function: int, body: bytes, tables: Tables) -> bytes:
    if function in READS:
        return _read(READS[function], body, tables)
    if function in (5, 6):
        return _write_single(function, body, tables)
    if function in (15, 16):
        return _write(function, body, tables)
    if function == 23:
        return _read_write(body, tables)
    raise RefusedError(Refused.FUNCTION)


def _read(table: Table, body: bytes, tables: Tables) -> bytes:
    address, count = _numbers(">HH", body)
    _check(1 <= count <= (2000 if table.of_bits else 125) and len(body) == 4)
    tables.check_readable(table, address, count)
    values = tables.read(table, address, count)
    if not table.of_bits:
        return _packed(values)
    size = (count + 7) // 8
    return bytes((size,)) + sum(bit << i for i, bit in enumerate(values)).to_bytes(size, "little")


def _write_single(function: int, body: bytes, tables: Tables) -> bytes:
    address, value = _numbers(">HH", body)
    if function == 5:
        _check(value in (0, 0xFF00) and len(body) == 4)
        tables.write(Table.COIL, address, [value >> 15])
    else:
        _check(len(body) == 4)
        tables.write(Table.HOLDING, address, [value])
    return body


def _write(function: int, body: bytes, tables: Tables) -> bytes:
    address, count, size = _numbers(">HHB", body)
    data = body[5:]
    if function == 15:
        _check(1 <= count <= 1968 and size == len(data) == (count + 7) // 8)
        bits = int.from_bytes(data, "little")
        tables.write(Table.COIL, address, [bits >> i & 1 for i in range(count)])
    else:
        _check(1 <= count <= 123 and size == len(data) == 2 * count)
        tables.write(Table.HOLDING, address, list(struct.unpack(f">{count}H", data)))
    return body[:4]


def _read_write(body: bytes, tables: Tables) -> bytes:
    read_address, read_count, address, count, size = _numbers(">HHHHB", body)
    data = body[9:]
    _check(1 <= read_count <= 125 and 1 <= count <= 121 and size == len(data) == 2 * count)
    # Both addresses before anything is written: a refused request changes nothing.
    tables.check_readable(Table.HOLDING, read_address, read_count)
    tables.write(Table.HOLDING, address, list(struct.unpack(f">{count}H", data)))
    return _packed(tables.read(Table.HOLDING, read_address, read_count))


def _numbers(form: str, body: bytes) -> tuple[int, ...]:
    _check(len(body) >= struct.calcsize(form))
    return struct.unpack_from(form, body)


def _check(right: bool) -> None:
    if not right:
        raise RefusedError(Refused.VALUE)


def _packed(values: Sequence[int]) -> bytes:
    return struct.pack(f">B{len(values)}H", 2 * len(values), *values)
