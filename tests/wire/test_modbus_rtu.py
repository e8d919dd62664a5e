"""Serial framing behind the same adapter: over Ethernet, and over a serial line that is a pair of pseudo terminals."""

from __future__ import annotations

import asyncio
import json
import os
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from controller.field.clients import Framing
from controller.field.connection import ModbusConnection
from controller.field.modbus import ModbusLink
from controller.packing import StatusEncoder
from controller.points import PointMap
from controller.ports import LinkError
from controller.registers import Command, Status
from controller.serial_line import Parity, SerialLine
from sim.rtu import Cutter, sealed
from sim.server import NEW_PAIR, Wire, serving, serving_units
from tests.wire.test_modbus_link import COMMAND, HeldDevice, busy_status, points_of

FAST = SerialLine(921_600, Parity.NONE)
UNIT = 17


def link_to(points: PointMap, host: str, port: int = 0, *, timeout_s: float = 0.5, unit: int = UNIT) -> ModbusLink:
    serial = FAST if host.startswith("/") else None
    wire = ModbusConnection(host, port, unit=unit, timeout_s=timeout_s, framing=Framing.RTU, serial=serial)
    return ModbusLink(points, host, port, wire=wire)


@pytest.mark.parametrize("function_23", [True, False])
@pytest.mark.parametrize("serial", [False, True], ids=["over Ethernet", "serial"])
async def test_every_value_is_carried_both_ways(serial: bool, function_23: bool) -> None:
    points = points_of("", 1)
    device = HeldDevice(busy_status(points.modulus, 1))
    wire = Wire(rtu=True, serial=FAST if serial else None, unit=UNIT)
    async with serving(device, points, NEW_PAIR if serial else "127.0.0.1", 0, wire=wire) as server:
        connection = ModbusConnection(
            server.host, server.port, unit=UNIT, framing=Framing.RTU, serial=FAST if serial else None
        )
        link = ModbusLink(points, server.host, server.port, function_23=function_23, wire=connection)
        await link.connect()
        for heartbeat in (1, 2, 3):
            command = replace(COMMAND, heartbeat=heartbeat)
            status = await link.exchange(command)
            assert device.got[-1] == command
            assert status == replace(device.shown, heartbeat_echo=heartbeat)
        await link.close()


@pytest.mark.parametrize("serial", [False, True], ids=["over Ethernet", "serial"])
async def test_a_unit_that_is_not_there_does_not_answer(serial: bool) -> None:
    points = points_of("")
    wire = Wire(rtu=True, serial=FAST if serial else None, unit=UNIT)
    async with serving(HeldDevice(), points, NEW_PAIR if serial else "127.0.0.1", 0, wire=wire) as server:
        link = link_to(points, server.host, server.port, timeout_s=0.1, unit=UNIT + 1)
        await link.connect()
        with pytest.raises(LinkError, match="did not answer within"):
            await link.exchange(COMMAND)
        await link.close()


Answering = Callable[[int, int, bytes], list[tuple[float, bytes]]]
"""Number of the request, unit and request → frames to send, each after so many seconds."""


class Raw(asyncio.Protocol):
    """A device that answers as a test wants it: on a pair of pseudo terminals, or behind a converter to Ethernet.

    A converter passes on what comes from its serial side to whoever is connected just then.
    """

    def __init__(self, answering: Answering) -> None:
        self._answering = answering
        self._cutter = Cutter()
        self._newest: asyncio.Transport | None = None
        self._master = -1
        self._waiting: list[asyncio.TimerHandle] = []
        self.asked = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._newest = transport

    def data_received(self, data: bytes) -> None:
        loop = asyncio.get_running_loop()
        for unit, pdu in self._cutter.feed(data, loop.time()):
            for late_s, frame in self._answering(self.asked, unit, pdu):
                self._waiting.append(loop.call_later(late_s, self.say, frame))
            self.asked += 1

    def say(self, frame: bytes) -> None:
        if self._master >= 0:
            os.write(self._master, frame)
        elif self._newest is not None:
            self._newest.write(frame)

    @asynccontextmanager
    async def served(self, serial: bool) -> AsyncIterator[tuple[str, int]]:
        loop = asyncio.get_running_loop()
        try:
            if serial:
                with pair() as (self._master, path):
                    loop.add_reader(self._master, lambda: self.data_received(os.read(self._master, 4096)))
                    yield path, 0
                    loop.remove_reader(self._master)
            else:
                server = await loop.create_server(lambda: self, "127.0.0.1", 0)
                yield "127.0.0.1", server.sockets[0].getsockname()[1]
                server.close()
                await server.wait_closed()
        finally:
            for handle in self._waiting:
                handle.cancel()


