"""The plant's Modbus server on real sockets: who is let in, for how long, and whose commands reach a line."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
from typing import Any

import pytest

from controller.model import Call
from controller.plant.image import PlantError
from controller.plant.modbus import listener
from controller.plant.modbus.server import ModbusServer
from tests.free_ports import free_port
from tests.wire.plant_modbus_kit import LOOPBACK, STRANGER, Client, Line, fresh, plan, serving


async def test_lines_at_one_address_are_told_apart_by_their_unit() -> None:
    async with serving(Line(), "one", "two") as (server, port), Client(port) as client:
        await server.publish("two", fresh(speed_mm_s=100.0))
        assert await client.registers(20, 1, unit=2) == [100]
        assert await client.registers(20, 1, unit=1) == [0]
        for stranger in (0, 3, 255):
            assert await client.ask("03 0000 0001", unit=stranger) == "830b"
            assert await client.ask("63", unit=stranger) == "e30b"
        assert (await client.ask("2B 0E 01 00", unit=2)).startswith("2b0e0181000003")


async def test_a_line_alone_answers_for_the_device_too() -> None:
    async with serving(Line(), "demo") as (server, port), Client(port) as client:
        await server.publish("demo", fresh())
        for unit in (0, 1, 255):
            assert await client.registers(0, 2, unit) == [1, 1]
        assert await client.ask("03 0000 0001", unit=2) == "830b"


async def test_a_line_that_falls_silent_says_so() -> None:
    async with serving(Line(), "demo") as (server, port), Client(port) as client:
        assert (await client.registers(0, 7))[5:] == [65535, 65535]
        await server.publish("demo", fresh())
        await server.publish("demo", None)
        version, heartbeat, flags, state = await client.registers(0, 4)
        assert (version, heartbeat, flags & 0b11, state) == (1, 1, 0b11, 2)


async def test_a_command_of_a_listed_client_reaches_its_line_once() -> None:
    line = Line()
    async with serving(line, "one", "two", command_clients=[LOOPBACK]) as (_, port), Client(port) as client:
        (number,) = await client.registers(115, 1, unit=2)
        request = f"10 0096 0003 06 0002 0000 {number:04x}"
        for _ in range(3):
            assert await client.ask(request, unit=2) == "1000960003"
        while (shown := await client.registers(110, 5, unit=2))[3] == 1:
            pass
        assert shown == [number, 2, 0, 2, 0]
        assert line.calls == [("two", Call("start", f"modbus {LOOPBACK}", "plant"))]
        async with Client(port) as again:
            # The answer was lost and the client has come back: the same write is nothing new.
            assert await again.ask(request, unit=2) == "1000960003"
        assert len(line.calls) == 1


async def test_a_write_from_an_unlisted_address_is_refused_counted_and_reaches_no_line() -> None:
    line = Line()
    async with serving(line, "demo", command_clients=[LOOPBACK]) as (_, port), Client(port, STRANGER) as client:
        (number,) = await client.registers(115, 1)
        assert await client.ask(f"10 0096 0003 06 0002 0000 {number:04x}") == "9001"
        assert await client.ask("06 0098 0001") == "8601"
        assert (await client.registers(110, 1)) == [(number - 2) % 65535 + 1]
    assert line.calls == []
    assert line.desk.refusals == {"write from an unlisted address": 2}
    assert line.told[0] == (
        "refused",
        {"why": "write from an unlisted address", "line": "demo", "client": STRANGER, "function": 16},
    )


async def test_where_all_have_asked_the_newcomer_is_sent_away() -> None:
    line = Line()
    async with (
        serving(line, "demo", max_connections=2) as (_, port),
        Client(port) as first,
        Client(port) as second,
    ):
        for client in (first, second):
            await client.registers(0, 1)
        async with Client(port) as third:
            assert await third.ended()
        assert line.desk.refusals == {"too many connections": 1}
        for client in (first, second):
            await client.registers(0, 1)


async def test_one_that_never_asks_gives_its_place_to_a_newcomer() -> None:
    line = Line()
    async with (
        serving(line, "demo", max_connections=2) as (_, port),
        Client(port) as silent,
        Client(port) as asking,
    ):
        await asking.registers(0, 1)
        async with Client(port) as newcomer:
            await newcomer.registers(0, 1)
            assert await silent.ended()
            await asking.registers(0, 1)
        assert line.desk.refusals == {"too many connections": 1}


async def test_among_a_crowd_that_says_nothing_whoever_asks_stays() -> None:
    async with serving(Line(), "demo", max_connections=16) as (_, port), Client(port) as client:
        await client.registers(0, 1)
        crowd = []
        for _ in range(300):
            one = socket.socket()
            one.setblocking(False)
            one.connect_ex((LOOPBACK, port))
            crowd.append(one)
        for _ in range(20):
            await client.registers(0, 120)
            async with Client(port) as newcomer:
                await newcomer.registers(0, 1)
        for one in crowd:
            one.close()


async def test_a_connection_without_a_whole_request_is_ended_in_time() -> None:
    async with (
        serving(Line(), "demo", idle_timeout="400 ms") as (_, port),
        Client(port) as silent,
        Client(port) as dribbling,
        Client(port) as asking,
    ):
        asks = asyncio.create_task(_keep_asking(asking))
        drips = asyncio.create_task(_keep_dripping(dribbling))
        assert await silent.ended()
        assert await dribbling.ended()
        for task in (drips, asks):
            task.cancel()
        done = await asyncio.gather(drips, asks, return_exceptions=True)
        assert isinstance(done[1], asyncio.CancelledError), done


async def _keep_asking(client: Client) -> None:
    while True:
        await client.registers(0, 1)
        await asyncio.sleep(0.02)


async def _keep_dripping(client: Client) -> None:
    """The beginning of one frame, byte by byte, and never its end."""
    client.writer.write(bytes.fromhex("0001 0000 00FE 01 03"))
    while True:
        client.writer.write(b"\0")
        await asyncio.sleep(0.05)


async def test_a_client_that_never_takes_its_answers_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listener, "UNREAD_S", 0.2)
    line = Line()
    async with serving(line, "demo") as (server, port), Client(port) as client:
        await server.publish("demo", fresh())
        deaf = socket.socket()
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.connect((LOOPBACK, port))
        deaf.setblocking(False)
        request = bytes.fromhex("0001 0000 0006 01 03 0000 0078")
        async with asyncio.timeout(30.0):
            while not line.desk.refusals["answers not taken"]:
                try:
                    deaf.send(100 * request)
                except (BlockingIOError, ConnectionError):
                    await asyncio.sleep(0.01)
                await client.registers(0, 1)  # meanwhile others are served
        deaf.close()
        assert line.desk.refusals == {"answers not taken": 1}


async def test_a_port_in_use_is_one_clear_line() -> None:
    async with serving(Line(), "demo") as (_, port):
        second = ModbusServer([plan("demo", port)], Line().desk)
        with pytest.raises(PlantError, match=rf"plant\.modbus\.address: cannot listen at {LOOPBACK}:{port}: Address "):
            await second.open()
        await second.close()


async def test_an_address_of_another_computer_is_one_clear_line() -> None:
    elsewhere = plan("demo", free_port())
    assert elsewhere.section.modbus is not None
    section = elsewhere.section.modbus.model_copy(update={"address": "192.0.2.1:15502"})
    moved = elsewhere.section.model_copy(update={"modbus": section})
    server = ModbusServer([type(elsewhere)(elsewhere.about, moved, elsewhere.folder)], Line().desk)
    with pytest.raises(PlantError, match="write an address of this computer"):
        await server.open()


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (OSError(errno.EACCES, os.strerror(errno.EACCES)), "Permission denied; ports below 1024 need"),
        (socket.gaierror(socket.EAI_NONAME, "Name or service not known"), "is not known; write an address of this"),
    ],
)
async def test_what_the_system_refuses_is_one_clear_line(
    error: OSError, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def refuse(*_: Any, **__: Any) -> None:
        raise error

    monkeypatch.setattr(asyncio.get_running_loop(), "create_server", refuse)
    server = ModbusServer([plan("demo", free_port())], Line().desk)
    with pytest.raises(PlantError, match=said) as caught:
        await server.open()
    assert "\n" not in str(caught.value)
