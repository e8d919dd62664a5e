"""Serial framing behind the same adapter: over Ethernet, and over a serial line that is a pair of pseudo terminals."""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from controller.field.clients import Framing
from controller.field.connection import ModbusConnection
from controller.field.modbus import ModbusLink
from controller.points import PointMap
from controller.ports import LinkError
from controller.registers import Command
from controller.serial_line import Parity, SerialLine
from sim.rtu import Cutter, sealed
from sim.server import NEW_PAIR, Wire, serving
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


async def test_an_answer_that_comes_late_is_never_taken_for_the_next_one() -> None:
    """The device answers every other request after the timeout: what it then says is thrown away, twenty times of twenty."""
    points = points_of("")
    timeout_s = 0.05
    loop = asyncio.get_running_loop()
    with pair() as (master, path):
        cutter, number = Cutter(), 0
        waiting: list[asyncio.TimerHandle] = []

        def read() -> None:
            nonlocal number
            for unit, pdu in cutter.feed(os.read(master, 4096)):
                heartbeat = int.from_bytes(pdu[10:12], "big")
                registers = [1, 0, heartbeat, *[0] * 77]
                answer = bytes([unit, 23, 160]) + b"".join(value.to_bytes(2, "big") for value in registers)
                late_s = 1.5 * timeout_s if number % 2 else 0.0
                waiting.append(loop.call_later(late_s, os.write, master, sealed(answer)))
                number += 1

        loop.add_reader(master, read)
        link = link_to(points, path, timeout_s=timeout_s)
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
        loop.remove_reader(master)
        for handle in waiting:
            handle.cancel()
    assert wrong == []
    assert failed == 20


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