@contextmanager
def pair() -> Iterator[tuple[int, str]]:
    """A pair of pseudo terminals: our end, and the other's path."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


def answer_to(unit: int, pdu: bytes) -> bytes:
    """The frame that answers a command: a status that echoes its heartbeat."""
    heartbeat = int.from_bytes(pdu[10:12], "big")
    registers = [1, 0, heartbeat, *[0] * 77]
    return sealed(bytes([unit, 23, 160]) + b"".join(value.to_bytes(2, "big") for value in registers))


@pytest.mark.parametrize("serial", [False, True], ids=["over Ethernet", "serial"])
async def test_an_answer_that_comes_late_is_never_taken_for_the_next_one(serial: bool) -> None:
    """Every other answer comes after the timeout, to whoever is there then: it is thrown away, twenty times of twenty."""
    timeout_s = 0.06

    def answering(number: int, unit: int, pdu: bytes) -> list[tuple[float, bytes]]:
        return [(1.5 * timeout_s if number % 2 else 0.0, answer_to(unit, pdu))]

    async with Raw(answering).served(serial) as at:
        link = link_to(points_of(""), *at, timeout_s=timeout_s)
        await link.connect()
        failed, wrong = 0, []
        for heartbeat in range(1, 41):
            try:
                status = await link.exchange(Command(heartbeat=heartbeat))
            except LinkError:
                failed += 1
                continue
            if status.heartbeat_echo != heartbeat:
                wrong.append((heartbeat, status.heartbeat_echo))
        await link.close()
    assert wrong == []
    assert failed >= 20  # a busy machine may be late with one of the others too


@pytest.mark.parametrize("serial", [False, True], ids=["over Ethernet", "serial"])
async def test_what_comes_unasked_between_two_exchanges_is_no_answer(serial: bool) -> None:
    stray = answer_to(UNIT, bytes(10) + b"\x12\x34")
    device = Raw(lambda number, unit, pdu: [(0.0, answer_to(unit, pdu)), (0.01, stray[:7]), (0.02, stray)])
    async with device.served(serial) as at:
        link = link_to(points_of(""), *at, timeout_s=2.0)
        await link.connect()
        for heartbeat in range(1, 6):
            assert (await link.exchange(Command(heartbeat=heartbeat))).heartbeat_echo == heartbeat
            await asyncio.sleep(0.1)
        await link.close()


def broken(frame: bytes) -> bytes:
    return frame[:5] + bytes([frame[5] ^ 1]) + frame[6:]


ANSWERS: dict[str, tuple[Callable[[int, bytes], bytes], str]] = {
    "a wrong CRC": (lambda unit, pdu: broken(answer_to(unit, pdu)), "did not answer within"),
    "cut short": (lambda unit, pdu: answer_to(unit, pdu)[:-1], "did not answer within"),
    "another unit": (lambda unit, pdu: answer_to(unit + 1, pdu), "did not answer within"),
    "another function": (
        lambda unit, pdu: sealed(bytes([unit, 3, 160]) + answer_to(unit, pdu)[3:-2]),
        "the answer to another question",
    ),
    "too few values": (lambda unit, _: sealed(bytes([unit, 23, 4, 0, 1, 0, 2])), "another number of values"),
    "an exception": (lambda unit, _: sealed(bytes([unit, 0x97, 6])), "device busy"),
}


@pytest.mark.parametrize("serial", [False, True], ids=["over Ethernet", "serial"])
@pytest.mark.parametrize("name", ANSWERS)
async def test_a_wrong_answer_is_a_failed_exchange_and_the_next_one_is_right(name: str, serial: bool) -> None:
    answer, said = ANSWERS[name]
    device = Raw(lambda number, unit, pdu: [(0.0, answer_to(unit, pdu) if number else answer(unit, pdu))])
    async with device.served(serial) as at:
        link = link_to(points_of(""), *at, timeout_s=0.15)
        await link.connect()
        with pytest.raises(LinkError, match=said):
            await link.exchange(Command(heartbeat=1))
        assert (await link.exchange(Command(heartbeat=2))).heartbeat_echo == 2
        await link.close()


async def test_a_write_that_is_answered_for_other_registers_has_failed() -> None:
    device = Raw(lambda number, unit, pdu: [(0.0, sealed(bytes([unit]) + pdu[:1] + b"\x00\x65" + pdu[3:5]))])
    async with device.served(True) as at:
        wire = ModbusConnection(*at, unit=UNIT, timeout_s=2.0, serial=FAST)
        link = ModbusLink(points_of(""), *at, function_23=False, wire=wire)
        await link.connect()
        with pytest.raises(LinkError, match=r"to write holding registers 100 to 112 and sent the answer to another"):
            await link.exchange(COMMAND)


async def test_a_serial_port_that_goes_away_is_said_at_once_and_is_used_again_when_it_is_back(tmp_path: Path) -> None:
    """The port's name stays and its device comes and goes, as with an adapter that is unplugged and plugged in again."""
    name = tmp_path / "ttyUSB0"
    loop = asyncio.get_running_loop()
    master, slave = os.openpty()
    tty.setraw(slave)
    name.symlink_to(os.ttyname(slave))

    def unplug() -> None:
        loop.remove_reader(master)
        os.close(master)
        os.close(slave)
        name.unlink()

    loop.add_reader(master, unplug)
    # So long a limit is never reached: only what is seen at once can end the exchange.
    link = link_to(points_of(""), str(name), timeout_s=3600.0)
    async with asyncio.timeout(60.0):
        with pytest.raises(LinkError, match=r"the serial port to the I/O side at .*ttyUSB0 \(unit 17\) went away"):
            await link.exchange(Command(heartbeat=1))
        with pytest.raises(LinkError, match=r"cannot open the I/O side at .*ttyUSB0 \(unit 17\): No such file"):
            await link.exchange(Command(heartbeat=2))
        async with Raw(lambda number, unit, pdu: [(0.0, answer_to(unit, pdu))]).served(True) as (path, _):
            name.symlink_to(path)
            assert (await link.exchange(Command(heartbeat=3))).heartbeat_echo == 3
            await link.close()


