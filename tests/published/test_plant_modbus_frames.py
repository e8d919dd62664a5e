"""Worked frames of the Modbus specification through the plant's own listener, before registers that hold their values.

PDUs: MODBUS Application Protocol V1.1b3 (26 Apr 2012), section 6, by way of public conformance test files that cite it
by section (checks.md 1.1, SEEN-2; the section numbers of 02, 04 and 06 from memory). Limits and the order of a
server's checks: section 4.1 and figures 11 and 22, and one conformance suite's reading (1.2, SEEN-2). Header:
MODBUS Messaging on TCP/IP V1.0b (1.3; that the worked ADU is the guide's own example: from memory).
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest

from controller.layout import Table
from controller.modbus_pdu import Refused, RefusedError, answer
from controller.plant.image import Desk
from controller.plant.modbus.connection import Connection
from controller.plant.modbus.listener import Listener

SERVED = frozenset({1, 2, 3, 4, 6, 16})
"""What the plant's server knows for a client that may command."""


class Memory:
    """Registers and bits that hold what the specification's examples read, 1216 of each: 04A1 is behind the end."""

    def __init__(self) -> None:
        self.values = {table: [0] * 0x04A1 for table in Table}
        self.put(Table.COIL, 0x13, [int(b) for b in "1011001111010110101"])
        self.put(Table.DISCRETE, 0xC4, [int(b) for b in "0011010111011011101011"])
        self.put(Table.HOLDING, 0x6B, [555, 0, 100])
        self.put(Table.INPUT, 8, [10])

    def put(self, table: Table, address: int, values: list[int]) -> None:
        self.values[table][address : address + len(values)] = values

    def check_readable(self, table: Table, address: int, count: int) -> None:
        if address + count > len(self.values[table]):
            raise RefusedError(Refused.ADDRESS)

    def read(self, table: Table, address: int, count: int) -> list[int]:
        return self.values[table][address : address + count]

    def write(self, table: Table, address: int, values: list[int]) -> None:
        self.check_readable(table, address, len(values))
        self.put(table, address, values)


async def nobody(*_: Any) -> Any:
    raise AssertionError("no command was given")


@asynccontextmanager
async def served(memory: Memory) -> AsyncIterator[tuple[int, Desk]]:
    desk = Desk(nobody, lambda *_: None)

    def ask(connection: Connection, unit: int, pdu: bytes) -> bytes:
        return answer(pdu, memory, SERVED)

    listener = Listener(ask, lambda _: None, desk, most=4, idle_s=60.0)
    await listener.open("127.0.0.1", 0)
    try:
        yield listener.port, desk
    finally:
        await listener.close()


async def talk(*chunks: bytes, size: int | None, memory: Memory | None = None) -> bytes:
    """Send chunks one by one and read so many bytes of answers; None: until the server ends the connection."""
    async with served(memory or Memory()) as (port, _), asyncio.timeout(30.0):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        try:
            for chunk in chunks:
                writer.write(chunk)
                await writer.drain()
                await asyncio.sleep(0.005)
            return await (reader.read() if size is None else reader.readexactly(size))
        finally:
            writer.close()
            await writer.wait_closed()


def frame(pdu_hex: str, transaction: int = 1, unit: int = 1) -> bytes:
    pdu = bytes.fromhex(pdu_hex)
    return transaction.to_bytes(2, "big") + b"\0\0" + (len(pdu) + 1).to_bytes(2, "big") + bytes((unit,)) + pdu


