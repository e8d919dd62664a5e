"""The running controller against a simulated I/O side over real sockets: the loop, the app, and `beltcue run`."""

from __future__ import annotations

import asyncio
import json
import random
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import structlog

from controller.app import RunOptions, run_line
from controller.events import Event
from controller.field.modbus import ModbusLink
from controller.loop import LayoutError, LineLoop, LoopEndedError
from controller.model import Call, State
from controller.records.report import report
from controller.registers import Command, InhibitCause, Status
from controller.scan import Line
from controller.settings.line import LineConfig, load_line
from sim.belt import Belt, Steady
from sim.device import Device
from sim.device_spec import DeviceSpec
from sim.encoder import Encoder
from sim.marker import MarkerSpec, MarkTruth
from sim.products import Flow, Product, Vary, products
from sim.proxy import Delays, proxying
from sim.server import SimServer, serving
from tests.free_ports import free_port

LINE = Path("config/demo-line.toml").resolve()
CONFIG = load_line(LINE)
QUIET = structlog.wrap_logger(
    structlog.PrintLogger(), processors=[lambda *_: (_ for _ in ()).throw(structlog.DropEvent)]
)


@dataclass
class Side:
    """An I/O side with cartons of 120 mm every 200 mm at 20 m/min, and what it really did."""

    layout: int = 1
    made: list[Product] = field(default_factory=list)
    marks: list[MarkTruth] = field(default_factory=list)
    device: Device = field(init=False)

    def __post_init__(self) -> None:
        spec = CONFIG.spec()
        station = spec.stations[0]
        belt = Belt([Steady(20000 / 60)], start_ns=None)
        self.device = Device(
            DeviceSpec(interlocks=0b111, layout=self.layout),
            belt,
            Encoder(belt, spec.scale_mm, start=(1 << 32) - 5000),
            products([Flow(Vary(120), Vary(200))], random.Random(1)),
            [MarkerSpec(station.distance_mm, 0, 60_000_000, 20_000_000)],
            on_product=self.made.append,
            on_mark=self.marks.append,
        )

    def assert_safe(self) -> None:
        """Enable is low, nothing is armed, and not only because the lease has run out."""
        status = self.device.read(self.device.now_ns)
        assert status.inhibit_cause == InhibitCause.ENABLE_LOW
        assert status.armed == 0

    def assert_marked_in_place(self) -> None:
        """Every mark lies within a count of its place on some product, and no product has two."""
        station = CONFIG.spec().stations[0]
        on = [
            [p.number for p in self.made if abs(m.position_mm - station.distance_mm - p.lead_mm - 12.0) <= 0.0375]
            for m in self.marks
        ]
        assert all(len(found) == 1 for found in on)
        assert len({found[0] for found in on}) == len(on)


@asynccontextmanager
async def side_served(side: Side) -> AsyncIterator[SimServer]:
    async with serving(side.device, CONFIG.points) as server:
        yield server


def options(port: int, tmp_path: Path, **more: Any) -> RunOptions:
    return RunOptions("127.0.0.1", port, tmp_path / "journal.sqlite", "anna", **more)


class Keeper:
    """A recorder that keeps nothing."""

    ok = True

    def put(self, events: Any) -> None:
        pass


def loop_to(
    port: int, link: ModbusLink | None = None, config: LineConfig = CONFIG, period_s: float = 0.005
) -> LineLoop:
    return LineLoop(
        Line(config.spec(), 4711, 0),
        link or ModbusLink(config.points, "127.0.0.1", port, timeout_s=0.5),
        Keeper(),
        period_s=period_s,
        where=f"127.0.0.1:{port}",
        watch=lambda events: None,
        log=QUIET,
    )


@asynccontextmanager
async def running(loop: LineLoop) -> AsyncIterator[asyncio.Task[None]]:
    task = asyncio.create_task(loop.run())
    try:
        yield task
    finally:
        loop.end()
        await asyncio.gather(task, return_exceptions=True)


async def until(true: Any) -> None:
    """Wait until it is so; the test's own time limit is the bound."""
    while not true():  # noqa: ASYNC110 - what is waited for is not ours to set an event
        await asyncio.sleep(0.005)