async def test_two_units_on_one_bus_are_each_their_own() -> None:
    points = points_of("")
    left, right = HeldDevice(Status(boot_id=1)), HeldDevice(Status(boot_id=2))
    wire = Wire(rtu=True, serial=FAST)
    async with serving_units({3: (left, points), 4: (right, points)}, NEW_PAIR, wire=wire) as server:
        first = ModbusConnection(server.host, unit=3, serial=FAST)
        links = [
            ModbusLink(points, server.host, wire=first),
            ModbusLink(points, server.host, wire=ModbusConnection(server.host, unit=4, serial=FAST, shares=first)),
        ]
        await links[0].connect()
        for heartbeat in (1, 2, 3):
            for boot_id, link in enumerate(links, start=1):
                status = await link.exchange(replace(COMMAND, heartbeat=heartbeat))
                assert (status.boot_id, status.heartbeat_echo) == (boot_id, heartbeat)
        left.down = True
        with pytest.raises(LinkError, match=r"\(unit 3\) did not answer"):
            await links[0].exchange(COMMAND)
        assert (await links[1].exchange(COMMAND)).boot_id == 2
        await links[0].close()
    assert (len(left.got), len(right.got)) == (3, 4)


async def test_the_silence_that_parts_two_frames_is_left_before_every_question() -> None:
    """Of a write and a read each, so that questions follow upon answers as fast as can be."""
    slow = SerialLine(2400, Parity.NONE)
    loop = asyncio.get_running_loop()
    answered_s, waits_s = 0.0, []

    def answering(number: int, unit: int, pdu: bytes) -> list[tuple[float, bytes]]:
        nonlocal answered_s
        if number:
            waits_s.append(loop.time() - answered_s)
        answered_s = loop.time()
        body = pdu[:5] if pdu[0] == 16 else bytes([3, 160]) + bytes(160)
        return [(0.0, sealed(bytes([unit]) + body))]

    async with Raw(answering).served(True) as at:
        wire = ModbusConnection(*at, unit=UNIT, timeout_s=2.0, serial=slow)
        link = ModbusLink(points_of(""), *at, function_23=False, wire=wire)
        for heartbeat in range(5):
            await link.exchange(Command(heartbeat=heartbeat))
        await link.close()
    assert len(waits_s) == 9
    assert min(waits_s) >= slow.silence_s