@pytest.mark.parametrize(
    ("request_hex", "response_hex"),
    [
        ("01 0013 0013", "01 03 CD6B05"),
        ("02 00C4 0016", "02 03 ACDB35"),
        ("03 006B 0003", "03 06 022B 0000 0064"),
        ("04 0008 0001", "04 02 000A"),
        ("06 0001 0003", "06 0001 0003"),
        ("10 0001 0002 04 000A 0102", "10 0001 0002"),
        ("01 04A1 0001", "81 02"),  # §7, the worked exception
        # The order of checks: function, then quantity and byte count, then address.
        ("03 FFFF 0002", "83 02"),
        ("01 0000 0000", "81 03"),
        ("05 0001 0001", "85 01"),  # with its illegal value: the function is not served here, and is checked first
        ("10 FFFF 0002 03 0000 00", "90 03"),
        ("10 FFFF 0001 02 0000", "90 02"),
        ("03 0000 007E", "83 03"),
        ("04 0000 0000", "84 03"),
        ("01 0000 07D1", "81 03"),
        ("02 FFFF 07D1", "82 03"),
        ("10 0000 007C F8 0000", "90 03"),
        ("03 00", "83 03"),
        ("03 0000 0001 00", "83 03"),
        ("16 0004 00F2 0025", "96 01"),
        ("17 0003 0006 000E 0003 06 00FF 00FF 00FF", "97 01"),
        ("0F 0013 000A 02 CD01", "8F 01"),
        ("07", "87 01"),
        ("00", "80 01"),
    ],
)
async def test_worked_frames_are_answered_to_the_byte(request_hex: str, response_hex: str) -> None:
    wanted = frame(response_hex)
    assert await talk(frame(request_hex), size=len(wanted)) == wanted


@pytest.mark.parametrize(
    ("function", "most"), [(1, 2000), (2, 2000), (3, 125), (4, 125)]
)  # fmt: skip
async def test_the_greatest_quantity_is_served(function: int, most: int) -> None:
    memory = Memory()
    for table in Table:
        memory.values[table] = [1] * 2000
    data = b"\xff" * 250 if function < 3 else b"\x00\x01" * 125
    said = await talk(frame(f"{function:02x} 0000 {most:04x}"), size=9 + len(data), memory=memory)
    assert said[7:] == bytes((function, 250)) + data


async def test_a_written_register_holds_what_was_written() -> None:
    memory = Memory()
    await talk(frame("10 0001 0002 04 000A 0102"), frame("10 FFFF 0001 02 0001"), size=12 + 9, memory=memory)
    assert memory.values[Table.HOLDING][:4] == [0, 0x0A, 0x0102, 0]


WORKED_ADU = bytes.fromhex("1501 0000 0006 FF 03 0004 0001")
ANSWER = bytes.fromhex("1501 0000 0005 FF 03 02 0000")


async def test_the_worked_adu_is_answered_with_its_own_transaction_and_unit() -> None:
    assert await talk(WORKED_ADU, size=11) == ANSWER


@pytest.mark.parametrize("size", [1, 3, 7, 8, 11])
async def test_a_request_in_pieces_waits_for_its_rest(size: int) -> None:
    chunks = [WORKED_ADU[i : i + size] for i in range(0, len(WORKED_ADU), size)]
    assert await talk(*chunks, size=11) == ANSWER


async def test_two_requests_in_one_segment_are_two_answers_in_order() -> None:
    second = b"\x15\x02" + WORKED_ADU[2:]
    assert await talk(WORKED_ADU + second, size=22) == ANSWER + b"\x15\x02" + ANSWER[2:]


async def test_a_thousand_requests_at_once_are_a_thousand_answers_in_order() -> None:
    requests = b"".join(n.to_bytes(2, "big") + WORKED_ADU[2:] for n in range(1000))
    wanted = b"".join(n.to_bytes(2, "big") + ANSWER[2:] for n in range(1000))
    assert await talk(requests, size=len(wanted)) == wanted


@pytest.mark.parametrize("header", ["1502 0001 0006 FF", "1502 0000 00FF FF", "1502 0000 0001 FF", "1502 0000 0000 FF"])
async def test_a_wrong_protocol_id_or_length_ends_the_connection_after_what_was_right(header: str) -> None:
    assert await talk(WORKED_ADU + bytes.fromhex(header), size=None) == ANSWER


async def test_a_bad_frame_ends_its_own_connection_only_and_is_counted() -> None:
    async with served(Memory()) as (port, desk), asyncio.timeout(30.0):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        bad_reader, bad_writer = await asyncio.open_connection("127.0.0.1", port)
        bad_writer.write(bytes.fromhex("1501 0001 0006 FF 03"))
        assert await bad_reader.read() == b""
        assert desk.refusals == {"no Modbus frame": 1}
        writer.write(WORKED_ADU)
        assert await reader.readexactly(11) == ANSWER
        for each in (writer, bad_writer):
            each.close()
            await each.wait_closed()
