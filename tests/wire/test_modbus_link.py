"""The link and the simulator's server over real sockets: every kind of map, a lost link, a silent peer, a cancel."""

from __future__ import annotations

import asyncio
import json
import signal
import struct
import sys
import tomllib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest

from controller.field.modbus import ModbusLink
from controller.points import PointMap
from controller.ports import FieldLink, LinkError
from controller.registers import (
    AckResult,
    Capture,
    Command,
    ControlBit,
    OrderKind,
    Release,
    ReleaseResult,
    StationStatus,
    Status,
    StatusBit,
)
from controller.settings.points import PointsConfig
from sim.belt import Belt, Steady
from sim.device import Device
from sim.device_spec import DeviceSpec
from sim.encoder import Encoder
from sim.marker import MarkerSpec, MarkTruth
from sim.proxy import Delays, proxying
from sim.server import serve, serving


class HeldDevice:
    """An I/O side that shows what it is told to and keeps what it is sent, so that both can be compared."""

    def __init__(self, shown: Status | None = None) -> None:
        self.shown = Status() if shown is None else shown
        self.got: list[Command] = []
        self.down = False
        self.broken = False
        self.second = asyncio.Event()

    def advance(self, t_ns: int) -> None:
        pass

    def write(self, command: Command, t_ns: int) -> None:
        self.got.append(command)
        if len(self.got) == 2:
            self.second.set()

    def read(self, t_ns: int) -> Status:
        if self.broken:
            raise RuntimeError("the device broke")
        echo = self.got[-1].heartbeat if self.got else 0
        return replace(self.shown, heartbeat_echo=echo)

    def link_down(self, t_ns: int) -> bool:
        return self.down


def points_of(toml: str, stations: int = 0) -> PointMap:
    return PointsConfig.model_validate_json(json.dumps(tomllib.loads(toml))).resolve(stations)


def busy_status(modulus: int, stations: int = 0) -> Status:
    """A status whose every value is different and whose counts are in the upper half, where a sign would show."""
    top = modulus - 1
    return Status(
        boot_id=11, bits=StatusBit.MARKER_READY | StatusBit.DRIVE_RUNNING, interlocks=0x0F0F, interlocks_opened=0x8001,
        inhibit_cause=1, ack_token=12, ack_result=2, ack_count=top - 1, armed=3, depth=4, belt_count=top - 2,
        sample_us=0xFEDC1234, capture_total=13, release_total=14, done_total=15, job_loaded=16, owner=17,
        captures=tuple(Capture(1 + i % 2, top - 10 - i) for i in range(8)),
        releases=tuple(Release(100 + i, 1 + i % 3, top - 20 - i) for i in range(8)),
        stations=tuple(StationStatus(n, 9, True, False, True, 50 + n) for n in range(stations)),
    )  # fmt: skip


COMMAND = Command(
    heartbeat=1, control=ControlBit.ENABLE | ControlBit.RUNNING, boot_id_seen=11, owner=0xBEEF, lease_ms=100,
    job_number=7, order_kind=1, order_station=0, order_count=40_000, order_last=50_000, order_token=21,
)  # fmt: skip

MAPS = {
    "default": ("", 0, True),
    "no function 23": ("", 0, False),
    "stations": ("", 2, True),
    "input registers": ('status_table = "input"', 0, False),
    "low word first": ('word_order = "low first"', 0, True),
    "16 bits": ("[belt_count]\nwidth = 16\n[captures]\nwidth = 16\n[releases]\nwidth = 16", 0, True),
    "signed": ("[belt_count]\nsigned = true\n[ack_count]\nsigned = true\n[releases]\nsigned = true", 0, True),
    "16 bits signed": ("[belt_count]\nwidth = 16\nsigned = true\n[ack_count]\nsigned = true", 0, False),
    "bits as coils": (
        '[bits]\nmarker_ready = {table = "coil", address = 8}\nmarker_busy = {table = "discrete", address = 3}\n'
        'drive_running = {table = "discrete", address = 4}\n[control]\nenable = {table = "coil", address = 20}',
        0,
        True,
    ),
    "two writes, two reads": ("[command]\nboot_id_seen = {address = 120}\nheartbeat = {address = 102}", 1, False),
}