async def test_a_port_that_is_named_is_served_and_units_not_here_and_broadcasts_are_passed_over() -> None:
    points = points_of("")
    device = HeldDevice(Status(boot_id=9))
    with pair() as (master, path):
        wire = Wire(rtu=True, serial=SerialLine(115_200), unit=UNIT)
        # Even parity, as the line has it: a pseudo terminal takes that once, and only that one time.
        async with serving(device, points, path, wire=wire):
            pass
        async with serving(device, points, path, wire=wire) as server:
            assert server.host == path
            loop = asyncio.get_running_loop()
            came: asyncio.Queue[bytes] = asyncio.Queue()
            loop.add_reader(master, lambda: came.put_nowait(os.read(master, 4096)))
            write = bytes.fromhex("10 0064 000D 1A") + b"\x00\x01" * 13
            for unit in (0, UNIT + 1):
                os.write(master, sealed(bytes([unit]) + write))
            os.write(master, sealed(bytes([UNIT]) + bytes.fromhex("03 0001 0002")))
            answer = b""
            async with asyncio.timeout(60.0):
                while len(answer) < 9:
                    answer += await came.get()
            loop.remove_reader(master)
    assert answer == sealed(bytes([UNIT]) + bytes.fromhex("03 04 0009 0000"))
    assert device.got == []


@pytest.mark.foreign
async def test_a_foreign_master_is_answered_over_a_serial_line(libmodbus_master: Path) -> None:
    points = points_of("")
    device = HeldDevice(busy_status(points.modulus))
    async with serving(device, points, NEW_PAIR, wire=Wire(rtu=True, serial=FAST, unit=UNIT)) as server:
        words = (server.host, str(UNIT), str(FAST.baud))
        master = await asyncio.create_subprocess_exec(libmodbus_master, *words, stdout=asyncio.subprocess.PIPE)
        async with asyncio.timeout(60.0):
            out, _ = await master.communicate()
    assert master.returncode == 0
    written, read, both, one, nowhere, nobody, again = out.decode().splitlines()

    def shown(heartbeat: int) -> str:
        (block,) = StatusEncoder(points).encode(replace(device.shown, heartbeat_echo=heartbeat))
        return str(list(block))

    assert json.loads(written)[:5] == [1, 0, 0, 0xBEEF, 100]
    assert (read, both, one) == (shown(1), shown(2), "[3]")
    assert (nowhere, nobody) == ("Illegal data address", "Connection timed out")
    assert json.loads(again) == [1, 11]
    assert [command.heartbeat for command in device.got] == [1, 2, 3]


async def test_a_port_that_is_not_there_is_said_in_one_line(tmp_path: Path) -> None:
    link = link_to(points_of(""), str(tmp_path / "ttyUSB9"))
    with pytest.raises(LinkError, match=r"cannot open the I/O side at .*ttyUSB9") as caught:
        await link.connect()
    assert "\n" not in str(caught.value)


async def test_a_line_that_was_unplugged_comes_back() -> None:
    points = points_of("")
    device = HeldDevice()
    async with serving(device, points, NEW_PAIR, wire=Wire(serial=FAST, unit=UNIT)) as server:
        link = link_to(points, server.host, timeout_s=0.1)
        await link.connect()
        await link.exchange(COMMAND)
        device.down = True
        with pytest.raises(LinkError, match="did not answer"):
            await link.exchange(COMMAND)
        device.down = False
        await link.connect()
        assert (await link.exchange(replace(COMMAND, heartbeat=9))).heartbeat_echo == 9
        await link.close()
