"""Timed releases through the real loop and real sockets: no order leaves before its instant, each is counted once."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import structlog

from controller.app import RunOptions, run_line
from controller.field.modbus import ModbusLink
from controller.loop import LineLoop
from controller.model import Call, State
from controller.registers import Command, OrderKind, Status
from controller.scan import Line
from controller.settings.line import load_line
from sim.scenario import load_scenario
from sim.server import serving
from sim.tables import IoSide
from sim.world import build_device

CONFIG = load_line(Path("config/timed-line.toml").resolve())
QUIET = structlog.wrap_logger(
    structlog.PrintLogger(), processors=[lambda *_: (_ for _ in ()).throw(structlog.DropEvent)]
)
LIMIT_S = 60.0


class Keeper:
    """A recorder that keeps nothing."""

    ok = True

    def put(self, events: object) -> None:
        pass


def io_side() -> IoSide:
    assert CONFIG.scenario_path is not None
    spec = CONFIG.spec()
    return build_device(spec, load_scenario(CONFIG.scenario_path, spec))


async def test_each_timed_order_leaves_once_and_not_before_its_instant() -> None:
    early: list[int] = []
    tokens: list[int] = []
    line = Line(CONFIG.spec(), 4711, 0)

    class Watched(ModbusLink):
        async def exchange(self, command: Command) -> Status:
            if command.order_kind == OrderKind.RELEASE_NOW and command.order_token not in tokens:
                tokens.append(command.order_token)
                assert line.orders.send_at_ns is not None
                early.append(line.orders.send_at_ns - time.monotonic_ns())
            return await super().exchange(command)

    async with asyncio.timeout(LIMIT_S), serving(io_side(), CONFIG.points) as server:
        loop = LineLoop(
            line, Watched(CONFIG.points, "127.0.0.1", server.port), Keeper(), period_s=CONFIG.spec().period_s,
            where="the test", watch=lambda events: None, log=QUIET,
        )  # fmt: skip
        task = asyncio.create_task(loop.run())
        for verb, state in (("reset", State.IDLE), ("start", State.EXECUTE)):
            while loop.snapshot().not_permitted:  # noqa: ASYNC110 - nor is what is permitted
                await asyncio.sleep(0.005)
            assert (await loop.call(Call(verb, "anna"))).accepted
            while loop.snapshot().state is not state:  # noqa: ASYNC110 - the line's state is no event
                await asyncio.sleep(0.005)
        while len(tokens) < 4:  # noqa: ASYNC110
            await asyncio.sleep(0.01)
        loop.end()
        await task
    assert max(early) <= 0
    assert loop.timing.sends.n >= len(tokens)


async def test_a_run_says_how_late_its_timed_releases_were_sent(tmp_path: Path) -> None:
    async with asyncio.timeout(LIMIT_S), serving(io_side(), CONFIG.points) as server:
        options = RunOptions("127.0.0.1", server.port, tmp_path / "j.sqlite", "anna", for_s=6.0, start=True)
        result = await run_line(CONFIG, options, QUIET)
    scan = result.summary["scan"]
    assert result.summary["balanced"]
    assert scan["timed_sends"] > 0
    assert 0 <= scan["send_late_median_us"] <= scan["send_late_p99_us"]
    assert scan["send_late_worst_us"] >= 0