async def give(loop: LineLoop, *verbs: str) -> None:
    for verb in verbs:
        await until(lambda: not loop.snapshot().not_permitted)
        assert (await loop.call(Call(verb, "anna"))).accepted
        settled = {"reset": State.IDLE, "start": State.EXECUTE}[verb]
        await until(lambda settled=settled: loop.snapshot().state is settled)


async def test_a_run_marks_in_place_stops_in_order_and_leaves_a_balanced_journal(tmp_path: Path) -> None:
    side = Side()
    async with side_served(side) as server:
        result = await run_line(CONFIG, options(server.port, tmp_path, for_s=4.0, start=True), QUIET)
        side.assert_safe()
    assert result.orderly, result.why
    assert (result.summary["state"], result.summary["balanced"]) == ("Stopped", True)
    assert result.summary["requests"]["marked"] == len(side.marks) > 0
    side.assert_marked_in_place()
    kept = report(tmp_path / "journal.sqlite")
    assert kept.balanced
    assert kept.requests["marked"] == len(side.marks)
    assert [c.verb for c in kept.commands] == ["reset", "start", "stop"]
    assert {c.who for c in kept.commands} == {"anna"}


async def test_a_dry_run_marks_nothing_and_says_what_it_would_have_marked(tmp_path: Path) -> None:
    side = Side()
    async with side_served(side) as server:
        result = await run_line(CONFIG, options(server.port, tmp_path, for_s=3.0, start=True, dry=True), QUIET)
    assert result.orderly, result.why
    assert side.marks == []
    assert result.summary["requests"]["dry"] > 0


async def test_without_start_nothing_starts(tmp_path: Path) -> None:
    side = Side()
    async with side_served(side) as server:
        result = await run_line(CONFIG, options(server.port, tmp_path, for_s=0.5), QUIET)
    assert result.orderly
    assert side.device.belt.zero_ns is None
    assert report(tmp_path / "journal.sqlite").commands == ()


async def test_a_cancelled_loop_finishes_its_exchange_and_writes_the_safe_outputs() -> None:
    cancelled: list[bool] = []

    class Watched(ModbusLink):
        async def exchange(self, command: Command) -> Status:
            try:
                return await super().exchange(command)
            except asyncio.CancelledError:
                cancelled.append(True)
                raise

    side = Side()
    async with side_served(side) as server, proxying("127.0.0.1", server.port, Delays(0.004, 0.006)) as slow:
        loop = loop_to(slow.port, Watched(CONFIG.points, "127.0.0.1", slow.port, timeout_s=0.5))
        async with running(loop) as task:
            await give(loop, "reset", "start")
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
        side.assert_safe()
    assert cancelled == []
    assert loop.ended


async def test_whatever_goes_wrong_in_the_loop_the_safe_outputs_are_written() -> None:
    side = Side()
    async with side_served(side) as server:
        loop = loop_to(server.port)

        def fall_over(events: list[Event]) -> None:
            if loop.snapshot().state is State.EXECUTE:
                raise RuntimeError("a defect")

        loop._watch = fall_over  # type: ignore[assignment]
        task = asyncio.create_task(loop.run())
        for verb in ("reset", "start"):
            await until(lambda: not loop.snapshot().not_permitted)
            await loop.call(Call(verb, "anna"))
            await until(lambda: task.done() or loop.snapshot().state in (State.IDLE, State.EXECUTE))
        with pytest.raises(RuntimeError, match="a defect"):
            await task
        side.assert_safe()


async def test_a_lost_link_aborts_comes_back_by_itself_and_starts_nothing() -> None:
    side = Side()
    port = free_port()
    loop = loop_to(port)
    async with running(loop):
        async with serving(side.device, CONFIG.points, port=port) as server:
            await give(loop, "reset", "start")
            clock = server._now_ns
        await until(lambda: loop.snapshot().state in (State.ABORTING, State.ABORTED))
        assert "does not answer" in loop.snapshot().first_cause
        async with serving(side.device, CONFIG.points, port=port, now_ns=clock):
            await until(lambda: not loop.snapshot().link_error)
            await until(lambda: loop.snapshot().state is State.ABORTED)
            assert loop.timing.reconnects == 1
            assert not (await loop.call(Call("start", "anna"))).accepted


