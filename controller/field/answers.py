"""Answers with registers, decoded whole: the library takes them apart one by one and writes each out in words.

A status has 80 registers, so this is a third of what an exchange costs the library.
"""

from __future__ import annotations

import struct

from pymodbus.client.base import ModbusBaseClient
from pymodbus.exceptions import ModbusIOException
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersResponse,
    ReadInputRegistersResponse,
    ReadWriteMultipleRegistersResponse,
)


class _Whole:
    """What the answers of three functions have in common."""

    registers: list[int]

    def decode(self, data: bytes) -> None:
        """Take the registers out of a byte count and what follows it. Raises ModbusIOException where less follows."""
        length = data[0]
        if length >= len(data):
            raise ModbusIOException(f"byte count {length} is more than the {len(data) - 1} bytes that follow")
        self.registers = list(struct.unpack_from(f">{length // 2}H", data, 1))

    def __str__(self) -> str:
        return f"{type(self).__name__}({len(self.registers)} registers)"


class HoldingAnswer(_Whole, ReadHoldingRegistersResponse):  # type: ignore[misc]
    """The answer to function 3."""


class InputAnswer(_Whole, ReadInputRegistersResponse):  # type: ignore[misc]
    """The answer to function 4."""


class WriteAndReadAnswer(_Whole, ReadWriteMultipleRegistersResponse):  # type: ignore[misc]
    """The answer to function 23."""


def decode_whole(client: ModbusBaseClient) -> None:
    """Have a client take its answers so."""
    for answer in (HoldingAnswer, InputAnswer, WriteAndReadAnswer):
        client.register(answer)