@pytest.mark.parametrize("name", MAPS)
async def test_every_kind_of_map_carries_every_value_both_ways(name: str) -> None:
    toml, stations, function_23 = MAPS[name]
    points = points_of(toml, stations)
    device = HeldDevice(busy_status(points.modulus, stations))
    async with serving(device, points) as server:
        link: FieldLink = ModbusLink(points, "127.0.0.1", server.port, function_23=function_23)
        await link.connect()
        for heartbeat in (1, 2):
            command = replace(COMMAND, heartbeat=heartbeat)
            status = await link.exchange(command)
            assert device.got[-1] == command
            assert status == replace(device.shown, heartbeat_echo=heartbeat)
        assert len(device.got) == 2
        await link.close()
        await link.close()


@pytest.mark.parametrize("name", ["default", "no function 23", "input registers", "16 bits signed", "bits as coils"])
async def test_the_simulated_io_side_marks_at_the_count_it_was_told(name: str) -> None:
    toml, stations, function_23 = MAPS[name]
    points = points_of(toml, stations)
    belt = Belt([Steady(2000.0)])
    # So near the middle of the range and its wrap that a sign or a word lost on the way would show.
    encoder = Encoder(belt, 0.5, start=points.modulus // 2 - 500, modulus=points.modulus)
    marks: list[MarkTruth] = []
    device = Device(DeviceSpec(interlocks=3), belt, encoder, iter(()), [MarkerSpec(300.0)], on_mark=marks.append)
    async with serving(device, points) as server:
        link = ModbusLink(points, "127.0.0.1", server.port, function_23=function_23)
        command = Command(owner=0xABCD, lease_ms=500)

        async def exchange(**changes: int) -> Status:
            nonlocal command
            command = replace(command, heartbeat=command.heartbeat + 1, **changes)
            return await link.exchange(command)

        status = await exchange()
        status = await exchange(boot_id_seen=status.boot_id)
        assert status.bits & StatusBit.INHIBITED
        status = await exchange(control=int(ControlBit.ENABLE))
        assert not status.bits & StatusBit.INHIBITED
        assert status.bits & StatusBit.MARKER_READY
        target = (status.belt_count + 1500) % points.modulus
        status = await exchange(order_kind=OrderKind.ARM, order_count=target, order_token=1)
        assert (status.ack_result, status.ack_count, status.armed) == (AckResult.ARMED, target, 1)
        while status.release_total == 0:
            status = await exchange()
        assert status.releases[0] == Release(1, ReleaseResult.RELEASED, target)
        assert [mark.raw for mark in marks] == [target]
        await link.close()


def test_function_23_is_refused_where_it_cannot_read_the_status() -> None:
    with pytest.raises(ValueError, match=r"input registers 0 to 79 are to be read: set function_23 = false"):
        ModbusLink(points_of('status_table = "input"'), "127.0.0.1")


async def test_nobody_listening_is_one_line_with_the_address() -> None:
    async with serving(HeldDevice(), PointMap.default()) as server:
        port = server.port
    link = ModbusLink(PointMap.default(), "127.0.0.1", port)
    with pytest.raises(LinkError) as caught:
        await link.connect()
    assert f"127.0.0.1:{port}" in str(caught.value)
    assert "cable" in str(caught.value) and "\n" not in str(caught.value)
    with pytest.raises(LinkError, match="cannot reach"):
        await link.exchange(COMMAND)


async def test_a_lost_link_is_an_error_once_and_the_next_exchange_opens_it_again() -> None:
    device, points = HeldDevice(), PointMap.default()
    async with serving(device, points) as server:
        port = server.port
        link = ModbusLink(points, "127.0.0.1", port, timeout_s=0.2)
        assert (await link.exchange(COMMAND)).heartbeat_echo == 1
    with pytest.raises(LinkError):
        await link.exchange(COMMAND)
    async with serving(device, points, port=port):
        assert (await link.exchange(replace(COMMAND, heartbeat=2))).heartbeat_echo == 2
        await link.close()


async def test_a_cable_out_is_silence_and_nothing_sent_meanwhile_arrives() -> None:
    device, points = HeldDevice(), PointMap.default()
    async with serving(device, points) as server:
        link = ModbusLink(points, "127.0.0.1", server.port, timeout_s=0.1)
        await link.exchange(COMMAND)
        device.down = True
        for heartbeat in (2, 3):
            with pytest.raises(LinkError, match=r"did not answer within 0\.1 s"):
                await link.exchange(replace(COMMAND, heartbeat=heartbeat))
        device.down = False
        await link.exchange(replace(COMMAND, heartbeat=4))
        assert [command.heartbeat for command in device.got] == [1, 4]
        await link.close()


@asynccontextmanager
async def peer(answer: bytes | None) -> AsyncIterator[int]:
    """A device that answers every request with this PDU, or never (None)."""
    ends: list[asyncio.StreamWriter] = []

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        ends.append(writer)
        while len(header := await reader.read(7)) == 7:
            await reader.readexactly(int.from_bytes(header[4:6], "big") - 1)
            if answer is not None:
                writer.write(header[:4] + struct.pack(">HB", len(answer) + 1, header[6]) + answer)
        writer.close()

    server = await asyncio.start_server(talk, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for writer in ends:
            writer.close()
            await writer.wait_closed()
        await server.wait_closed()
        await asyncio.sleep(0.01)


@pytest.mark.parametrize("resets", [False, True])
async def test_a_peer_that_closes_instead_of_answering_is_not_waited_for(resets: bool) -> None:
    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(7)
        if resets:
            writer.transport.abort()
        writer.close()

    server = await asyncio.start_server(talk, "127.0.0.1", 0)
    try:
        # So long a limit is never reached: only what is seen at once can end the exchange.
        link = ModbusLink(PointMap.default(), "127.0.0.1", server.sockets[0].getsockname()[1], timeout_s=3600.0)
        async with asyncio.timeout(60.0):
            with pytest.raises(LinkError, match="closed the connection instead of answering"):
                await link.exchange(COMMAND)
    finally:
        server.close()
        await server.wait_closed()


async def test_a_peer_that_accepts_and_never_answers_is_an_error_within_the_timeout() -> None:
    async with peer(None) as port:
        link = ModbusLink(PointMap.default(), "127.0.0.1", port, timeout_s=0.1)
        await link.connect()
        with pytest.raises(LinkError, match="did not answer"):
            await link.exchange(COMMAND)


@pytest.mark.parametrize(
    ("pdu", "said"),
    [
        ("97 02", r"illegal data address \(exception 2\): compare \[points\]"),
        ("97 01", r"illegal function \(exception 1\).*function_23 = false"),
        ("97 06", r"device busy \(exception 6\)"),
        ("97 7F", r"exception 127"),
        ("17 02 0001", "another number of values"),
    ],
)
async def test_what_a_device_refuses_is_told_in_words(pdu: str, said: str) -> None:
    async with peer(bytes.fromhex(pdu)) as port:
        link = ModbusLink(PointMap.default(), "127.0.0.1", port, timeout_s=0.5)
        with pytest.raises(LinkError, match=said) as caught:
            await link.exchange(COMMAND)
        assert f"127.0.0.1:{port} (unit 1)" in str(caught.value)
        assert "holding registers" in str(caught.value)


@pytest.mark.parametrize("pdu", ["17 A0 0001", "17", "17 03 0001 02"])
async def test_an_answer_that_cannot_be_read_is_as_good_as_none(pdu: str, caplog: pytest.LogCaptureFixture) -> None:
    async with peer(bytes.fromhex(pdu)) as port:
        link = ModbusLink(PointMap.default(), "127.0.0.1", port, timeout_s=0.2)
        with pytest.raises(LinkError, match=r"did not answer within|another number of values"):
            await link.exchange(COMMAND)
    assert [record.getMessage() for record in caplog.records if record.name == "asyncio"] == []


async def test_a_cancel_during_a_read_ends_as_a_cancel_and_leaves_nothing_behind() -> None:
    points = PointMap.default()
    first, second = Status(boot_id=1), Status(boot_id=2)
    device = HeldDevice(first)
    async with (
        serving(device, points) as server,
        proxying("127.0.0.1", server.port, Delays(0.05, 0.05)) as proxy,
    ):
        link = ModbusLink(points, "127.0.0.1", proxy.port, timeout_s=1.0)
        await link.exchange(COMMAND)
        for _ in range(3):
            running = asyncio.create_task(link.exchange(replace(COMMAND, heartbeat=2)))
            await asyncio.sleep(0.02)
            running.cancel()
            with pytest.raises(asyncio.CancelledError):
                await running
        # The answers to what was cancelled are still on their way; none of them is taken for this one.
        device.shown = second
        assert (await link.exchange(replace(COMMAND, heartbeat=3))).boot_id == 2
        await link.close()


async def test_a_cancel_that_meets_the_answer_is_not_lost() -> None:
    points = PointMap.default()
    async with serving(HeldDevice(), points) as server:
        link = ModbusLink(points, "127.0.0.1", server.port)
        await link.connect()
        for turns in range(12):
            running = asyncio.create_task(link.exchange(COMMAND))
            for _ in range(turns):
                await asyncio.sleep(0)
            cancelled = running.cancel()
            await asyncio.wait([running])
            assert running.cancelled() or not cancelled, f"cancelled after {turns} turns and yet it went on"
        assert (await link.exchange(COMMAND)).layout == 1
        await link.close()


async def test_a_cancel_while_the_peer_is_silent_is_a_cancel_and_no_link_error() -> None:
    async with peer(None) as port:
        link = ModbusLink(PointMap.default(), "127.0.0.1", port, timeout_s=5.0)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await link.exchange(COMMAND)


async def test_a_port_in_use_is_one_line() -> None:
    device, points = HeldDevice(), PointMap.default()
    async with serving(device, points) as server:
        with pytest.raises(OSError, match=rf"cannot listen on 127\.0\.0\.1:{server.port}: .*choose another port"):
            await serve(device, points, "127.0.0.1", server.port)


async def test_an_error_of_the_device_ends_the_server() -> None:
    device, points = HeldDevice(), PointMap.default()
    ports: asyncio.Queue[int] = asyncio.Queue()
    running = asyncio.create_task(serve(device, points, "127.0.0.1", 0, ports.put_nowait))
    link = ModbusLink(points, "127.0.0.1", await ports.get(), timeout_s=0.2)
    device.broken = True
    with pytest.raises(LinkError):
        await link.exchange(COMMAND)
    with pytest.raises(RuntimeError, match="the device broke"):
        await running


async def test_a_slow_network_delays_and_keeps_the_order() -> None:
    device, points = HeldDevice(), PointMap.default()
    async with (
        serving(device, points) as server,
        proxying("127.0.0.1", server.port, Delays(0.0, 0.005), seed=3) as proxy,
    ):
        link = ModbusLink(points, "127.0.0.1", proxy.port)
        for heartbeat in range(1, 21):
            assert (await link.exchange(replace(COMMAND, heartbeat=heartbeat))).heartbeat_echo == heartbeat
        assert [command.heartbeat for command in device.got] == list(range(1, 21))
        await link.close()


async def test_a_write_that_a_lost_client_left_on_its_way_arrives_late() -> None:
    device, points = HeldDevice(), PointMap.default()
    async with (
        serving(device, points) as server,
        proxying("127.0.0.1", server.port, Delays(0.05, 0.05, late_s=0.1)) as proxy,
    ):
        old = ModbusLink(points, "127.0.0.1", proxy.port, timeout_s=0.02)
        await old.connect()
        with pytest.raises(LinkError):
            await old.exchange(replace(COMMAND, heartbeat=77))
        new = ModbusLink(points, "127.0.0.1", server.port)
        await new.exchange(replace(COMMAND, heartbeat=5))
        assert [command.heartbeat for command in device.got] == [5]
        await asyncio.wait_for(device.second.wait(), 10)
        assert [command.heartbeat for command in device.got] == [5, 77]
        await new.close()


async def proxy_process(*arguments: str) -> asyncio.subprocess.Process:
    pipe = asyncio.subprocess.PIPE
    return await asyncio.create_subprocess_exec(sys.executable, "-m", "sim.proxy", *arguments, stdout=pipe, stderr=pipe)


async def test_the_proxy_runs_as_a_process_and_ends_on_request() -> None:
    async with serving(HeldDevice(), PointMap.default()) as server:
        to = f"127.0.0.1:{server.port}"
        process = await proxy_process("--listen", "127.0.0.1:0", "--to", to, "--max-ms", "2", "--seed", "5")
        assert process.stdout is not None
        port = int((await process.stdout.readline()).decode().rpartition(":")[2])
        link = ModbusLink(PointMap.default(), "127.0.0.1", port)
        assert (await link.exchange(COMMAND)).heartbeat_echo == 1
        process.send_signal(signal.SIGTERM)
        await process.communicate()
        assert process.returncode == 0
        with pytest.raises(LinkError):
            await link.exchange(COMMAND)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--listen", "127.0.0.1:0", "--to", "127.0.0.1:1", "--min-ms", "5", "--max-ms", "2"), "the least not above"),
        (("--listen", "127.0.0.1:0", "--to", "nowhere"), '"nowhere" is not HOST:PORT'),
        (("--listen", "192.0.2.1:0", "--to", "127.0.0.1:1"), "cannot listen on 192.0.2.1:0"),
    ],
)
async def test_the_proxy_says_what_it_cannot_do(arguments: tuple[str, ...], said: str) -> None:
    process = await proxy_process(*arguments)
    _, error = await process.communicate()
    assert process.returncode == 2
    assert said in error.decode()
    assert "Traceback" not in error.decode()