async def test_the_tries_to_connect_have_a_ceiling_and_the_end_does_not_wait_for_them() -> None:
    loop = loop_to(free_port())
    async with running(loop) as task:
        await until(lambda: "cannot reach" in loop.snapshot().link_error)
        loop.end()
        await task
    assert not loop.answered
    assert loop.timing.exchanges == 0


async def test_exchanges_longer_than_the_period_are_link_limited_and_no_overruns() -> None:
    side = Side()
    async with side_served(side) as server, proxying("127.0.0.1", server.port, Delays(0.010, 0.012)) as slow:
        loop = loop_to(slow.port)
        async with running(loop):
            await until(lambda: loop.answered)
            before_the_link = loop.timing.overruns
            await until(lambda: loop.timing.exchanges >= 10)
    assert loop.timing.link_limited == loop.timing.exchanges
    assert loop.timing.overruns == before_the_link
    assert loop.timing.as_dict()["scan_ms"] >= 20.0


async def test_another_layout_is_refused_at_the_first_answer() -> None:
    side = Side(layout=2)
    async with side_served(side) as server:
        loop = loop_to(server.port)
        with pytest.raises(LayoutError, match="says register layout 2, this program speaks 1"):
            await loop.run()


async def test_a_call_is_answered_once_and_after_the_end_refused() -> None:
    side = Side()
    async with side_served(side) as server:
        loop = loop_to(server.port)
        async with running(loop):
            await until(lambda: loop.answered)
            reply = await loop.call(Call("hold", "anna"))
            assert not reply.accepted
            assert "hold is refused in Stopped" in reply.reason
        with pytest.raises(LoopEndedError):
            await loop.call(Call("reset", "anna"))


# The same as a process of its own.


async def beltcue(*words: str, stdin: int = asyncio.subprocess.DEVNULL) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        sys.executable, "-m", "controller.cli.main", *words,
        stdin=stdin, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip


async def ended(process: asyncio.subprocess.Process) -> tuple[int, str, str]:
    out, err = await process.communicate()
    assert process.returncode is not None
    assert b"Traceback" not in err
    return process.returncode, out.decode(), err.decode()


async def asked(*words: str) -> tuple[int, str, str]:
    return await ended(await beltcue(*words))


def run_words(port: int, tmp_path: Path, *more: str) -> tuple[str, ...]:
    journal = str(tmp_path / "journal.sqlite")
    return ("run", str(LINE), "--address", f"127.0.0.1:{port}", "--journal", journal, *more)


async def state_reached(state: str) -> None:
    while True:
        code, out, _ = await asked("status", "--json")
        if code == 0 and json.loads(out.splitlines()[-1])["state"] == state:
            return


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
async def test_a_signal_stops_in_order_and_the_last_line_is_the_summary(tmp_path: Path, number: int) -> None:
    side = Side()
    async with side_served(side) as server:
        process = await beltcue(*run_words(server.port, tmp_path, "--bench-start", "--json"))
        await state_reached("Execute")
        await until(lambda: side.marks)
        process.send_signal(number)
        code, out, err = await ended(process)
        side.assert_safe()
    summary = json.loads(out.splitlines()[-1])
    assert (code, summary["state"], summary["balanced"]) == (0, "Stopped", True), err
    assert summary["requests"]["marked"] == len(side.marks)
    side.assert_marked_in_place()


async def test_commands_go_over_the_local_socket_and_a_refusal_says_which_state_refuses(tmp_path: Path) -> None:
    side = Side()
    async with side_served(side) as server:
        process = await beltcue(*run_words(server.port, tmp_path))
        await state_reached("Stopped")
        code, _, err = await asked("command", "start")
        assert code == 1
        assert "start is refused in Stopped; it is accepted in Idle" in err
        assert (await asked("command", "reset"))[0] == 0
        code, _, err = await asked("mode", "maintenance")
        assert code == 0, err
        code, _, err = await asked("test-mark")
        assert code == 2
        assert "by a person at a terminal" in err
        code, _, err = await asked("test-mark", "--yes-bench")
        assert code == 1
        assert "accepted in Execute" in err
        process.send_signal(signal.SIGTERM)
        assert (await ended(process))[0] == 0
    assert (await asked("status"))[0] == 1


