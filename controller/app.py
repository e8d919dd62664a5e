"""The lines of one process: signals, the collection of garbage, and what ends one line or all of them.

Rules of this file: a signal ends every line, a first one in order and a second at once; what fails in one line ends
that line alone, safely; what cannot be opened is said before anything runs. Phases are spread over the period, so that
the scans of different lines do not fall on one another.
"""

from __future__ import annotations

import asyncio
import gc
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import AsyncExitStack, contextmanager
from dataclasses import dataclass
from typing import Any

from controller.field.links import make_links
from controller.line_run import LineRun, RunOptions, RunResult, opened
from controller.plant.host import PlantHost
from controller.scheduling import claim_real_time, claim_short_slice
from controller.settings.line import LineConfig
from controller.tidying import Tidier

SWITCH_S = 0.00005
"""How long the interpreter lets a journal's thread run before a scan that waits gets its turn; usually it is 5 ms."""

__all__ = ["LineEnd", "RunOptions", "RunResult", "collected_between_scans", "run_line", "run_lines"]


@dataclass(frozen=True, slots=True)
class LineEnd:
    """How one line ended: with a result, or with the error that ended it alone."""

    line: str
    result: RunResult | None
    error: Exception | None = None


async def run_line(config: LineConfig, options: RunOptions, log: Any) -> RunResult:
    """Run one line until its time is over, a signal, or a failure.

    Raises JournalError, LocalSocketError and LayoutError, each one line, for what the user can mend; anything else is
    a defect. In every case the outputs have been written safe where the link allowed it.
    """
    (end,) = await run_lines([(config, options)], log)
    if end.result is None:
        raise end.error or RuntimeError("a line ended without a word")
    return end.result


async def run_lines(plans: Sequence[tuple[LineConfig, RunOptions]], log: Any, real_time: bool = False) -> list[LineEnd]:
    """Run several lines in one loop, each with its own journal and control socket, until all have ended.

    With `real_time` the system is asked for it; what it refuses is logged, and the lines run all the same.
    Raises JournalError, LocalSocketError and PlantError before any line runs; what ends a line later is in its
    `LineEnd`.
    """
    several, tidier = len(plans) > 1, Tidier()
    # The points are tied to the wire before anything is opened, so that what they do not allow costs nothing.
    places = [(options.host, options.port) for _, options in plans]
    links = make_links(
        [(config, config.spec(o.dry, at), at) for (config, o), at in zip(plans, places, strict=True)]
    )  # fmt: skip
    async with AsyncExitStack() as stack:
        runs: list[LineRun] = []
        for (config, options), link in zip(plans, links, strict=True):
            its_log = log.bind(line=config.name) if several else log
            runs.append(await stack.enter_async_context(opened(config, options, link, tidier, its_log)))
        served = [run.plan for run in runs]
        await stack.enter_async_context(
            PlantHost({run.name: run for run in runs}, [plan for plan in served if plan is not None], log)
        )
        for refused in claim_real_time() if real_time else ():
            log.warning(refused)
        with _signals(runs, log), collected_between_scans():
            begin_ns = time.monotonic_ns()
            async with asyncio.TaskGroup() as group:
                tasks = [
                    group.create_task(_to_its_end(run, begin_ns + run.period_ns * n // len(runs)), name=run.name)
                    for n, run in enumerate(runs)
                ]
        return [task.result() for task in tasks]


async def _to_its_end(run: LineRun, begin_ns: int) -> LineEnd:
    try:
        return LineEnd(run.name, await run.run(begin_ns))
    except Exception as error:  # whatever it is, the other lines go on; it is told at the end of all
        run.log.error("line ended by a failure", error=str(error) or type(error).__name__)
        return LineEnd(run.name, None, error)


@contextmanager
def _signals(runs: Sequence[LineRun], log: Any) -> Iterator[None]:
    """Ctrl-C and SIGTERM stop all lines in order while the block runs; those that are ending already end at once."""
    loop = asyncio.get_running_loop()

    def on_signal(name: str) -> None:
        for run in runs:
            if run.why:
                log.warning("second signal, ending at once", signal=name, line=run.name)
                run.end_at_once()
            run.end(name)

    numbers = {signal.SIGINT: "interrupted (Ctrl-C)", signal.SIGTERM: "terminated"}
    for number, name in numbers.items():
        loop.add_signal_handler(number, on_signal, name)
    try:
        yield
    finally:
        for number in numbers:
            loop.remove_signal_handler(number)


@contextmanager
def collected_between_scans() -> Iterator[None]:
    """What is there now is never collected, and what comes is collected by the loops, while the block runs.

    Nor does another thread, begun before, keep the interpreter or the core for long: a journal's writer on the loop's
    core would else keep a scan that is due waiting for a whole slice.
    """
    sys.setswitchinterval(SWITCH_S)
    claim_short_slice()
    gc.collect()
    gc.freeze()
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
