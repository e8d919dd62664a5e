"""Row `lines_per_core`: how many lines at 10 ms one process on one core keeps on time, phases staggered.

On time: 99.9 % of the scans begin within 2 ms of their deadline. The I/O sides run in a process on the other core.
"""

from __future__ import annotations

import asyncio
import gc
import json
import os
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import structlog

from controller.app import collected_between_scans
from controller.field.modbus import ModbusLink
from controller.loop import LineLoop
from controller.model import Call, State
from controller.records.journal import Journal
from controller.run_record import begin_record
from controller.scan import Line
from controller.settings.line import load_line
from controller.tidying import Tidier
from sim.scenario import load_scenario
from sim.server import serving, since_now_ns
from sim.side import JudgedSide

LINE, SCENARIO = "config/demo-line.toml", "config/bench/demo.toml"
PERIOD_S = 0.010
WITHIN_US = 2000.0
STEPS = (8, 16, 24, 32, 40, 48)
QUIET = structlog.wrap_logger(
    structlog.PrintLogger(), processors=[lambda *_: (_ for _ in ()).throw(structlog.DropEvent)]
)


async def serve(number: int) -> None:
    """Serve so many I/O sides, print their ports, and go on until standard input ends."""
    config = load_line(LINE)
    scenario = load_scenario(SCENARIO, config.spec())
    async with asyncio.TaskGroup() as group:
        done = asyncio.Event()
        ports: list[int] = []

        async def one(seed: int) -> None:
            side = JudgedSide(config, scenario, seed)
            async with serving(side, config.points, "127.0.0.1", 0, since_now_ns()) as server:
                ports.append(server.port)
                await done.wait()

        for seed in range(number):
            group.create_task(one(seed))
        while len(ports) < number:  # noqa: ASYNC110 - a few turns of the loop, once
            await asyncio.sleep(0.01)
        print(json.dumps(ports), flush=True)
        await asyncio.to_thread(sys.stdin.read)
        done.set()


async def run(ports: list[int], for_s: float, folder: Path) -> dict[str, Any]:
    """Run a line on each port, each with its own journal, and say how late their scans began."""
    config = load_line(LINE)
    spec = replace(config.spec(), period_s=PERIOD_S)
    loops: list[LineLoop] = []
    journals: list[Journal] = []
    tidier = Tidier()
    for n, port in enumerate(ports):
        journal = Journal.open(folder / f"{n}.sqlite", spec.name)
        begin_record(journal, config, spec, mono_ns=time.monotonic_ns(), wall_ns=time.time_ns())
        link = ModbusLink(config.points, "127.0.0.1", port, timeout_s=0.25)
        line = Line(spec, n + 1, time.monotonic_ns())
        loops.append(
            LineLoop(line, link, journal, period_s=PERIOD_S, tidier=tidier, where=str(port), watch=_ignore, log=QUIET)
        )
        journals.append(journal)
    try:
        with collected_between_scans():
            async with asyncio.TaskGroup() as group:
                begin_ns = time.monotonic_ns()
                for n, loop in enumerate(loops):
                    group.create_task(loop.run(begin_ns + round(PERIOD_S * 1e9) * n // len(loops)))
                await asyncio.sleep(2.0)
                await asyncio.gather(*(loop.call(Call("reset", "performance")) for loop in loops))
                await asyncio.sleep(1.0)
                for loop in loops:
                    # Not all in one instant: lines have nothing to do with one another, nor have their products.
                    await loop.call(Call("start", "performance"))
                    await asyncio.sleep(1.0 / len(loops))
                await asyncio.sleep(1.0)
                executing = sum(loop.snapshot().state is State.EXECUTE for loop in loops)
                for loop in loops:
                    loop.timing.late.clear()
                cpu_s = time.process_time()
                await asyncio.sleep(for_s)
                cpu_s = time.process_time() - cpu_s
                late = [loop.timing.late for loop in loops]
                shares = [h.share_within(round(WITHIN_US * 1e3)) for h in late]
                marked = sum(loop.snapshot().counters.marked for loop in loops)
                for loop in loops:
                    loop.end()
    finally:
        gc.unfreeze()
        for journal in journals:
            journal.close("measured")
    return {
        "lines": len(ports), "executing": executing, "marked": marked,
        "worst_share_within": round(min(shares), 5), "p99_us": max(h.quantile_ns(0.99) for h in late) / 1e3,
        "p999_us": max(h.quantile_ns(0.999) for h in late) / 1e3, "cpu_share": round(cpu_s / for_s, 3),
    }  # fmt: skip


def _ignore(_: object) -> None:
    return None


async def _step(number: int, for_s: float, cores: list[int]) -> dict[str, Any]:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.performance.lines", str(number), stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    os.sched_setaffinity(process.pid, {cores[-1]})
    ports = json.loads(await process.stdout.readline())
    with tempfile.TemporaryDirectory() as folder:
        found = await run(ports, for_s, Path(folder))
    process.stdin.close()
    await process.wait()
    return found


def measure(for_s: float = 10.0, steps: tuple[int, ...] = STEPS) -> dict[str, Any]:
    """The most lines of the steps that are all on time, and every step's figures."""
    cores = sorted(os.sched_getaffinity(0))
    os.sched_setaffinity(0, {cores[0]})
    found: list[dict[str, Any]] = []
    try:
        for number in steps:
            found.append(asyncio.run(_step(number, for_s, cores)))
            if found[-1]["worst_share_within"] < 0.999 or found[-1]["executing"] < number:
                break
    finally:
        os.sched_setaffinity(0, set(cores))
    on_time = [row["lines"] for row in found if row["worst_share_within"] >= 0.999 and row["executing"] == row["lines"]]
    return {"value": max(on_time, default=0), "bar": 24, "steps": found}


if __name__ == "__main__":
    asyncio.run(serve(int(sys.argv[1])))