async def test_a_second_signal_ends_at_once_with_the_outputs_safe(tmp_path: Path) -> None:
    side = Side()
    async with side_served(side) as server:
        process = await beltcue(*run_words(server.port, tmp_path, "--bench-start"))
        await state_reached("Execute")
        process.send_signal(signal.SIGINT)
        process.send_signal(signal.SIGINT)
        code, _, _ = await ended(process)
        side.assert_safe()
    assert code in (0, 1)  # both may arrive before the first was looked at; then it stopped in order


async def test_an_unreachable_address_is_told_and_ctrl_c_ends_it(tmp_path: Path) -> None:
    port = free_port()
    process = await beltcue(*run_words(port, tmp_path))
    assert process.stderr is not None
    said = b""
    while b"no connection, trying on" not in said:
        said += await process.stderr.readline()
    assert f"127.0.0.1:{port}".encode() in said
    process.send_signal(signal.SIGINT)
    code, _, err = await ended(process)
    assert code == 1
    assert "never answered" in err


async def test_what_does_not_start_within_its_time_ends_with_the_reason(tmp_path: Path) -> None:
    code, _, err = await asked(*run_words(free_port(), tmp_path, "--bench-start"))
    assert code == 1
    assert "not started within 5 s: cannot reach" in err.splitlines()[-1]


def assert_one_line(answer: tuple[int, str, str], *words: str) -> None:
    code, _, err = answer
    lines = [line for line in err.splitlines() if line.startswith("beltcue: ")]
    assert code == 2
    assert len(lines) == 1
    for word in words:
        assert word in lines[0]


async def test_bad_starts_are_one_line_and_exit_code_2(tmp_path: Path) -> None:
    port = free_port()
    assert_one_line(await asked(*run_words(port, tmp_path, "--start")), "a person at a terminal", "--bench-start")
    real = ("run", str(LINE), "--address", "192.0.2.10", "--journal", str(tmp_path / "j.sqlite"), "--bench-start")
    assert_one_line(await asked(*real), "192.0.2.10:502", "link.test_addresses")
    assert_one_line(await asked("run", str(tmp_path / "none.toml")), "none.toml", "no such file")
    assert_one_line(await asked("run", str(LINE), "--journal", "/proc/none/j.sqlite"), "/proc/none/j.sqlite")
    assert_one_line(await asked("run", str(LINE), "--for", "30"), "--for", "no unit")
    assert_one_line(await asked("run", str(LINE), "--address", "::1::2:x"), "--address")
    assert_one_line(await asked("run", str(LINE), "--log-file", str(tmp_path)), str(tmp_path))


async def test_another_layout_is_one_line_and_exit_code_2(tmp_path: Path) -> None:
    side = Side(layout=3)
    async with side_served(side) as server:
        assert_one_line(await asked(*run_words(server.port, tmp_path, "--bench-start")), "layout 3")


async def test_two_controllers_on_one_journal_are_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    side = Side()
    async with side_served(side) as server:
        first = await beltcue(*run_words(server.port, tmp_path))
        await state_reached("Stopped")
        assert_one_line(await asked(*run_words(server.port, tmp_path)), "journal.sqlite", str(first.pid))
        first.send_signal(signal.SIGTERM)
        assert (await ended(first))[0] == 0


async def test_a_killed_controller_leaves_a_journal_that_says_so(tmp_path: Path) -> None:
    side = Side()
    async with side_served(side) as server:
        process = await beltcue(*run_words(server.port, tmp_path, "--bench-start"))
        await state_reached("Execute")
        await until(lambda: side.marks)
        process.kill()
        await process.wait()
        code, _, err = await asked(*run_words(server.port, tmp_path, "--for", "1s"))
    assert code == 0, err
    assert "the last run ended without a stop" in err
    assert "without a stop" in report(tmp_path / "journal.sqlite").previous_end
    side.assert_marked_in_place()
