"""Answers decoded whole are what the library makes of them register by register, and broken ones are refused as there."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.exceptions import ModbusIOException
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse

from controller.field.answers import HoldingAnswer, InputAnswer, WriteAndReadAnswer

ANSWERS: list[Callable[[], ReadHoldingRegistersResponse]] = [HoldingAnswer, InputAnswer, WriteAndReadAnswer]


@given(st.sampled_from(ANSWERS), st.lists(st.integers(0, 0xFFFF), max_size=125))
def test_the_registers_are_those_that_the_library_finds(
    answer: Callable[[], ReadHoldingRegistersResponse], registers: list[int]
) -> None:
    data = struct.pack(f">B{len(registers)}H", 2 * len(registers), *registers)
    whole, theirs = answer(), ReadHoldingRegistersResponse()
    whole.decode(data)
    theirs.decode(data)
    assert whole.registers == theirs.registers == registers


@pytest.mark.parametrize("answer", ANSWERS)
@pytest.mark.parametrize("data", [b"\x04\x00\x01", b"\x02", b"\xff" + bytes(200)])
def test_fewer_bytes_than_were_announced_are_refused(
    answer: Callable[[], ReadHoldingRegistersResponse], data: bytes
) -> None:
    with pytest.raises(ModbusIOException, match="byte count"):
        answer().decode(data)
    with pytest.raises(ModbusIOException):
        ReadHoldingRegistersResponse().decode(data)


def test_they_stand_for_the_functions_that_bring_registers() -> None:
    assert [answer().function_code for answer in ANSWERS] == [3, 4, 23]
