"""Worked frames of the Modbus specification through the real client, the simulator's server and our own packing.

PDUs: MODBUS Application Protocol V1.1b3 (26 Apr 2012), section 6, by way of public conformance test files that cite it
by section (checks.md 1.1, SEEN-2; the section numbers of 02, 04, 06 and 15 from memory). Limits and the order of a
server's checks: section 4.1 and figures 11 and 22, and one conformance suite's reading (1.2, SEEN-2). Header:
MODBUS Messaging on TCP/IP V1.0b (1.3; that the worked ADU is the guide's own example: from memory).
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Awaitable, Callable

import pytest
from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.pdu import ModbusPDU

from controller.packing import CommandEncoder
from controller.points import READ_BITS_LIMIT, READ_LIMIT, WRITE_LIMIT, PointMap, Table
from controller.registers import Command, Status
from sim.server import serving
from sim.tables import Registers

Call = Callable[[AsyncModbusTcpClient], Awaitable[ModbusPDU]]

FRAMES: list[tuple[str, Call, str, str, list[int]]] = [
    # name, call on the real client, request PDU, response PDU, values that the client must give back
    ("01 §6.1", lambda c: c.read_coils(0x13, count=19), "01 0013 0013", "01 03 CD6B05",
     [int(b) for b in "1011001111010110101"]),
    ("02 §6.2", lambda c: c.read_discrete_inputs(0xC4, count=22), "02 00C4 0016", "02 03 ACDB35",
     [int(b) for b in "0011010111011011101011"]),
    ("03 §6.3", lambda c: c.read_holding_registers(0x6B, count=3), "03 006B 0003", "03 06 022B 0000 0064",
     [555, 0, 100]),
    ("04 §6.4", lambda c: c.read_input_registers(8, count=1), "04 0008 0001", "04 02 000A", [10]),
    ("05 §6.5", lambda c: c.write_coil(0xAC, True), "05 00AC FF00", "05 00AC FF00", []),
    ("06 §6.6", lambda c: c.write_register(1, 3), "06 0001 0003", "06 0001 0003", []),
    ("15 §6.11", lambda c: c.write_coils(0x13, [b == "1" for b in "1011001110"]), "0F 0013 000A 02 CD01",
     "0F 0013 000A", []),
    ("16 §6.12", lambda c: c.write_registers(1, [0x0A, 0x0102]), "10 0001 0002 04 000A 0102", "10 0001 0002", []),
    ("23 §6.17", lambda c: c.readwrite_registers(read_address=3, read_count=6, write_address=14, values=[255] * 3),
     "17 0003 0006 000E 0003 06 00FF 00FF 00FF", "17 0C 00FE 0ACD 0001 0003 000D 00FF",
     [0x00FE, 0x0ACD, 1, 3, 0x0D, 0xFF]),
]  # fmt: skip


def ids(frame: object) -> str | None:
    return frame if isinstance(frame, str) and "§" in frame else None


@pytest.mark.parametrize(("name", "call", "request_hex", "response_hex", "values"), FRAMES, ids=ids)
async def test_the_real_client_sends_and_reads_the_worked_frames(
    name: str, call: Call, request_hex: str, response_hex: str, values: list[int]
) -> None:
    heard: list[bytes] = []

    async def device(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        header = await reader.readexactly(7)
        heard.append(header + await reader.readexactly(int.from_bytes(header[4:6], "big") - 1))
        pdu = bytes.fromhex(response_hex)
        writer.write(header[:4] + struct.pack(">HB", len(pdu) + 1, header[6]) + pdu)
        await reader.read()
        writer.close()
        await writer.wait_closed()

    server = await asyncio.start_server(device, "127.0.0.1", 0)
    client = AsyncModbusTcpClient(
        "127.0.0.1", port=server.sockets[0].getsockname()[1], framer=FramerType.SOCKET, retries=0, reconnect_delay=0
    )
    try:
        assert await client.connect()
        answer = await call(client)
        assert not answer.isError()
        got = list(answer.registers) if answer.registers else [int(bit) for bit in answer.bits]
        if values:
            assert got[: len(values)] == values
    finally:
        client.close()
        server.close()
        await server.wait_closed()
        await asyncio.sleep(0.01)
    frame = heard[0]
    assert frame[2:4] == b"\0\0"
    assert int.from_bytes(frame[4:6], "big") == len(frame) - 6
    assert frame[7:] == bytes.fromhex(request_hex)


class StillDevice:
    """An I/O side at rest, for what a server answers whatever the device does."""

    def __init__(self) -> None:
        self.commands: list[Command] = []

    def advance(self, t_ns: int) -> None:
        pass

    def write(self, command: Command, t_ns: int) -> None:
        self.commands.append(command)

    def read(self, t_ns: int) -> Status:
        return Status(boot_id=0x022B, heartbeat_echo=0, bits=0x64)

    def link_down(self, t_ns: int) -> bool:
        return False


def registers() -> Registers:
    return Registers(StillDevice(), PointMap.default(), lambda: 0)


@pytest.mark.parametrize(
    ("request_hex", "response_hex"),
    [
        ("03 0001 0003", "03 06 022B 0000 0064"),  # the values of §6.3 at our addresses
        ("03 FFFF 0002", "83 02"),
        ("01 0000 0000", "81 03"),
        ("05 0001 0001", "85 03"),
        ("01 04A1 0001", "81 02"),  # §7, the worked exception
        ("10 FFFF 0002 03 0000 00", "90 03"),  # a byte count that disagrees is told before the address
        ("10 FFFF 0001 02 0000", "90 02"),
        ("03 0000 007E", "83 03"),
        ("03 0000 0000", "83 03"),
        ("01 0000 07D1", "81 03"),
        ("17 0000 007E 0064 0001 02 0000", "97 03"),
        ("17 0000 0001 0000 0001 02 0000", "97 02"),  # the status is the I/O side's own
        ("2B 0E 01 00", "AB 01"),
        ("03 00", "83 03"),
    ],
)
def test_the_simulator_checks_function_then_quantity_then_address(request_hex: str, response_hex: str) -> None:
    assert registers().answer(bytes.fromhex(request_hex)) == bytes.fromhex(response_hex)


def test_a_refused_read_write_writes_nothing() -> None:
    device = StillDevice()
    served = Registers(device, PointMap.default(), lambda: 0)
    assert served.answer(bytes.fromhex("17 0F00 0001 0064 0001 02 0007")) == bytes.fromhex("97 02")
    assert device.commands == []
    assert served.read(Table.HOLDING, 100, 1) == [0]


def test_our_command_is_the_function_16_frame_that_its_layout_says() -> None:
    # §6.12 for the frame, the field block's table for the registers.
    command = Command(heartbeat=0x000A, control=0x0001, boot_id_seen=0x0102, order_count=0x11223344, order_token=9)
    (block,) = CommandEncoder(PointMap.default()).encode(command)
    pdu = bytes.fromhex("10 0064 000D 1A") + struct.pack(">13H", *block)
    assert pdu == bytes.fromhex("10 0064 000D 1A 000A 0001 0102 0000 0000 0000 0000 0000 1122 3344 0000 0000 0009")
    device = StillDevice()
    assert Registers(device, PointMap.default(), lambda: 0).answer(pdu) == bytes.fromhex("10 0064 000D")
    assert device.commands == [command]


def test_our_plans_keep_the_limits() -> None:
    # §6: 03, 04 and 23 read at most 125 registers, 01 and 02 at most 2000 bits; 23 writes at most 121.
    assert (READ_LIMIT, READ_BITS_LIMIT, WRITE_LIMIT) == (125, 2000, 121)


WORKED_ADU = bytes.fromhex("1501 0000 0006 FF 03 0004 0001")


async def talk(*chunks: bytes, answers: int) -> bytes:
    """Send chunks one by one to the simulator's server and read until so many answers of one register, or the end."""
    async with serving(StillDevice(), PointMap.default()) as server:
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        try:
            for chunk in chunks:
                writer.write(chunk)
                await writer.drain()
                await asyncio.sleep(0.005)
            if answers == 0:
                return await reader.read()
            return await reader.readexactly(answers * 11)
        finally:
            writer.close()
            await writer.wait_closed()


ANSWER = bytes.fromhex("1501 0000 0005 FF 03 02 0000")


async def test_the_worked_adu_is_answered_with_its_own_transaction_and_unit() -> None:
    assert await talk(WORKED_ADU, answers=1) == ANSWER


@pytest.mark.parametrize("size", [1, 3, 7, 8, 11])
async def test_a_request_in_pieces_waits_for_its_rest(size: int) -> None:
    chunks = [WORKED_ADU[i : i + size] for i in range(0, len(WORKED_ADU), size)]
    assert await talk(*chunks, answers=1) == ANSWER


async def test_two_requests_in_one_segment_are_two_answers_in_order() -> None:
    second = b"\x15\x02" + WORKED_ADU[2:]
    assert await talk(WORKED_ADU + second, answers=2) == ANSWER + b"\x15\x02" + ANSWER[2:]


@pytest.mark.parametrize("header", ["1501 0001 0006 FF", "1501 0000 00FF FF", "1501 0000 0001 FF"])
async def test_a_wrong_protocol_id_or_length_ends_the_connection(header: str) -> None:
    assert await talk(bytes.fromhex(header) + WORKED_ADU[7:], answers=0) == b""
